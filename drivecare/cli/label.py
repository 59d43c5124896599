"""`drivecare job label`: what to stick on the drives of a job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, finish, job_argument, job_state, jobs_option, json_option, leading_job
from drivecare.cli.overwriting import may_replace, overwrite_option

if TYPE_CHECKING:
    from drivecare.record.location import Place


@click.command(
    cls=HouseCommand,
    short_help="Write labels for its drives, to print.",
    examples=["drivecare job label 1042"],
)
@job_argument
@click.option(
    "--output",
    type=PATH,
    metavar="FILE.html",
    help="Write the page to this file. [default: labels.html in the job's folder]",
)
@overwrite_option
@jobs_option
@json_option
@click.pass_context
def label(
    ctx: click.Context, id: str | None, output: Path | None, overwritable: tuple[str, ...], jobs: Place, as_json: bool
) -> None:
    """Write a page with a label for each drive: the job, old or new, the serial number and the day.

    Print it and stick each label on its drive. The page in the job's folder is renewed each time, unless somebody
    edited it.
    """
    from drivecare.work.write_labels import write_labels

    folder = leading_job(ctx, id, jobs)
    document = write_labels(
        folder, job_state(ctx, folder), output=output, may_replace=lambda path: may_replace(path, overwritable)
    )
    drives = ", ".join(f"{each.role} {each.serial or 'without a serial number'}" for each in document.labels)
    finish(document, show=lambda out: out.print(f"{document.path}   {drives}", soft_wrap=True), as_json=as_json)
