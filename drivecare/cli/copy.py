"""`drivecare copy`: copy a drive or image and prove it by reading the target back."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from drivecare.cli.command import HouseCommand, Number
from drivecare.cli.common import PATH, file_result, filing_folder, finish, job_options, json_option, machine
from drivecare.cli.completion import drives_and_files
from drivecare.cli.terminal import notify
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.record.location import Place
    from drivecare.transfer.sectors.digests import Algorithm
    from drivecare.transfer.sectors.engine import CopySettings
    from drivecare.transfer.sectors.receipt import Receipt
    from drivecare.work import Machine
    from drivecare.work.copy_paperwork import CopyRequest
    from drivecare.work.copy_sectors import TargetCopy


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "every byte was copied and read back",
        ExitCode.PARTIAL: "all but the listed unreadable areas",
        ExitCode.MISMATCH: "the target does not hold what it must",
        ExitCode.INTERRUPTED: "stopped midway, or at what is used; --resume continues",
    },
    examples=[
        "sudo drivecare copy /dev/sdb /dev/sdc --job 1042",
        "sudo drivecare copy /dev/sdb old-drive.img",
        "sudo drivecare copy /dev/sdb /dev/sdc --also old-drive.img",
    ],
)
@click.argument("source", shell_complete=drives_and_files)
@click.argument("target", shell_complete=drives_and_files)
@click.option(
    "--also",
    metavar="IMAGE",
    shell_complete=drives_and_files,
    help="Make this image file, too, while SOURCE is read once; each of the two gets its own receipt.",
)
@click.option("--receipt", metavar="FILE", type=PATH, help="Write the receipt to this file instead.")
@click.option("--resume", is_flag=True, help="Continue an interrupted copy, whatever names its drives have now.")
@click.option(
    "--allow-overwrite",
    metavar="ID",
    multiple=True,
    help="The target's serial number, or its path if it is a file.",
)
@click.option(
    "--acknowledge",
    multiple=True,
    type=click.Choice(["weak-identity", "size", "other-drive"]),
    help="Acknowledge what a guard asked about; the receipt records it.",
)
@click.option(
    "--digest",
    type=click.Choice(["sha256", "blake3"]),
    help="Digest of the whole: sha256 (the default; sha256sum checks it) or blake3, for media faster than SHA-256.",
)
@click.option("--probe", is_flag=True, help="First check that an empty target really has the size it claims.")
@click.option(
    "--retries",
    default=2,
    show_default=True,
    metavar="N",
    type=Number("a whole number from 0 to 100", least=0, most=100, whole=True),
    help="Retries per unreadable sector.",
)
@click.option(
    "--damage-hours",
    metavar="HOURS",
    type=Number("a number above 0", above=0),
    help="Stop after this many hours on damaged areas.",
)
@click.option(
    "--to-the-end",
    is_flag=True,
    help="With --resume: also try what the copy stopped at because it would take months.",
)
@click.option(
    "--until",
    type=click.Choice(["used"]),
    help="Stop once all that is used was tried. The copy is not whole then; --resume alone reads the rest.",
)
@click.option(
    "--stuck-after",
    default=300,
    show_default=True,
    type=Number("a number of 1 or more", least=1),
    metavar="SECONDS",
    help="Give up when the drive has not answered for this long.",
)
@json_option
@job_options
@click.pass_context
def copy(
    ctx: click.Context,
    source: str,
    target: str,
    also: str | None,
    receipt: Path | None,
    resume: bool,
    allow_overwrite: tuple[str, ...],
    acknowledge: tuple[str, ...],
    digest: Algorithm | None,
    probe: bool,
    retries: int,
    damage_hours: float | None,
    to_the_end: bool,
    until: str | None,
    stuck_after: float,
    as_json: bool,
    job: str | None,
    jobs: Place | None,
) -> None:
    """Copy SOURCE to TARGET, each a drive or an image file, then read all of TARGET back and compare.

    The source is never written. What cannot be read is skipped, filled with text that names its place, and listed. Any
    interruption leaves a journal; the same command with --resume continues from it, also on another dock. The receipt
    and the journal are written beside an image, into the working folder for a drive, or into the job.

    With --also, a target that fails is given up with its own journal and the other goes on; name both again with
    --resume. The exit code is that of the worse of the two.
    """
    from drivecare.transfer.sectors.guards import Consent
    from drivecare.work.copy_paperwork import CopyRequest, request_also

    of_target, of_image = _share_out(allow_overwrite, also)
    request = CopyRequest(
        source=source,
        target=target,
        receipt=receipt,
        folder=filing_folder(job, jobs),
        resume=resume,
        consent=Consent(allow_overwrite=of_target, acknowledged=acknowledge, until_used=until == "used"),
        probe=probe,
        whole_algorithm=digest,
        settings=_settings(retries, damage_hours, to_the_end=to_the_end, resume=resume, until_used=until == "used"),
        patience_seconds=stuck_after,
    )
    requests = (request,) if also is None else (request, request_also(request, also, of_image))
    _copy_and_finish(requests, machine(ctx), as_json=as_json)


def _settings(
    retries: int, damage_hours: float | None, *, to_the_end: bool, resume: bool, until_used: bool
) -> CopySettings:
    """How hard the copy tries. How long the rest of a drive takes is known once a copy has stopped at it."""
    from drivecare.transfer.sectors.damage import DamagePolicy
    from drivecare.transfer.sectors.engine import CopySettings

    if to_the_end and not resume:
        raise click.UsageError(
            "--to-the-end goes with --resume: a first copy says how long the rest takes, where it comes to that."
        )
    damage_seconds = None if damage_hours is None else damage_hours * 3600
    policy = DamagePolicy(retries=retries, damage_seconds=damage_seconds, to_the_end=to_the_end, until_used=until_used)
    return CopySettings(policy=policy)


def _share_out(typed: tuple[str, ...], also: str | None) -> tuple[str | None, str | None]:
    """Which of the names typed is for the target, and which is the path of the image beside it."""
    of_image = [name for name in typed if also is not None and Path(name).resolve() == Path(also).resolve()]
    of_target = [name for name in typed if name not in of_image]
    if len(of_target) > 1:
        raise click.UsageError(f"--allow-overwrite: {of_target[-1]} is one name too many for the target.")
    return next(iter(of_target), None), next(iter(of_image), None)


def _copy_and_finish(requests: Sequence[CopyRequest], bench: Machine, *, as_json: bool) -> NoReturn:
    """Copy while progress is shown, then show what came of it."""
    from drivecare.cli.progress import followed
    from drivecare.work.copy_sectors import copy_to_targets, watch_heat

    with followed(*watch_heat(requests, bench)) as watch:
        copies = copy_to_targets(requests, bench, notify=notify, watch=watch)
    if len(copies) == 1:
        _finish_one(copies[0], as_json=as_json)
    _finish_several(copies, as_json=as_json)


def _finish_one(copy: TargetCopy, *, as_json: bool) -> NoReturn:
    """Show the receipt, file it in the job, and say what is to be done about both drives and what found no room."""
    if copy.receipt is None:
        _raise(copy.error)
    receipt, request = copy.receipt, copy.request
    twins = _are_twins(receipt)

    def show(out: Screen) -> None:
        _show_copy(out, copy)
        if twins:
            out.print_wrapped(_DETACH)

    if twins and as_json:
        notify(_DETACH)
    again = f"file it with drivecare verify {shlex.quote(str(request.receipt_path))} and the same --job"
    if copy.error is not None:
        again = f"{_AGAIN}, which reads the target back and writes the receipt"
    keep = () if copy.error is None else (partial(_raise, copy.error),)
    filed, code = _find_filed(copy), receipt.exit_code
    folder = None if filed is not None else request.folder
    finish(filed or receipt, show=show, as_json=as_json, exit_code=code, folder=folder, keep=keep, again=again)


def _finish_several(copies: Sequence[TargetCopy], *, as_json: bool) -> NoReturn:
    """Show what became of each target and file every receipt, that of the first target last: it is the job's newest."""
    from drivecare.work.copied_targets import document_of_copies, worst_of_copies

    folder, twins = copies[0].request.folder, any(copy.receipt and _are_twins(copy.receipt) for copy in copies)

    def show(out: Screen) -> None:
        for number, copy in enumerate(copies):
            if number:
                out.print()
            out.print(copy.request.target, style="bold", soft_wrap=True)
            if copy.receipt is not None:
                _show_copy(out, copy)
            if copy.error is not None:
                out.print_wrapped(copy.error.message(), first="NOT FINISHED  ")
        if twins:
            out.print()
            out.print_wrapped(_DETACH)

    if twins and as_json:
        notify(_DETACH)
    keep = [
        partial(file_result, folder, copy.receipt)
        for copy in reversed(copies)
        if folder is not None and copy.receipt is not None and _find_filed(copy) is None
    ]
    code = worst_of_copies(copies)
    document = document_of_copies(copies)
    finish(document, show=show, as_json=as_json, exit_code=code, keep=keep, after=folder, again=_AGAIN)


def _show_copy(out: Screen, copy: TargetCopy) -> None:
    """Show a receipt, with the names that its job keeps apart, and where it was kept."""
    from drivecare.cli.receipt_screen import show_receipt
    from drivecare.job.file_names import with_names

    receipt, folder = _find_filed(copy) or copy.receipt, copy.request.folder
    assert receipt is not None
    show_receipt(out, receipt if folder is None else with_names(receipt, folder.path))
    if copy.error is None:
        out.print(f"receipt: {copy.request.receipt_path}", soft_wrap=True)


def _are_twins(receipt: Receipt) -> bool:
    return receipt.source.kind == receipt.target.kind == "device"


def _find_filed(copy: TargetCopy) -> Receipt | None:
    """The receipt as it is in the job already, if it is of a copy that was finished before."""
    from drivecare.job.file_names import without_names

    folder, receipt = copy.request.folder, copy.receipt
    if folder is None or receipt is None:
        return None
    bare = without_names(receipt)
    filed = (result.document for result in folder.results(type(receipt)))
    return next((document for document in filed if without_names(document) == bare), None)


def _raise(error: Exception | None) -> NoReturn:
    assert error is not None
    raise error


_AGAIN = "run the command again with --resume"
_DETACH = "Power off and detach one of the two now: two drives with the same content confuse a computer."
