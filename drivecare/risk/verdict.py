"""From findings to the verdict: the first row of the table in `profiles/risk/verdict.toml` that holds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from drivecare.risk.findings import Ruling
from drivecare.risk.model import FaultClass, Finding, Sale, Verdict
from drivecare.risk.rules import RuleSet, VerdictRow

DEMANDING = ("blocked", "evacuate", "replace", "recheck")  # severities that ask for something


def find_row(findings: Sequence[Finding], rules: RuleSet) -> VerdictRow:
    """Find the first row of the verdict table that holds; the last one always does."""
    severities = {finding.severity for finding in findings}
    signals = {finding.signal for finding in findings}
    return next(
        row
        for row in rules.verdict_table
        if (row.severity is None or row.severity in severities)
        and (row.signal is None or row.signal in signals)
        and severities.isdisjoint(row.unless)
    )


def adapt_to_sale(row: VerdictRow, sale: Sale) -> tuple[Verdict, str]:
    """Choose verdict and headline; a drive sold as new is sent back for anything above refit, never evacuated."""
    if sale == "used":
        return row.verdict, row.headline
    return ("replace" if row.verdict in ("recheck", "evacuate") else row.verdict), row.as_new


def fault_classes(findings: Iterable[Finding]) -> tuple[FaultClass, ...]:
    """The classes of every finding that asks for something, worst first; ("none",) where none does."""
    classes = dict.fromkeys(f.fault_class for f in findings if f.severity in DEMANDING and f.fault_class != "none")
    return tuple(classes) or ("none",)


def leading_signal(findings: Iterable[Finding]) -> str | None:
    """The signal that asks for the most; the estimate only where nothing concrete asks."""
    signals = [finding.signal for finding in findings if finding.severity in DEMANDING]
    return next((signal for signal in signals if signal != "estimate"), signals[0] if signals else None)


def list_ways_out(rulings: Iterable[Ruling]) -> str | None:
    """List what clears up the rechecks, each way out once; None where there is no recheck."""
    ways = dict.fromkeys(r.rule.way_out for r in rulings if r.finding.severity == "recheck" and r.rule.way_out)
    return " ".join(ways) or None
