"""`drivecare plan`: which drive fits this unit, why the others do not, and the steps."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, finish, full_option, job_options, job_state, json_option, leading_job, machine
from drivecare.cli.completion import drives_and_files, host_ids, symptom_ids
from drivecare.cli.terminal import notify
from drivecare.exit_codes import ExitCode
from drivecare.format import Excerpt

if TYPE_CHECKING:
    from drivecare.fit.model import Candidate, MigrationKind, Plan
    from drivecare.job.job_state import JobState
    from drivecare.record.location import Place


class PlanCommand(HouseCommand):
    """A command whose help ends with the columns of the stock list."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The columns, from the table that reads them, then what every help ends with."""
        from drivecare.fit.stock_columns import COLUMNS

        with formatter.section("Columns of the stock list, and facts for --fact (name or model is needed)"):
            formatter.write_dl([(name, column.help) for name, column in COLUMNS.items()])
        super().format_epilog(ctx, formatter)


@click.command(
    cls=PlanCommand,
    ends={
        ExitCode.DONE: "a drive fits",
        ExitCode.NONE_FITS: "none fits",
        ExitCode.FACTS_MISSING: "one may fit but facts are missing, or no drive was tried",
    },
    examples=["drivecare plan --job 1042", "drivecare plan --host CH-2103 --reading old.json --stock stock.csv"],
)
@click.option(
    "--host",
    "label",
    metavar="LABEL",
    help="The unit's label, or the id of a unit or bay. [or the job's]",
    shell_complete=host_ids,
)
@click.option(
    "--reading",
    metavar="DRIVE|FILE",
    help="The old drive: an attached drive, a saved reading, or its report. [or the job's]",
    shell_complete=drives_and_files,
)
@click.option(
    "--stock",
    metavar="CSV",
    type=PATH,
    help="Drives to choose from. [in a job: or those of its last plan, or $DRIVECARE_STOCK, or "
    "~/.config/drivecare/stock.csv]",
)
@click.option(
    "--candidate",
    "candidates",
    multiple=True,
    metavar="DRIVE|FILE",
    help="One drive to try; may be repeated.",
    shell_complete=drives_and_files,
)
@click.option("--height-mm", metavar="MM", help="The height of the --candidate, measured by hand.")
@click.option(
    "--fact",
    "facts",
    multiple=True,
    metavar="NAME=VALUE",
    help="Another fact about the --candidate, looked up by hand; or smallest_member_sectors=N of the drives left in an "
    "array.",
)
@click.option("--used", metavar="SIZE", help="How much of the old drive is used, for a file copy: 212 GB.")
@click.option(
    "--migration",
    type=click.Choice(["sector-copy", "unit-initialises", "file-copy"]),
    help="How the content moves, if not as the profile says.",
)
@click.option(
    "--symptom",
    metavar="TEXT",
    help="What the customer saw: says what to check before the drive.",
    shell_complete=symptom_ids,
)
@click.option("--order", "only_order", is_flag=True, help="Print only the order list, to paste into a shop or a mail.")
@full_option
@job_options
@json_option
@click.pass_context
def plan(
    ctx: click.Context,
    label: str | None,
    reading: str | None,
    stock: Path | None,
    candidates: tuple[str, ...],
    height_mm: str | None,
    facts: tuple[str, ...],
    used: str | None,
    migration: MigrationKind | None,
    symptom: str | None,
    only_order: bool,
    full: bool,
    job: str | None,
    jobs: Place | None,
    as_json: bool,
) -> None:
    """Find the replacement that fits this unit, and the steps to fit it.

    A missing fact never counts as fitting: such a drive is listed as one that may fit. Drives do not report their
    height, current draw or plug: measure them and enter them with --height-mm and --fact.
    With no drive to try, the order list says what a supplier must be told so that the drive fits.
    In a job, what the line does not name is taken from the job: the unit, the old drive, the stock list.
    """
    from drivecare.cli.plan_screen import show_order_list, show_plan
    from drivecare.cli.shop_profiles import known_hosts
    from drivecare.fit.plan import exit_code
    from drivecare.work.plan import PlanRequest, complete_from_job, plan_replacement

    folder = leading_job(ctx, job, jobs, filing=True) if job is not None or label is None else None
    state = None if folder is None else job_state(ctx, folder)
    request = PlanRequest(
        label=label,
        hosts=known_hosts(),
        old_drive=reading,
        stock_path=stock,
        candidates=candidates,
        facts=_parse_facts(facts, height_mm, candidates),
        used_bytes=None if used is None else _parse_used(used),
        migration=migration,
        symptom=symptom,
        job=None if folder is None else folder.id,
    )
    request = request if state is None else complete_from_job(request, state)
    document = plan_replacement(replace(request, stock=_load_stock(request.stock_path)), machine(ctx))
    show = partial(show_order_list, plan=document) if only_order else partial(show_plan, plan=document, full=full)
    filed_in = None if state is not None and _is_worse(document, state) else folder
    finish(document, show=show, as_json=as_json, exit_code=exit_code(document), folder=filed_in, after=folder)


def _is_worse(plan: Plan, job: JobState) -> bool:
    """Whether a plan is for no drive while the job has one for its own; it is not filed over that one."""
    better = job.newest_sourced_plan
    if plan.source is not None or better is None:
        return False
    notify(f"not filed: this plan is for no particular drive, and the job has one that is: {better.name}")
    return True


def _load_stock(path: Path | None) -> tuple[Candidate, ...]:
    from drivecare.documents import read_bytes
    from drivecare.fit.stock_list import read_stock

    if path is None:
        return ()
    stock = read_stock(read_bytes(path), origin=str(path))
    if stock.ignored:
        notify(f"{path}: columns not used: {', '.join(Excerpt(stock.ignored).lines(str, 'of them'))}")
    for fault in stock.faults:
        notify(fault)
    return stock.candidates


def _parse_facts(facts: tuple[str, ...], height_mm: str | None, candidates: tuple[str, ...]) -> dict[str, str]:
    from drivecare.work.plan import FACTS_OF_THE_UNIT

    measured = {} if height_mm is None else {"height": height_mm}
    for fact in facts:
        name, separator, value = fact.partition("=")
        if not separator:
            raise click.UsageError(f"--fact {fact!r} is not NAME=VALUE, such as height=9.5.")
        measured[name] = value
    if measured.keys() - FACTS_OF_THE_UNIT and len(candidates) != 1:
        raise click.UsageError("--height-mm and --fact describe one --candidate: give exactly one.")
    return measured


def _parse_used(text: str) -> int:
    from drivecare.errors import BadInput
    from drivecare.fit.units import parse_amount

    try:
        return parse_amount(text)
    except ValueError as error:
        raise BadInput(str(error), location="--used", hint="For example: --used '212 GB'.") from error
