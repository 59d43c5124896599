"""From findings to the verdict, by the table in `profiles/risk/verdict.toml`: the first row that holds."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from drivecare.risk.findings import Ruling
from drivecare.risk.model import FaultClass, Finding, Sale, Severity, Verdict
from drivecare.risk.rules import RuleSet, VerdictRow

ASKING = ("blocked", "evacuate", "replace", "recheck")


def find_row(findings: Sequence[Finding], rules: RuleSet) -> VerdictRow:
    """The first row of the verdict table that holds; the last one always does."""
    severities = {finding.severity for finding in findings}
    signals = {finding.signal for finding in findings}
    return next(row for row in rules.table if _row_holds(row, severities, signals))


def _row_holds(row: VerdictRow, severities: set[Severity], signals: set[str]) -> bool:
    asked = (row.severity is None or row.severity in severities) and (row.signal is None or row.signal in signals)
    return asked and not severities & set(row.unless)


def adapt_to_sale(row: VerdictRow, sale: Sale) -> tuple[Verdict, str]:
    """Verdict and headline; a drive sold as new is sent back for anything above refit, and never evacuated."""
    if sale == "used":
        return row.verdict, row.headline
    return ("replace" if row.verdict in ("recheck", "evacuate") else row.verdict), row.as_new


def fault_classes(findings: Iterable[Finding]) -> tuple[FaultClass, ...]:
    """The classes of everything that asks for something, worst first; ("none",) where nothing does."""
    found = dict.fromkeys(f.fault_class for f in findings if f.severity in ASKING and f.fault_class != "none")
    return tuple(found) or ("none",)


def leading_signal(findings: Iterable[Finding]) -> str | None:
    """The signal that asks for the most; the estimate only where nothing concrete asks."""
    asking = [finding.signal for finding in findings if finding.severity in ASKING]
    return next((signal for signal in asking if signal != "estimate"), asking[0] if asking else None)


def list_ways_out(found: Iterable[Ruling]) -> str | None:
    """What clears up a recheck: the rules' ways out, each once; None where no finding asks for one."""
    ways = dict.fromkeys(j.rule.way_out for j in found if j.finding.severity == "recheck" and j.rule.way_out)
    return " ".join(ways) or None
