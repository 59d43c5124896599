"""`drivecare handover`: the sheet that goes with the unit."""

from __future__ import annotations

from pathlib import Path

import click

from drivecare.cli.common import PATH, finish, job_argument, job_state, jobs_option, json_option, leading_job
from drivecare.cli.overwriting import may_replace, overwrite_option


@click.command(epilog='\b\nExample: drivecare handover 1042 --shop "Lantern Street Repairs" --output 1042.html')
@job_argument
@click.option(
    "--output",
    type=PATH,
    metavar="FILE.html",
    help="[default: handover.html in the job's folder]",
)
@overwrite_option
@click.option("--shop", envvar="DRIVECARE_SHOP", help="The shop's name for the head of the sheet. [or $DRIVECARE_SHOP]")
@jobs_option
@json_option
@click.pass_context
def handover(
    ctx: click.Context,
    id: str | None,
    output: Path | None,
    overwritable: tuple[str, ...],
    shop: str | None,
    jobs: Path,
    as_json: bool,
) -> None:
    """Write the handover sheet: the customer's page and the shop's, one HTML file that loads nothing from outside.

    It can be written at any time and says what is still missing. Print it on A4: two pages. The sheet in the job's
    folder is renewed each time, unless somebody edited it.
    """
    from drivecare.job.html_page import is_own_page, write_page
    from drivecare.job.sheet import make_sheet
    from drivecare.work.next_step import SHEET

    folder = leading_job(ctx, id, jobs)
    job = job_state(ctx, folder)
    path = output or folder.path / SHEET
    renewed = output is None and is_own_page(path)
    replace = renewed or may_replace(path, overwritable)
    document, html = make_sheet(job, path, shop=shop)
    write_page(path, html, replace=replace)

    state = "the gate is open" if document.gate_open else f"the gate is SHUT: {', '.join(document.missing)}"
    after = folder if output is None else None
    finish(document, show=lambda out: out.print(f"{path}   {state}", soft_wrap=True), as_json=as_json, after=after)
