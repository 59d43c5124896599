"""`drivecare demo`: the whole job on invented drives, through the same commands a technician types."""

from __future__ import annotations

import contextlib
import random
import re
import shlex
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Literal

import click

from drivecare.cli.common import PATH, finish, json_option
from drivecare.cli.demo_folder import prepare, sign
from drivecare.cli.terminal import console, notify, stdout_to_stderr
from drivecare.documents import Value
from drivecare.exit_codes import ExitCode
from drivecare.storage import create_file, write_file

JOB = "1042"
LABEL = "CH-2103"
SHOP = "Lantern Street Repairs"
COMPLAINT = "Stops at the logo with a storage error; worked until the holidays."
SIZE_BYTES = 64 << 20
BAD_OFFSET, BAD_LENGTH = 37_748_736 + 24_576, 8192  # two 4096-byte sectors


class Demo(Value, frozen=True, kw_only=True):
    """Where a demo put everything; paths are absolute."""

    schema: Literal["drivecare/demo-1"] = "drivecare/demo-1"
    job: str
    folder: str
    handover: str
    job_folder: str
    receipt: str
    stock: str
    reading: str


@click.command(epilog="\b\nExample: drivecare demo /tmp/first-look")
@click.argument("folder", metavar="[DIR]", default="drivecare-demo", type=PATH)
@json_option
def demo(folder: Path, as_json: bool) -> None:
    """Run a whole job on invented drives in DIR [default: ./drivecare-demo]: no hardware, no root, about 5 seconds.

    A media console stops at its logo. Its drive is read, judged and copied, a replacement is planned and inspected, the
    gate opens, the handover sheet is written. Run it as often as you like: DIR is made anew each time, unless something
    else than a demo's own files lies in it. With --json the story goes to stderr.
    """
    with stdout_to_stderr() if as_json else contextlib.nullcontext():
        here = prepare(folder)
        _put_invented_files(here)
        story = _tell(here)
        sign(here)
    finish(story, show=lambda _: None, as_json=as_json)


def _tell(here: Path) -> Demo:
    """The story, told while it happens in the prepared folder `here`."""
    say = _Narrator()
    say(
        f"{SHOP}, job {JOB}: a Corvane Hearth media console, label {LABEL}. All of it is invented; its drives are "
        f"stand-ins of {SIZE_BYTES >> 20} MiB."
    )
    in_job = ("--job", JOB, "--jobs", str(here / "jobs"))
    jobs = ("--jobs", str(here / "jobs"))
    old, new = here / "failing-drive.txt", here / "new-drive.txt"

    say("A job is opened. The unit's profile says what to look at before the drive is blamed.")
    run("job", "new", JOB, "--host", LABEL, "--complaint", COMPLAINT, "--symptom", "storage-error", *jobs)
    run("job", "record", JOB, "consent", "--note", "form signed at the counter", *jobs)

    say("The drive is pulled and read. (Here: from a recorded report; on a bench: drivecare assess /dev/sdb)")
    run("assess", str(old), *in_job, expect=ExitCode.EVACUATE)

    say("May the unit be closed? Not yet.")
    run("gate", JOB, *jobs, expect=ExitCode.GATE_SHUT)

    say("Which drive from the shelf fits this revision?")
    run("plan", "--host", LABEL, "--reading", str(old), "--stock", str(here / "stock.csv"), *in_job)

    say("Is the new drive as new as its label says?")
    run("assess", str(new), "--as", "new", *in_job)

    say("The data comes off. Two images stand for the drives; part of the old one cannot be read.")
    receipt = _copy(here, old, new)

    say("The copy is read back once more, as one would after a power cycle.")
    run("verify", str(receipt), *in_job, expect=ExitCode.PARTIAL)

    say("What only people can know is recorded: the customer was told of the gap, and the drives are apart.")
    run("job", "record", JOB, "unreadable", str(BAD_OFFSET), "--note", "told by phone", *jobs)
    run("job", "record", JOB, "detached", *jobs)

    say("And now?")
    run("gate", JOB, *jobs)
    sheet = here / "handover.html"
    run("handover", JOB, "--shop", SHOP, "--output", str(sheet), *jobs)
    say(f"Everything lies in {here}:")
    out = console()
    for path, what in (
        (sheet, "the handover sheet: open it in a browser, print it on A4"),
        (here / "jobs" / JOB, "the job: every result as JSON, in order"),
        (receipt, "the proof of the copy"),
        (here / "stock.csv", "the shelf, as a CSV"),
        (old, "the failing drive's report"),
    ):
        out.print_lines((f"  {path}", f"      {what}"))
    out.print("Next: drivecare doctor   then plug a drive in and: drivecare drives")
    return Demo(
        job=JOB,
        folder=str(here),
        handover=str(sheet),
        job_folder=str(here / "jobs" / JOB),
        receipt=str(receipt),
        stock=str(here / "stock.csv"),
        reading=str(old),
    )


class _Narrator:
    """Numbers the steps."""

    def __init__(self) -> None:
        self._step = 0

    def __call__(self, sentence: str) -> None:
        """Say a step, set apart from what the commands print."""
        head = f"{self._step}. " if self._step else ""
        self._step += 1
        out = console()
        out.print()
        out.print_wrapped(sentence, first=head, style="bold")


def run(*arguments: str, expect: ExitCode = ExitCode.DONE) -> None:
    """Run a command in this process as if it had been typed; `expect` is the exit code the story needs."""
    from drivecare.cli.main import cli

    console().print(f"$ drivecare {shlex.join(arguments)}", style="dim", soft_wrap=True)
    code = cli.main(args=list(arguments), prog_name="drivecare", standalone_mode=False)
    if code != expect:
        raise RuntimeError(f"the demo's story is broken: {arguments[0]} ended with {code}, not {expect}")


def _put_invented_files(here: Path) -> None:
    """The stock, both drives' reports as of now, and the image that stands for the old drive."""
    data = resources.files("drivecare.demo_data")
    write_file(here / "stock.csv", data.joinpath("stock.csv").read_bytes())
    for name in ("failing-drive.txt", "new-drive.txt"):
        report = data.joinpath(name).read_text(encoding="utf-8")
        time = datetime.now(UTC).strftime("%a %b %d %H:%M:%S %Y UTC")
        write_file(here / name, re.sub("(Local Time is: +).*", rf"\g<1>{time}", report).encode())
    _make_image(here / "old-drive.img")


def _make_image(path: Path) -> None:
    """64 MiB with one partition (an MBR entry of type 83), partly data and partly zeros, the same at every run."""
    draw = random.Random(1042)
    first, count = 2048, SIZE_BYTES // 512 - 2048
    entry = bytes([0, 0, 0, 0, 0x83, 0, 0, 0]) + first.to_bytes(4, "little") + count.to_bytes(4, "little")
    with open(create_file(path), "wb") as image:
        image.write((bytes(446) + entry).ljust(510, b"\0") + b"\x55\xaa")
        for start in range(1 << 20, SIZE_BYTES, 4 << 20):
            image.seek(start)
            image.write(draw.randbytes(2 << 20))
        image.truncate(SIZE_BYTES)


def _copy(here: Path, old: Path, new: Path) -> Path:
    """The copy command's own engine, told that the two images are the two drives. Returns the receipt's path."""
    from drivecare.cli.common import job_folder
    from drivecare.cli.progress import followed
    from drivecare.cli.receipt_screen import show_receipt
    from drivecare.reading.reading_files import load_reading
    from drivecare.transfer.areas import Area
    from drivecare.transfer.sectors.bad_places import WithBadAreas
    from drivecare.work.copy_sectors import Request, places
    from drivecare.work.copy_sectors import run as copy

    source, target = str(here / "old-drive.img"), str(here / "new-drive.img")
    drives = {source: load_reading(old).drive, target: load_reading(new).drive}
    receipt_path, journal_path = places(target)
    typed = f"$ drivecare copy {source} {target} --job {JOB} --jobs {here / 'jobs'}"
    console().print(typed, style="dim", soft_wrap=True)
    with followed() as watch:
        receipt = copy(
            Request(
                source=source,
                target=target,
                receipt=receipt_path,
                journal=journal_path,
                job=JOB,
                ask=drives.get,
                assessed=drives[source],
                through=lambda medium: WithBadAreas(medium, (Area(offset=BAD_OFFSET, length=BAD_LENGTH),)),
                say=notify,
                watch=watch,
            )
        )
    show_receipt(console(), receipt)
    filed = job_folder(JOB, here / "jobs").file(receipt)
    notify(f"filed as {filed}")
    return receipt_path
