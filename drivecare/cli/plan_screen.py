"""A plan on the screen: at 80 columns, and no serial number is ever cut or broken."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.fit.model import Advice, JudgedCandidate, Plan

_STATES = {"yes": ("fits", "bold green"), "unknown": ("may fit", "bold yellow"), "no": ("no", "dim")}
_INDENT = 13
_MOST_SHOWN = 60  # those that fit come first


def show_plan(out: Screen, plan: Plan) -> None:
    """Unit and old drive, what the symptom says, the drives in order, the chosen one's checks, cautions, steps."""
    out.print(f"{plan.host_name}   label {plan.label}", style="bold", soft_wrap=True)
    out.print_wrapped(f"Content moves by {plan.migration.replace('-', ' ')}. {_old_drive(plan)}")
    if plan.symptom is not None:
        _show_advice(out, plan.symptom)
    out.print()
    for one in plan.candidates[:_MOST_SHOWN]:
        _show_candidate(out, one)
    if len(plan.candidates) > _MOST_SHOWN:
        out.print(f"    ... {len(plan.candidates) - _MOST_SHOWN:,} more candidates, all in the document (--json)")
    if plan.candidates:
        out.print()
    _show_choice(out, plan)
    out.print_lines(("", "Before you start"), style="bold")
    for caution in plan.cautions:
        out.print_wrapped(caution, first="  - ", indent=4)
    out.print_lines(("", "Steps"), style="bold")
    for number, step in enumerate(plan.steps, 1):
        out.print_wrapped(step, first=f"{number:3}. ", indent=5)


def _old_drive(plan: Plan) -> str:
    old = plan.source
    if old is None:
        return "The old drive was not read."
    parts = [old.model or "a drive without a name"]
    if old.serial:
        parts.append(f"serial {old.serial}")
    if old.capacity_bytes is not None:
        parts.append(f"{old.capacity_bytes:,} bytes")
    verdict = f"; verdict {old.verdict.upper()}" if old.verdict else ""
    return f"Old drive: {', '.join(parts)}{verdict}."


def _show_advice(out: Screen, advice: Advice) -> None:
    likely = "the drive is the likely cause" if advice.drive_likely else "the drive is the less likely cause here"
    out.print_wrapped(f"Symptom: {advice.symptom}: {likely}. It is {advice.cause}. [{advice.source}]")
    for thing in advice.first:
        out.print_wrapped(f"check {thing} first", first="  - ", indent=4)


def _show_candidate(out: Screen, one: JudgedCandidate) -> None:
    word, style = _STATES[one.fits]
    place = "" if one.rank is None else f"{one.rank}"
    out.print_parts((f"{place:>3} ", ""), (f"{word:8}", style), (" ", ""), (_title(one), "bold"))
    for line in _why(one):
        out.print_wrapped(line, first=" " * _INDENT, indent=_INDENT + 2)


def _title(one: JudgedCandidate) -> str:
    title = one.name
    if one.serial and one.serial not in one.name:
        title += f", serial {one.serial}"
    return title + (f", shelf {one.shelf}" if one.shelf else "")


def _why(one: JudgedCandidate) -> Iterator[str]:
    """Why it stands where it stands: its reasons against, else what to mind, the rest in a line."""
    shown = {"no": ("block",), "unknown": ("unknown", "warn"), "yes": ("warn",)}[one.fits]
    if one.ranking:
        yield "; ".join(one.ranking)
    for check in one.checks:
        if check.result in shown:
            yield f"{check.check.replace('-', ' ')}: {check.reason}"


def _show_choice(out: Screen, plan: Plan) -> None:
    chosen = plan.chosen_drive
    if chosen is None:
        states = {one.fits for one in plan.candidates}
        if "unknown" in states:
            told = "One may fit: find out what is missing, and say it in the stock list or with --fact."
        elif states:
            told = "None of these fits. Try others: --stock STOCK.csv or --candidate DRIVE"
        else:
            told = "No drive was given to try: --stock STOCK.csv or --candidate DRIVE"
        out.print_wrapped(told)
        return
    out.print(f"Fit {_title(chosen)}", style="bold", soft_wrap=True)
    for check in chosen.checks:
        mark = "  " if check.result == "pass" else "! "
        name = check.check.replace("-", " ")
        out.print_wrapped(f"{check.reason}   [{check.source}]", first=f"  {mark}{name:15} ", indent=20)
