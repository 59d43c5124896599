"""Of several rules the worst answer counts, and every entry of a signal is judged."""

from __future__ import annotations

import itertools
from typing import Any

import msgspec
import pytest

from drivecare.documents import decode_toml
from drivecare.reading.model import Drive, Reading, Values
from drivecare.risk.assess import assess
from drivecare.risk.findings import apply_rules
from drivecare.risk.rules import Rule, RuleFile, load_rules
from drivecare.risk.signals import Signal
from tests.risk.drives import HDD, NVME, reading, row

RULE = """
[[rule]]
signal = "dents"
label = "dents in the case"
fault_class = "media"
alarm = "loss"
levels = [{{ above = {limit}, severity = "{severity}" }}]
why = "w"
action = "a"
way_out = "look again"
source = {{ kind = "judgement", text = "invented" }}
"""


def rules_of(severities: dict[str, int]) -> tuple[Rule, ...]:
    text = "".join(RULE.format(severity=severity, limit=limit) for severity, limit in severities.items())
    return decode_toml(RuleFile, text.encode(), origin="invented.toml").rule


@pytest.mark.parametrize("order", list(itertools.permutations(("note", "recheck", "replace", "evacuate"))))
def test_the_worst_of_several_answers_counts_whatever_their_order(order: tuple[str, ...]) -> None:
    asked = rules_of(dict.fromkeys(order, 0))
    rules = msgspec.structs.replace(load_rules(), by_signal={"dents": asked})
    (ruling,) = apply_rules({"dents": (Signal(value=1),)}, HDD, rules)
    assert ruling.finding.severity == "evacuate"


def test_a_worse_rule_that_does_not_hold_has_no_say() -> None:
    rules = msgspec.structs.replace(load_rules(), by_signal={"dents": rules_of({"evacuate": 5, "recheck": 0})})
    (ruling,) = apply_rules({"dents": (Signal(value=1),)}, HDD, rules)
    assert ruling.finding.severity == "recheck"


@pytest.mark.parametrize(
    ("values", "verdicts"),
    [
        ({"end_to_end_errors": 1}, {"ssd": "recheck", "hdd": "replace", "unknown": "replace"}),
        ({"temperature_celsius": 62}, {"ssd": "refit", "hdd": "recheck", "unknown": "recheck"}),
    ],
    ids=["end-to-end errors", "heat"],
)
def test_a_drive_of_unknown_kind_is_judged_by_the_sternest_rule(
    values: dict[str, Any], verdicts: dict[str, str]
) -> None:
    clean: dict[str, Any] = {"power_on_hours": 100, "reallocated": 0, "pending": 0}
    for kind, verdict in verdicts.items():
        drive = Drive(serial="U-1", kind=kind, protocol="ata")  # type: ignore[arg-type]
        assert assess(Reading(drive=drive, values=Values(**clean, **values), drive_says="passed")).verdict == verdict


@pytest.mark.parametrize("order", list(itertools.permutations(("temperature", "spare", "reliability"))))
def test_every_warning_of_a_drive_is_judged(order: tuple[str, ...]) -> None:
    assessment = assess(reading(NVME, values={"critical_warnings": order}))
    named = {f.observed: f.severity for f in assessment.findings if f.signal == "critical_warnings"}
    assert named == {"reliability": "evacuate", "spare": "replace", "temperature": "recheck"}
    assert assessment.verdict == "evacuate"


def test_every_row_at_its_threshold_is_a_finding() -> None:
    rows = (row(3, "now", prefail=True), row(10, "now", prefail=True), row(5, "now", prefail=True))
    expected = assess(reading(attributes=rows)).findings
    named = [f.detail for f in expected if f.signal == "prefail_now"]
    assert sorted(detail.split()[1] for detail in named) == ["10", "3", "5"]


def test_a_limit_may_be_another_signal_and_one_that_is_not_said_limits_nothing() -> None:
    rule = RULE.format(severity="replace", limit='"most_dents"')
    decoded = decode_toml(RuleFile, rule.encode(), origin="invented.toml").rule
    rules = msgspec.structs.replace(load_rules(), by_signal={"dents": decoded})
    limits: dict[int | str | None, list[tuple[str, object]]] = {
        2: [("replace", 2)],
        3: [],
        "few": [],
        None: [],
    }
    for most, expected in limits.items():
        limit_signal = {"most_dents": (Signal(value=most),)} if most is not None else {}
        rulings = apply_rules({"dents": (Signal(value=3),), **limit_signal}, HDD, rules)
        assert [(ruling.finding.severity, ruling.finding.limit) for ruling in rulings] == expected


@pytest.mark.parametrize(("state", "number"), [("now", 30), ("past", 20)])
def test_a_row_is_shown_by_the_number_that_crossed_its_threshold(state: str, number: int) -> None:
    """What it is now, or the worst it ever was."""
    crossed = msgspec.structs.replace(row(5, state, prefail=True), value=30, worst=20, threshold=36)
    (finding,) = [f for f in assess(reading(attributes=(crossed,))).findings if f.signal.startswith("prefail")]
    assert (finding.observed, finding.limit) == (number, 36)


@pytest.mark.parametrize("state", ["off", "unsupported"])
def test_a_drive_that_keeps_no_health_data_is_unproven_by_name(state: str) -> None:
    drive = msgspec.structs.replace(HDD, smart=state)
    assessment = assess(Reading(drive=drive, values=Values(power_on_hours=1)))
    assert (assessment.verdict, assessment.findings[0].signal) == ("unproven", f"smart-{state}")


def test_one_row_with_a_threshold_is_health_data() -> None:
    whole = row(5, "past", prefail=True)
    partial = msgspec.structs.replace(row(9, "past", prefail=False), value=None, threshold=None, state=None)
    for rows in ((whole, partial), (partial, whole)):
        assert assess(Reading(drive=HDD, attributes=rows)).verdict != "unproven"
    assert assess(Reading(drive=HDD, attributes=(partial,))).verdict == "unproven"


@pytest.mark.parametrize("more", [(), ("temperature exceeded",)], ids=["alone", "and another"])
def test_a_verdict_that_a_bridge_worked_out_from_heat_alone_does_not_bind(more: tuple[str, ...]) -> None:
    hot = (row(190, "now", prefail=False),)
    qualified = reading(drive_says="failing", qualifiers=("attribute check only", *more), attributes=hot)
    own_word = reading(drive_says="failing", qualifiers=more, attributes=hot)
    assert assess(qualified).verdict == "recheck"
    assert assess(own_word).verdict == "evacuate"
