"""`drivecare handover`: the sheet that goes with the unit."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, finish, job_argument, job_state, jobs_option, json_option, leading_job
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.terminal import notify
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.model import Handover
    from drivecare.record.location import Place


@click.command(
    cls=HouseCommand,
    ends={ExitCode.DONE: "written, whether the gate is open or shut"},
    examples=['drivecare handover 1042 --shop "Lantern Street Repairs" --output 1042.html'],
)
@job_argument
@click.option(
    "--output",
    type=PATH,
    metavar="FILE.html",
    help="Write it here, too. [default: only handover.html in the job's folder]",
)
@overwrite_option
@click.option(
    "--shop",
    metavar="NAME",
    envvar="DRIVECARE_SHOP",
    help="The shop's name for the head of the sheet. [or $DRIVECARE_SHOP]",
)
@jobs_option
@json_option
@click.pass_context
def handover(
    ctx: click.Context,
    id: str | None,
    output: Path | None,
    overwritable: tuple[str, ...],
    shop: str | None,
    jobs: Place,
    as_json: bool,
) -> None:
    """Write the handover sheet: the customer's page and the shop's, one HTML file that loads nothing from outside.

    It can be written at any time and says what is still missing. Print it on A4: two pages. The job's folder always
    gets one, and with --output a second goes there. The sheet in the folder is renewed each time, unless somebody
    edited it.
    """
    from drivecare.work.hand_over import hand_over

    folder = leading_job(ctx, id, jobs)
    document = hand_over(
        folder,
        job_state(ctx, folder),
        output=output,
        shop=shop,
        may_replace=lambda path: may_replace(path, overwritable),
        notify=notify,
    )
    show = partial(_show_sheet, document=document)
    finish(document, show=show, as_json=as_json, after=folder if output is None else None)


def _show_sheet(out: Screen, *, document: Handover) -> None:
    out.print(document.path, soft_wrap=True)
    if not document.gate_open:
        out.print_wrapped(f"the gate is SHUT: {', '.join(document.missing)}")
