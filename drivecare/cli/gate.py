"""`drivecare gate`: may the unit be closed?"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import finish, full_option, job_argument, job_state, jobs_option, json_option, leading_job
from drivecare.cli.job_screen import show_next_step
from drivecare.exit_codes import ExitCode
from drivecare.job.model import ROUTES

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.model import Gate, NextStep, Route
    from drivecare.record.location import Place


@click.command(
    cls=HouseCommand,
    ends={ExitCode.DONE: "the gate is open", ExitCode.GATE_SHUT: "the gate is shut"},
    examples=["drivecare gate 1042"],
)
@job_argument
@click.option(
    "--route", type=click.Choice(list(ROUTES)), help="Judge the gate for this route. [default: as recorded or filed]"
)
@full_option
@jobs_option
@json_option
@click.pass_context
def gate(ctx: click.Context, id: str | None, route: Route | None, full: bool, jobs: Place, as_json: bool) -> None:
    """Say whether the swap may happen: open or shut, each item with its evidence and age.

    Anything unknown keeps it shut.
    """
    from drivecare.job.gate import judge_gate
    from drivecare.job.next_step import find_next_step

    job = job_state(ctx, leading_job(ctx, id, jobs))
    judged = job.gate if route is None else judge_gate(job, route)
    show = partial(show_gate, gate=judged, step=find_next_step(job), full=full)
    finish(judged, show=show, as_json=as_json, exit_code=judged.exit_code)


# What the short form shows of an open gate: the proof that it rests on.
_PROOFS = ("verdict", "copy-verified")


def show_gate(out: Screen, *, gate: Gate, step: NextStep, full: bool) -> None:
    """The gate for people: what is missing and what it rests on, the answer, and the command that comes now.

    In full every item, and one command for each that is missing.
    """
    missing = [item for item in gate.items if not item.holds]
    shown = [item for item in gate.items if full or not item.holds or item.item in _PROOFS]
    rows = []
    for item in shown:
        age = f" ({item.age})" if item.age else ""
        rows.append(("holds" if item.holds else "MISSING", item.item, item.evidence + age))
    if rows:
        out.print_table(rows)
    others = [item.item for item in gate.items if item not in shown]
    if others:
        out.print_wrapped(", ".join(others), first="holds".ljust(9 if missing else 7))
    if full and missing:
        out.print_lines(("", "To open it:"))
        for command in dict.fromkeys(item.next for item in missing if item.next):
            out.print(f"  {command}", soft_wrap=True)
    answer = "OPEN" if gate.open else "SHUT"
    count = "" if gate.open else f", {len(missing)} of {len(gate.items)} missing"
    out.print()
    out.print_wrapped(f"Gate {answer}   job {gate.job}, {ROUTES[gate.route]}{count}", style="bold")
    on_screen = (f"{item.item}: {item.evidence}" for item in missing)
    show_next_step(out, step, why=step.why not in on_screen)
