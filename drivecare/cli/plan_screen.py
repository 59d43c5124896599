"""A plan for people: the unit, the drives in order, the checks of the one to fit, cautions, steps."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from typing import TYPE_CHECKING

from drivecare.format import format_count, join_and

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.fit.model import Advice, JudgedCandidate, Order, OrderRail, Plan

_FITS_WORDS = {"yes": ("fits", "bold green"), "unknown": ("may fit", "bold yellow"), "no": ("no", "dim")}
_REASON_INDENT = 13
_ORDER_INDENT = 15
_MOST_IN_SHORT, _MOST_REASONS = 3, 3  # candidates in the short form, and reasons of the first
_MOST_SHOWN = 60  # those that fit come first
_MOVES = {
    "sector-copy": "Content moves by sector copy.",
    "unit-initialises": "The unit sets the new drive up itself.",
    "file-copy": "Content moves by file copy.",
}


def show_plan(out: Screen, plan: Plan, *, full: bool) -> None:
    """Print a plan: which drive to fit, so that it fits a small terminal, or in `full` with every reason and step."""
    out.print(f"{plan.host_name}   label {plan.label}", style="bold", soft_wrap=True)
    out.print_wrapped(f"{_MOVES[plan.migration]} {_describe_old_drive(plan)}")
    if plan.migration_reason is not None:
        out.print_wrapped(plan.migration_reason)
    if plan.symptom is not None:
        _show_likely_cause(out, plan.symptom)
    out.print()
    if full:
        _show_all(out, plan)
    else:
        _show_best(out, plan)


def _show_best(out: Screen, plan: Plan) -> None:
    """The best candidates, or why none fits; how many there are of the others, what to fit or order, the mains."""
    possible = [candidate for candidate in plan.candidates if candidate.fits != "no"]
    listed = (possible or plan.candidates)[:_MOST_IN_SHORT]
    for candidate in listed:
        _show_title(out, candidate)
        if possible and candidate is not listed[0]:
            continue
        for reason in islice(_reasons(candidate), _MOST_REASONS if possible else 1):
            out.print_wrapped(reason, first=" " * _REASON_INDENT, indent=_REASON_INDENT + 2)
    more = "" if possible else "more "
    others = (
        (len(possible) - _MOST_IN_SHORT, "more may fit", "more may fit"),
        (len(plan.candidates) - len(possible or listed), f"{more}does not fit", f"{more}do not fit"),
    )
    counts = [format_count(count, words, plural) for count, words, plural in others if count > 0]
    if counts:
        out.print(f"    {join_and(counts)}")
    if plan.candidates:
        out.print()
    if plan.cautions:
        out.print_wrapped(plan.cautions[0])
    steps, cautions = format_count(len(plan.steps), "step"), format_count(len(plan.cautions) - 1, "more caution")
    out.print_wrapped(f"More with --full: every check with its source, the order list, {steps}, {cautions}.")
    out.print()
    chosen = plan.chosen_drive
    if chosen is not None:
        out.print_wrapped(f"Fit {_candidate_title(chosen)}", style="bold")
        return
    out.print_wrapped(_advise_on_candidates(plan), style="bold")
    if plan.order is not None:
        out.print_wrapped(f"To order: {plan.order.search}   (all that a supplier must be told: --order)", indent=2)


def _show_all(out: Screen, plan: Plan) -> None:
    """Every candidate with its reasons, the checks of the one to fit, the order list, cautions and steps."""
    from drivecare.fit.plan import RANKING_RULE

    if len(plan.candidates) > 1:
        out.print(RANKING_RULE, style="dim")
    for candidate in plan.candidates[:_MOST_SHOWN]:
        _show_candidate(out, candidate)
    if len(plan.candidates) > _MOST_SHOWN:
        out.print(f"    ... {len(plan.candidates) - _MOST_SHOWN:,} more candidates, all in the document (--json)")
    if plan.candidates:
        out.print()
    _show_choice(out, plan)
    if plan.order is not None:
        out.print_lines(("", "Order list   (alone, to paste into a shop or a mail: --order)"), style="bold")
        _show_order(out, plan.order)
    out.print_lines(("", "Before you start"), style="bold")
    for caution in plan.cautions:
        out.print_wrapped(caution, first="  - ", indent=4)
    out.print_lines(("", "Steps"), style="bold")
    for number, step in enumerate(plan.steps, 1):
        out.print_wrapped(step, first=f"{number:3}. ", indent=5)


def _describe_old_drive(plan: Plan) -> str:
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


def _show_likely_cause(out: Screen, advice: Advice) -> None:
    likely = "" if advice.drive_likely else " The drive is less likely."
    out.print_wrapped(f"Symptom: {advice.symptom}. Cause: {advice.cause}.{likely} [{advice.source}]")
    for number, part in enumerate(advice.first):
        out.print_wrapped(f"{'then' if number else 'first'} check {part}", first="  - ", indent=4)


def _show_candidate(out: Screen, candidate: JudgedCandidate) -> None:
    _show_title(out, candidate)
    for reason in _reasons(candidate):
        out.print_wrapped(reason, first=" " * _REASON_INDENT, indent=_REASON_INDENT + 2)


def _show_title(out: Screen, candidate: JudgedCandidate) -> None:
    words, style = _FITS_WORDS[candidate.fits]
    rank = "" if candidate.rank is None else f"{candidate.rank}"
    out.print_parts((f"{rank:>3} ", ""), (f"{words:8}", style), (" ", ""), (_candidate_title(candidate), "bold"))


def _candidate_title(candidate: JudgedCandidate) -> str:
    title = candidate.name
    if candidate.serial and candidate.serial not in candidate.name:
        title += f", serial {candidate.serial}"
    return title + (f", shelf {candidate.shelf}" if candidate.shelf else "")


def _reasons(candidate: JudgedCandidate) -> Iterator[str]:
    """Why a candidate has its rank, then what speaks against it or needs attention."""
    shown = {"no": ("block",), "unknown": ("unknown", "warn"), "yes": ("warn",)}[candidate.fits]
    if candidate.ranking:
        yield "; ".join(candidate.ranking)
    for check in candidate.checks:
        if check.result in shown:
            yield f"{check.check.replace('-', ' ')}: {check.reason}"


def _show_choice(out: Screen, plan: Plan) -> None:
    chosen = plan.chosen_drive
    if chosen is None:
        out.print_wrapped(_advise_on_candidates(plan))
        return
    out.print(f"Fit {_candidate_title(chosen)}", style="bold", soft_wrap=True)
    for check in chosen.checks:
        mark = "  " if check.result == "pass" else "! "
        name = check.check.replace("-", " ")
        out.print_wrapped(f"{check.reason}   [{check.source}]", first=f"  {mark}{name:15} ", indent=20)


def _advise_on_candidates(plan: Plan) -> str:
    if any(candidate.fits == "unknown" for candidate in plan.candidates):
        return "One may fit: find out what is missing and enter it in the stock list or with --fact."
    if plan.candidates:
        return "None of these fits. Try others: --stock STOCK.csv or --candidate DRIVE"
    return "No drive was tried. Order one, or try what you have: --stock STOCK.csv or --candidate DRIVE"


# ------------------------------------------------------------------------------------------------------- order list


def show_order_list(out: Screen, plan: Plan) -> None:
    """Print the order list alone. It names the unit, but nothing of the customer's, not even the old drive."""
    out.print_wrapped(f"Replacement drive for {plan.host_name}")
    out.print()
    if plan.order is not None:
        _show_order(out, plan.order)


def _show_order(out: Screen, order: Order) -> None:
    for name, text in _order_rows(order):
        out.print_wrapped(text, first=f"  {name:12} ", indent=_ORDER_INDENT)
    for note in order.notes:
        out.print_wrapped(note, first="  - ", indent=4)


def _order_rows(order: Order) -> Iterator[tuple[str, str]]:
    from drivecare.fit.standards import connectors, form_factors
    from drivecare.format import spell_protocol

    yield "Search for", order.search
    yield "Form factor", f"{form_factors()[order.form_factor].name}, at most {order.height_mm_max:g} mm high"
    yield "Plug", connectors()[order.connector].name
    yield "Protocol", " or ".join(map(spell_protocol, order.protocol.split(" or ")))
    yield "At least", _describe_size(order.capacity_bytes_min, order.logical_sector_bytes)
    yield "At most", _describe_size(order.capacity_bytes_max, order.logical_sector_bytes)
    sector = order.logical_sector_bytes
    yield "Sectors", "512 or 4,096 bytes (logical)" if sector is None else f"{sector:,} bytes (logical)"
    yield "Supply", "; ".join(map(_describe_rail, order.rails))


def _describe_size(size: int | None, sector: int | None) -> str:
    if size is None:
        return "-"
    return f"{size:,} bytes ({size // (sector or 512):,} sectors of {sector or 512:,} bytes)"


def _describe_rail(rail: OrderRail) -> str:
    return f"{rail.volts:g} V" + ("" if rail.amps_max is None else f", peak at most {rail.amps_max:g} A")
