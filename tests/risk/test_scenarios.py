"""The verdict and the fault class of every scenario, and every level of every rule reached by one of them."""

from __future__ import annotations

import pytest

from drivecare.risk.assess import assess, evaluate
from drivecare.risk.findings import apply_rules
from drivecare.risk.rules import load_rules
from drivecare.risk.signals import Signal
from tests.risk.drives import HDD
from tests.risk.incoming_drives import INCOMING
from tests.risk.scenarios import SCENARIOS, Scenario


@pytest.mark.promise(4)
@pytest.mark.parametrize("case", SCENARIOS, ids=[case.id for case in SCENARIOS])
def test_verdict(case: Scenario) -> None:
    assessment = assess(case.reading, **case.given)
    assert (assessment.verdict, assessment.fault_classes[0]) == (case.verdict, case.fault_class)


@pytest.mark.parametrize(
    ("chance", "severity"), [(0.19, None), (0.20, "recheck"), (0.24, "recheck"), (0.25, "replace")]
)
def test_limits_of_the_measured_chance(chance: float, severity: str | None) -> None:
    assessment = apply_rules({"estimate": (Signal(value=chance),)}, HDD, load_rules())
    assert [judged.finding.severity for judged in assessment] == ([severity] if severity else [])


def test_every_level_of_every_rule_is_reached() -> None:
    reasonings = [evaluate(case.reading, **case.given) for case in SCENARIOS]
    reasonings += [evaluate(case.reading, as_new=True) for case in INCOMING]
    reached = {(ruling.rule.signal, ruling.level) for reasoning in reasonings for ruling in reasoning.rulings}
    missing = [
        f"{rule.signal}: {level.describe()}"
        for rule in load_rules().rules
        for level in rule.levels
        if (rule.signal, level) not in reached and rule.signal != "estimate"
    ]
    assert missing == []


@pytest.mark.parametrize("case", SCENARIOS, ids=[case.id for case in SCENARIOS])
def test_every_recheck_says_its_way_out(case: Scenario) -> None:
    assessment = assess(case.reading, **case.given)
    assert bool(assessment.way_out) == (assessment.verdict == "recheck")
