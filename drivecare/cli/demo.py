"""`drivecare demo`: the whole job on invented drives, through the same commands a technician types."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, file_result, finish, job_folder, json_option, show_next
from drivecare.cli.demo_folder import prepare_folder, sign_folder
from drivecare.cli.demo_image import BAD_LENGTH, BAD_OFFSET, SIZE_BYTES, make_image
from drivecare.cli.terminal import console, notify, stdout_to_stderr
from drivecare.documents import Value
from drivecare.exit_codes import ExitCode
from drivecare.storage import write_file

if TYPE_CHECKING:
    from drivecare.work import Machine

JOB = "1042"
LABEL = "CH-2103"
SHOP = "Lantern Street Repairs"
COMPLAINT = "Stops at the logo with a storage error; worked until the holidays."


class Demo(Value, frozen=True, kw_only=True):
    """The paths of everything a demo made, all absolute."""

    schema: Literal["drivecare/demo-1"] = "drivecare/demo-1"
    job: str
    folder: str
    handover: str
    job_folder: str
    receipt: str
    stock: str
    reading: str


@click.command(
    cls=HouseCommand,
    ends={ExitCode.REFUSED: "refused: DIR holds other files"},
    examples=["drivecare demo /tmp/first-look"],
)
@click.argument("folder", metavar="[DIR]", default="drivecare-demo", type=PATH)
@json_option
def demo(folder: Path, as_json: bool) -> None:
    """Run a whole job on invented drives in DIR [default: ./drivecare-demo]: no hardware, no root, about 5 seconds.

    A media console stops at its logo. Its drive is read, judged and copied, a replacement is planned and inspected, the
    gate opens, the handover sheet is written. Run it as often as you like: DIR is cleared first, and refused if it
    holds anything but a demo's own files. With --json the story goes to stderr.
    """
    with stdout_to_stderr() if as_json else contextlib.nullcontext():
        place = prepare_folder(folder)
        _make_invented_files(place)
        receipt = _tell_story(place)
        document = Demo(
            job=JOB,
            folder=str(place),
            handover=str(place / "handover.html"),
            job_folder=str(place / "jobs" / JOB),
            receipt=str(receipt),
            stock=str(place / "stock.csv"),
            reading=str(place / "failing-drive.txt"),
        )
        _show_made_files(document)
        sign_folder(place)
    finish(document, show=lambda _: None, as_json=as_json)


def _tell_story(folder: Path) -> Path:
    """Tell the story while it happens in the prepared folder; give the path of the receipt."""
    narrate = _Narrator()
    narrate(
        f"{SHOP}, job {JOB}: a Corvane Hearth media console, label {LABEL}. All of it is invented; its drives are "
        f"stand-ins of {SIZE_BYTES >> 20} MiB."
    )
    jobs = ("--jobs", str(folder / "jobs"))
    in_job = ("--job", JOB, *jobs)
    old, new, stock = folder / "failing-drive.txt", folder / "new-drive.txt", folder / "stock.csv"

    narrate("A job is opened. The unit's profile says what to check before the drive is blamed.")
    _run_command("job", "new", JOB, "--host", LABEL, "--complaint", COMPLAINT, "--symptom", "storage-error", *jobs)
    _run_command("job", "record", JOB, "consent", "--note", "form signed at the counter", *jobs)

    narrate("The drive is pulled and read. (Here: from a recorded report; on a bench: drivecare assess /dev/sdb)")
    _run_command("assess", str(old), *in_job, expect=ExitCode.EVACUATE)

    narrate("May the unit be closed? Not yet. What comes next?")
    _run_command("gate", JOB, *jobs, expect=ExitCode.GATE_SHUT)
    _run_command("next", JOB, *jobs)

    narrate("Which drive from the shelf fits this revision?")
    _run_command("plan", "--stock", str(stock), *in_job)

    narrate("Is the new drive as new as its label says?")
    _run_command("assess", str(new), "--as", "new", *in_job)

    narrate("The data is copied. Two images stand for the drives; part of the old one cannot be read.")
    receipt = _copy_images(folder, old, new)

    narrate("Which recording is that? The names are looked up on the copy, and stay out of the job.")
    _run_command("contents", str(receipt), expect=ExitCode.PARTIAL)

    narrate("The copy is read back once more, as one would after a power cycle.")
    _run_command("verify", *in_job, expect=ExitCode.PARTIAL)

    narrate("What only people can know is recorded: the customer was told of the gap, and the drives are apart.")
    _run_command("job", "record", JOB, "unreadable", str(BAD_OFFSET), "--note", "told by phone", *jobs)
    _run_command("job", "record", JOB, "detached", *jobs)

    narrate("And now?")
    _run_command("gate", JOB, *jobs)
    _run_command("handover", JOB, "--shop", SHOP, "--output", str(folder / "handover.html"), *jobs)

    narrate(f"Everything is in {folder}:")
    return receipt


def _show_made_files(document: Demo) -> None:
    out = console()
    for path, contents in (
        (document.handover, "the handover sheet: open it in a browser, print it on A4"),
        (document.job_folder, "the job: every result as JSON, in order"),
        (document.receipt, "the proof of the copy"),
        (document.stock, "the shelf, as a CSV"),
        (document.reading, "the failing drive's report"),
    ):
        out.print_lines((f"  {path}", f"      {contents}"))
    target, jobs = str(Path(document.folder, "new-drive.img")), str(Path(document.folder, "jobs"))
    out.print_wrapped("Try it: turn one byte of the copy, and follow each Next until the gate opens again.")
    out.print(f"  printf X | dd of={shlex.quote(target)} bs=1 seek=5000000 conv=notrunc status=none", soft_wrap=True)
    out.print(f"  {shlex.join(('drivecare', 'verify', '--job', JOB, '--jobs', jobs))}", soft_wrap=True)
    out.print("Next: drivecare doctor   then plug in a drive and run: drivecare drives")


class _Narrator:
    """Prints the sentences of the story, each after the first with its number."""

    def __init__(self) -> None:
        self._step = 0

    def __call__(self, sentence: str) -> None:
        """Print a sentence, set apart from what the commands print."""
        number = f"{self._step}. " if self._step else ""
        self._step += 1
        out = console()
        out.print()
        out.print_wrapped(sentence, first=number, style="bold")


def _run_command(*arguments: str, expect: ExitCode = ExitCode.DONE) -> None:
    """Run a command in this process as if it had been typed; `expect` is the exit code the story needs."""
    from drivecare.cli.main import cli

    console().print(f"$ drivecare {shlex.join(arguments)}", style="dim", soft_wrap=True)
    code = cli.main(args=list(arguments), prog_name="drivecare", standalone_mode=False, obj=_no_drives())
    if code != expect:
        raise RuntimeError(f"the demo's story is broken: {arguments[0]} ended with {code}, not {expect}")


def _no_drives() -> Machine:
    """A machine with nothing attached: the real drives of this one have no part in the story."""
    from drivecare.work import Machine

    return Machine(root=Path(os.devnull))


def _make_invented_files(folder: Path) -> None:
    """Write the stock, both drives' reports as of now, and the image that stands for the old drive."""
    data = resources.files("drivecare.demo_data")
    write_file(folder / "stock.csv", data.joinpath("stock.csv").read_bytes())
    for name in ("failing-drive.txt", "new-drive.txt"):
        report = data.joinpath(name).read_text(encoding="utf-8")
        time = datetime.now(UTC).strftime("%a %b %d %H:%M:%S %Y UTC")
        write_file(folder / name, re.sub("(Local Time is: +).*", rf"\g<1>{time}", report).encode())
    make_image(folder / "old-drive.img")


def _copy_images(folder: Path, old: Path, new: Path) -> Path:
    """Run the copy command's own engine with the two images as the two drives. Returns the receipt's path."""
    from drivecare.cli.progress import followed
    from drivecare.cli.receipt_screen import show_receipt
    from drivecare.reading.reading_files import load_reading
    from drivecare.transfer.areas import Area
    from drivecare.transfer.sectors.bad_places import WithBadAreas
    from drivecare.work import Machine
    from drivecare.work.copy_paperwork import CopyRequest
    from drivecare.work.copy_sectors import copy_sectors

    source, target = str(folder / "old-drive.img"), str(folder / "new-drive.img")
    drives = {source: load_reading(old).drive, target: load_reading(new).drive}
    job = job_folder(JOB, folder / "jobs")
    request = CopyRequest(source=source, target=target, folder=job)
    command = f"$ drivecare copy {source} {target} --job {JOB} --jobs {folder / 'jobs'}"
    console().print(command, style="dim", soft_wrap=True)
    with followed() as watch:
        receipt = copy_sectors(
            request,
            Machine(),
            notify=notify,
            watch=watch,
            identify=drives.get,
            wrap_source=lambda medium: WithBadAreas(medium, (Area(offset=BAD_OFFSET, length=BAD_LENGTH),)),
        )
    show_receipt(console(), receipt)
    file_result(job, receipt)
    show_next(job, _no_drives(), jobs=folder / "jobs")
    return request.receipt_path
