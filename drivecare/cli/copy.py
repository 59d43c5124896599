"""`drivecare copy`: copy a drive or image and prove it by reading the target back."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from drivecare.cli.command import HouseCommand, Number
from drivecare.cli.common import PATH, filing_folder, finish, job_options, json_option, machine
from drivecare.cli.completion import drives_and_files
from drivecare.cli.terminal import notify
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.record.location import Place
    from drivecare.transfer.sectors.digests import Algorithm
    from drivecare.transfer.sectors.receipt import Receipt
    from drivecare.work import Machine
    from drivecare.work.copy_paperwork import CopyRequest, ReceiptNotKept


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "every byte was copied and read back",
        ExitCode.PARTIAL: "all but the listed unreadable areas",
        ExitCode.MISMATCH: "the target does not hold what it must",
        ExitCode.INTERRUPTED: "stopped midway; --resume continues",
    },
    examples=["sudo drivecare copy /dev/sdb /dev/sdc --job 1042", "sudo drivecare copy /dev/sdb old-drive.img"],
)
@click.argument("source", shell_complete=drives_and_files)
@click.argument("target", shell_complete=drives_and_files)
@click.option("--receipt", metavar="FILE", type=PATH, help="Write the receipt to this file instead.")
@click.option("--resume", is_flag=True, help="Continue an interrupted copy, whatever names its drives have now.")
@click.option("--allow-overwrite", metavar="ID", help="The target's serial number, or its path if it is a file.")
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
    receipt: Path | None,
    resume: bool,
    allow_overwrite: str | None,
    acknowledge: tuple[str, ...],
    digest: Algorithm | None,
    probe: bool,
    retries: int,
    damage_hours: float | None,
    stuck_after: float,
    as_json: bool,
    job: str | None,
    jobs: Place | None,
) -> None:
    """Copy SOURCE to TARGET, each a drive or an image file, then read all of TARGET back and compare.

    The source is never written. What cannot be read is skipped, filled with text that names its place, and listed. Any
    interruption leaves a journal; the same command with --resume continues from it, also on another dock. The receipt
    and the journal are written beside an image, into the working folder for a drive, or into the job.
    """
    from drivecare.transfer.sectors.damage import DamagePolicy
    from drivecare.transfer.sectors.engine import CopySettings
    from drivecare.transfer.sectors.guards import Consent
    from drivecare.work.copy_paperwork import CopyRequest

    policy = DamagePolicy(retries=retries, damage_seconds=None if damage_hours is None else damage_hours * 3600)
    request = CopyRequest(
        source=source,
        target=target,
        receipt=receipt,
        folder=filing_folder(job, jobs),
        resume=resume,
        consent=Consent(allow_overwrite=allow_overwrite, acknowledged=acknowledge),
        probe=probe,
        whole_algorithm=digest,
        settings=CopySettings(policy=policy),
        patience_seconds=stuck_after,
    )
    places = [request.receipt_path]
    result, unkept = _run_copy(request, machine(ctx), places)
    _finish_copy(replace(request, receipt=places[-1]), result, unkept, as_json=as_json)


def _run_copy(request: CopyRequest, bench: Machine, places: list[Path]) -> tuple[Receipt, ReceiptNotKept | None]:
    """Copy while progress is shown; a receipt that found no room comes with the error that says so.

    `places` gets the receipt's: a resumed copy may have been begun under another name.
    """
    from drivecare.cli.progress import followed
    from drivecare.work.copy_paperwork import ReceiptNotKept
    from drivecare.work.copy_sectors import copy_sectors, watch_heat

    with followed(*watch_heat(request, bench)) as watch:
        try:
            return copy_sectors(request, bench, notify=notify, watch=watch, saved_as=places.append), None
        except ReceiptNotKept as error:
            return error.receipt, error


def _finish_copy(request: CopyRequest, receipt: Receipt, unkept: ReceiptNotKept | None, *, as_json: bool) -> NoReturn:
    """Show the receipt, file it in the job, and say what is to be done about both drives and what found no room."""
    from drivecare.cli.receipt_screen import show_receipt

    twins = receipt.source.kind == receipt.target.kind == "device"

    def show(out: Screen) -> None:
        show_receipt(out, receipt)
        if unkept is None:
            out.print(f"receipt: {request.receipt_path}", soft_wrap=True)
        if twins:
            out.print_wrapped(_DETACH)

    if twins and as_json:
        notify(_DETACH)
    again = f"file it with drivecare verify {shlex.quote(str(request.receipt_path))} and the same --job"
    keep: tuple[Callable[[], object], ...] = ()
    if unkept is not None:
        keep = (partial(_raise, unkept),)
        again = "run the command again with --resume, which reads the target back and writes the receipt"
    code, folder = receipt.exit_code, request.folder
    if folder is not None and any(filed.document == receipt for filed in folder.results(type(receipt))):
        folder = None  # of a copy that was finished already
    finish(receipt, show=show, as_json=as_json, exit_code=code, folder=folder, keep=keep, again=again)


def _raise(error: Exception) -> None:
    raise error


_DETACH = "Power off and detach one of the two now: two drives with the same content confuse a computer."
