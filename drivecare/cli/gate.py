"""`drivecare gate`: may the unit be closed?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, job_argument, job_state, jobs_option, json_option, leading_job
from drivecare.job.model import ROUTES

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.model import Gate, Route


@click.command(epilog="\b\nExample: drivecare gate 1042")
@job_argument
@click.option(
    "--route", type=click.Choice(list(ROUTES)), help="Judge the gate for this route. [default: as recorded or filed]"
)
@jobs_option
@json_option
@click.pass_context
def gate(ctx: click.Context, id: str | None, route: Route | None, jobs: Path, as_json: bool) -> None:
    """Say whether the swap may happen: open or shut, each item with its evidence and age.

    Anything unknown keeps it shut. Exit code: 0 open, 40 shut.
    """
    from drivecare.job.gate import judge_gate

    job = job_state(ctx, leading_job(ctx, id, jobs))
    judged = judge_gate(job, route)
    finish(judged, show=lambda out: show_gate(out, judged), as_json=as_json, exit_code=judged.exit_code)


def show_gate(out: Screen, gate: Gate) -> None:
    """The gate for people: the answer, every item, and one command for each that is missing."""

    missing = [item for item in gate.items if not item.holds]
    answer = "OPEN" if gate.open else "SHUT"
    count = "" if gate.open else f", {len(missing)} of {len(gate.items)} missing"
    out.print_wrapped(f"Gate {answer}   job {gate.job}, {ROUTES[gate.route]}{count}", style="bold")
    out.print()
    rows = []
    for item in gate.items:
        age = f" ({item.age})" if item.age else ""
        rows.append(("holds" if item.holds else "MISSING", item.item, item.evidence + age))
    out.print_table(rows)
    if missing:
        out.print_lines(("", "To open it:"))
        for command in dict.fromkeys(item.next for item in missing if item.next):
            out.print(f"  {command}", soft_wrap=True)
