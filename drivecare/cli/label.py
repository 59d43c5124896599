"""`drivecare job label`: what to stick on the drives of a job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, finish, job_argument, jobs_option, json_option, leading_job, named_jobs
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
    from drivecare.job.html_page import is_own_page, write_page
    from drivecare.job.job_state import load_job_state
    from drivecare.job.label import list_labels, render_labels
    from drivecare.job.model import DriveLabels

    folder = leading_job(ctx, id, jobs)
    job = load_job_state(folder.read(), jobs=named_jobs(ctx))
    document = DriveLabels(job=job.id, path=str(output or folder.path / "labels.html"), labels=list_labels(job))
    path = Path(document.path)
    renewed = output is None and is_own_page(path)
    write_page(path, render_labels(job, document.labels), replace=renewed or may_replace(path, overwritable))
    drives = ", ".join(f"{each.role} {each.serial or 'without a serial number'}" for each in document.labels)
    finish(document, show=lambda out: out.print(f"{path}   {drives}", soft_wrap=True), as_json=as_json)
