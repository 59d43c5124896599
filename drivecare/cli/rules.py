"""`drivecare rules`: what each signal means to the verdict, and by which source."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import finish, json_option

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.risk.rules import Rule, RulesDocument, UnscoredSignal, VerdictRow

_DRIVES = {"hdd": "hard drives", "ssd": "solid state", "ata": "ATA", "nvme": "NVMe", "scsi": "SAS and SCSI"}


@click.command(
    cls=HouseCommand,
    examples=["drivecare rules pending"],
)
@click.argument("signal", required=False)
@json_option
def rules(signal: str | None, as_json: bool) -> None:
    """Show what each signal means for the verdict: limits, consequences, sources.

    SIGNAL is the name of a signal, the number of an ATA attribute or a word of a label. Without it, every rule and the
    verdict table are shown.
    """
    from drivecare.risk.rules import find_rules

    document = find_rules(signal)
    finish(document, show=lambda out: _show_rules(document, out), as_json=as_json)


def _show_rules(document: RulesDocument, out: Screen) -> None:
    """Rules, then what is shown without a rule, then the verdict table."""
    for rule in document.rules:
        _print_block(out, _rule_lines(rule))
    for entry in document.shown:
        _print_block(out, _shown_lines(entry))
    if document.verdict_table:
        out.print("The verdict: the first row that holds")
        _print_block(out, (_row_line(row) for row in document.verdict_table))


def _print_block(out: Screen, lines: Iterator[str]) -> None:
    """Lines wrapped under their own indent, and an empty one behind them."""
    for line in lines:
        text = line.lstrip()
        first = line.removesuffix(text)
        out.print_wrapped(text, first=first, indent=len(first) + 2)
    out.print()


def _rule_lines(rule: Rule) -> Iterator[str]:
    drives = ", ".join(_DRIVES[word] for word in rule.applies_to) or "every drive"
    yield f"{rule.signal}: {rule.label} ({drives}; fault class {rule.fault_class})"
    for level in rule.levels:
        yield f"  {level.describe()}: {level.severity}"
    if rule.unless:
        yield f"  says nothing where there is: {', '.join(rule.unless)}"
    yield f"  Why: {rule.why}"
    yield f"  Do: {rule.action}"
    if rule.way_out:
        yield f"  Way out: {rule.way_out}"
    yield f"  Source, {rule.source.cite()}"


def _shown_lines(entry: UnscoredSignal) -> Iterator[str]:
    yield f"{entry.signal}: {entry.label} (shown, not scored)"
    yield f"  Why: {entry.reason}"
    yield f"  Source, {entry.source.cite()}"


def _row_line(row: VerdictRow) -> str:
    if row.severity is None and row.signal is None:
        return f"  {row.verdict} otherwise"
    asks = f"a finding asks for {row.severity}" if row.severity else f"there is {row.signal}"
    unless = f", and none for {' or '.join(row.unless)}" if row.unless else ""
    return f"  {row.verdict} when {asks}{unless}"
