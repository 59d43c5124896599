"""From signals to findings: ask every rule that applies, keep the worst ruling on each signal."""

from __future__ import annotations

import operator
from dataclasses import dataclass
from typing import Final

from drivecare.reading.model import Drive
from drivecare.risk.model import Finding, Observed, Severity
from drivecare.risk.rules import Level, Rule, RuleSet
from drivecare.risk.signals import Signal, Signals

SEVERITIES: Final[tuple[Severity, ...]] = ("blocked", "evacuate", "replace", "recheck", "note")  # worst first
RANK: Final = {severity: rank for rank, severity in enumerate(SEVERITIES)}
COMPARISONS: Final = {
    "above": operator.gt,
    "at_least": operator.ge,
    "below": operator.lt,
    "at_most": operator.le,
}


@dataclass(frozen=True, slots=True)
class Ruling:
    """A finding with the rule and the level it came from."""

    finding: Finding
    rule: Rule
    level: Level


def apply_rules(signals: Signals, drive: Drive, rules: RuleSet) -> list[Ruling]:
    """Judge a drive's signals, worst finding first; the estimate stands behind what it was estimated from."""
    worst: list[Ruling] = []
    for name, entries in signals.items():
        applying = [rule for rule in rules.for_drive(name, drive) if not find_silencers(rule, signals)]
        for signal in entries:
            rulings = [ruling for rule in applying if (ruling := _rule_on(signal, rule, signals))]
            if rulings:
                worst.append(min(rulings, key=lambda ruling: RANK[ruling.finding.severity]))
    return sorted(worst, key=lambda ruling: (RANK[ruling.finding.severity], ruling.rule.signal == "estimate"))


def find_silencers(rule: Rule, signals: Signals) -> list[str]:
    """Name the signals that silence a rule; empty where it speaks. A count of zero silences nothing."""
    return [name for name in rule.unless if any(signal.value for signal in signals.get(name, ()))]


def evaluate_level(level: Level, signal: Signal, signals: Signals) -> tuple[bool, Observed | None]:
    """Whether a level's test holds for a signal, and the limit that it was compared with."""
    test, limit = level.test
    if test == "present":
        return True, signal.limit
    if test == "equals":
        return signal.value == limit, None
    if test == "starts_with":
        return str(signal.value).startswith(str(limit)), None
    bound: int | float | None
    if isinstance(limit, str):  # the limit is another signal: without it nothing is exceeded
        bound = next((entry.value for entry in signals.get(limit, ()) if not isinstance(entry.value, str)), None)
    else:
        bound = limit
    holds = bound is not None and not isinstance(signal.value, str) and COMPARISONS[test](signal.value, bound)
    return holds, bound


def _rule_on(signal: Signal, rule: Rule, signals: Signals) -> Ruling | None:
    """The rule's first level that holds, as a finding."""
    for level in rule.levels:
        holds, limit = evaluate_level(level, signal, signals)
        if holds:
            return Ruling(_make_finding(signal, rule, level, limit), rule, level)
    return None


def _make_finding(signal: Signal, rule: Rule, level: Level, limit: Observed | None) -> Finding:
    source = level.source or rule.source
    return Finding(
        signal=signal.name or rule.signal,
        label=rule.label,
        observed=signal.value,
        limit=limit,
        severity=level.severity,
        fault_class=signal.fault_class or level.fault_class or rule.fault_class,
        detail=signal.detail,
        why=rule.why,
        source=source.cite(),
        source_kind=source.kind,
        source_name=source.name,
        action=level.action or rule.action,
    )
