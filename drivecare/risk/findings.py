"""From signals to findings: ask every rule that applies, keep the worst answer for each thing seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from drivecare.reading.model import Drive
from drivecare.risk.model import Finding, Severity
from drivecare.risk.rules import Level, Rule, RuleSet
from drivecare.risk.signals import Signal, Signals

SEVERITIES: Final[tuple[Severity, ...]] = ("blocked", "evacuate", "replace", "recheck", "note")  # worst first
RANK: Final = {severity: rank for rank, severity in enumerate(SEVERITIES)}

Observed = int | float | str | None


@dataclass(frozen=True, slots=True)
class Ruling:
    """A finding with the rule and the level it came from."""

    finding: Finding
    rule: Rule
    level: Level


def apply_rules(signals: Signals, drive: Drive, rules: RuleSet) -> list[Ruling]:
    """The findings of a drive's signals, worst first; the estimate stands behind what it was estimated from."""
    found: list[Ruling] = []
    for name, entries in signals.items():
        applying = [rule for rule in rules.for_drive(name, drive) if not _silenced(rule, signals)]
        for signal in entries:
            answers = [answer for rule in applying if (answer := _ask(rule, signal, signals))]
            if answers:
                found.append(min(answers, key=lambda judged: RANK[judged.finding.severity]))
    return sorted(found, key=_order)


def evaluate_level(level: Level, signal: Signal, signals: Signals) -> tuple[bool, Observed]:
    """Whether a level's test holds for a signal, and the limit it was held against."""
    ((test, limit),) = level.tests()
    value = signal.value
    if test == "present":
        return True, signal.limit
    if test == "equals":
        return value == limit, None
    if test == "starts_with":
        return str(value).startswith(str(limit)), None
    number = _number_of(limit, signals)
    if number is None or isinstance(value, str):
        return False, number
    held = {
        "above": value > number,
        "at_least": value >= number,
        "below": value < number,
        "at_most": value <= number,
    }
    return held[test], number


def _number_of(limit: float | str | bool, signals: Signals) -> int | float | None:
    """A limit as a number: its own, or the value of the signal it names; None where that was not said."""
    if not isinstance(limit, str):
        return limit
    return next((signal.value for signal in signals.get(limit, ()) if not isinstance(signal.value, str)), None)


def _silenced(rule: Rule, signals: Signals) -> bool:
    return any(signals.get(name) for name in rule.unless)


def _ask(rule: Rule, signal: Signal, signals: Signals) -> Ruling | None:
    """The rule's first level that holds, as a finding."""
    for level in rule.levels:
        held, limit = evaluate_level(level, signal, signals)
        if held:
            return Ruling(_finding(rule, level, signal, limit), rule, level)
    return None


def _finding(rule: Rule, level: Level, signal: Signal, limit: Observed) -> Finding:
    return Finding(
        signal=signal.name or rule.signal,
        label=rule.label,
        observed=signal.value,
        limit=limit,
        severity=level.severity,
        fault_class=signal.fault_class or level.fault_class or rule.fault_class,
        detail=signal.detail,
        why=rule.why,
        source=rule.source.line(),
        source_kind=rule.source.kind,
        action=level.action or rule.action,
    )


def _order(judged: Ruling) -> tuple[int, bool]:
    return RANK[judged.finding.severity], judged.rule.signal == "estimate"
