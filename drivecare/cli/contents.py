"""`drivecare contents`: what is on a drive or image, and what lay where a copy has gaps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import allow_load_option, finish, job_folder, job_options, json_option, machine
from drivecare.cli.terminal import notify
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.record.location import Place


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.PARTIAL: "areas that did not come across are listed",
        ExitCode.REFUSED: "refused: the drive is losing data and not copied yet",
    },
    examples=["drivecare contents disk.img.receipt.json"],
)
@click.argument("path", metavar="IMAGE|DRIVE|RECEIPT")
@allow_load_option
@job_options
@json_option
@click.pass_context
def contents(
    ctx: click.Context, path: str, allow_load: str | None, job: str | None, jobs: Place | None, as_json: bool
) -> None:
    """Show the partitions of a drive or image: file system, label, space, number of files.

    With a receipt, or an image that has its receipt beside it: also which files and folders lie in every area that
    did not come across. Look at the copy, not at the old drive: one that is losing data is refused until its copy is
    verified. Names of files are the customer's data.
    """
    from drivecare.cli.contents_screen import show_contents
    from drivecare.cli.progress import followed
    from drivecare.work.survey_contents import ContentsRequest, survey_contents

    folder = job_folder(job, jobs) if job is not None else None
    request = ContentsRequest(path=path, allow_load=allow_load, folder=folder)
    with followed() as watch:
        result = survey_contents(request, machine(ctx), notify=notify, watch=watch)
    finish(
        result,
        show=lambda out: show_contents(out, result),
        as_json=as_json,
        exit_code=ExitCode.PARTIAL if result.areas else ExitCode.DONE,
    )
