"""`drivecare verify`: read a target again and compare it with its receipt."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, finish, job_options, job_state, json_option, leading_job, machine
from drivecare.cli.completion import drives_and_files
from drivecare.cli.terminal import notify
from drivecare.errors import BadInput
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.job_state import JobState
    from drivecare.record.location import Place
    from drivecare.record.port import FiledJob
    from drivecare.transfer.sectors.receipt import Receipt


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "all agrees",
        ExitCode.PARTIAL: "all but what could not be read from the source",
        ExitCode.MISMATCH: "something is wrong or missing",
        ExitCode.INTERRUPTED: "stopped midway, or all that was copied agrees and the copy had stopped at what is used",
    },
    examples=["drivecare verify --job 1042", "sudo drivecare verify sdc.receipt.json /dev/sdc"],
)
@click.argument("receipt", type=PATH, required=False)
@click.argument("target", required=False, shell_complete=drives_and_files)
@click.option(
    "--after-power-cycle",
    is_flag=True,
    help="You vouch that the target lost power since the copy, so that its own cache cannot answer.",
)
@json_option
@job_options
@click.pass_context
def verify(
    ctx: click.Context,
    receipt: Path | None,
    target: str | None,
    after_power_cycle: bool,
    as_json: bool,
    job: str | None,
    jobs: Place | None,
) -> None:
    """Read all of TARGET and compare it with RECEIPT, or check a bag of files (a folder) against its manifests.

    Without RECEIPT, it is the copy of the job, and the target wherever it is attached now. Without TARGET, the
    target that the receipt names is read. If it agrees, the receipt records when and how it was last verified;
    otherwise the receipt stays as it is, and the differences are listed. A receipt filed in a job is never changed:
    with --job a new one is filed. If TARGET is not the target of the copy, the result is about TARGET and the
    receipt stays as it is. In a bag, files that could not be read, that are wrong and that are missing are listed
    separately. No link in a bag is followed.
    """
    folder = leading_job(ctx, job, jobs, filing=True) if job is not None or receipt is None else None
    if receipt is None:
        assert folder is not None
        receipt, target = _copy_of_job(job_state(ctx, folder))
    if receipt.is_dir():
        _verify_bag(ctx, receipt, as_json=as_json, folder=folder)
    from drivecare.cli.progress import followed
    from drivecare.cli.receipt_screen import show_receipt
    from drivecare.job.file_names import with_names
    from drivecare.work.verify_copy import VerifyRequest, verify_copy

    request = VerifyRequest(receipt=receipt, target=target, folder=folder, after_power_cycle=after_power_cycle)
    with followed() as watch:
        result = verify_copy(request, machine(ctx), notify=notify, watch=watch)

    about = None if result.instead_of is None else _of_another(result, target or result.target.path)
    if about and as_json:
        notify(about)

    def show(out: Screen) -> None:
        if about:
            out.print(about, soft_wrap=True)
        show_receipt(out, with_names(result, folder.path) if folder is not None else result)

    finish(result, show=show, as_json=as_json, exit_code=result.exit_code, folder=folder)


def _copy_of_job(job: JobState) -> tuple[Path, str | None]:
    """The receipt or bag of the job's copy, and where its target is attached now."""
    from drivecare.job.commands import path_of
    from drivecare.transfer.files.bag import BagReceipt

    copy = job.newest_copy
    if copy is None:
        raise BadInput("has no copy to verify", location=f"job {job.id}", hint="See drivecare next.")
    if isinstance(copy.document, BagReceipt):
        return Path(copy.document.target.path), None
    return copy.file.path, path_of(job, copy.document.target)


def _of_another(result: Receipt, name: str) -> str:
    """The first thing to know of a verification that read another target than the copy wrote."""
    holds = "holds" if result.verified else "does not hold"
    named = result.target.kind == "image" or result.target.identity.strength == "strong"
    hint = "" if named else " If it is that one after all, verify it on a dock that shows its own serial number."
    return f"{name} {holds} what the receipt says; the receipt's own target was not read.{hint}"


def _verify_bag(ctx: click.Context, path: Path, *, as_json: bool, folder: FiledJob | None) -> NoReturn:
    from drivecare.cli.progress import followed
    from drivecare.cli.receipt_screen import show_bag, show_foreign_bag
    from drivecare.transfer.files.bag import BagReceipt
    from drivecare.work.bags import verify_bag

    with followed() as watch:
        result = verify_bag(path, machine(ctx), watch=watch)
    code = result.exit_code
    if isinstance(result, BagReceipt):
        receipt = result
        finish(receipt, show=lambda out: show_bag(out, receipt), as_json=as_json, exit_code=code, folder=folder)
    foreign = result
    finish(foreign, show=lambda out: show_foreign_bag(out, foreign), as_json=as_json, exit_code=code)
