"""Of several rules the worst answer counts, and every entry of a signal is judged."""

from __future__ import annotations

import itertools
from typing import Any

import msgspec
import pytest

from drivecare.reading.model import Drive, Reading, Values
from drivecare.risk.assess import assess
from drivecare.risk.findings import judge
from drivecare.risk.rules import Rule, decode_rules, load_rules
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
    return decode_rules(text.encode(), origin="invented.toml")


@pytest.mark.parametrize("order", list(itertools.permutations(("note", "recheck", "replace", "evacuate"))))
def test_the_worst_of_several_answers_counts_whatever_their_order(order: tuple[str, ...]) -> None:
    asked = rules_of(dict.fromkeys(order, 0))
    rules = msgspec.structs.replace(load_rules(), by_signal={"dents": asked})
    (judged,) = judge({"dents": (Signal(value=1),)}, HDD, rules)
    assert judged.finding.severity == "evacuate"


def test_a_worse_rule_that_does_not_hold_has_no_say() -> None:
    rules = msgspec.structs.replace(load_rules(), by_signal={"dents": rules_of({"evacuate": 5, "recheck": 0})})
    (judged,) = judge({"dents": (Signal(value=1),)}, HDD, rules)
    assert judged.finding.severity == "recheck"


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
    judged = assess(reading(NVME, values={"critical_warnings": order}))
    named = {f.observed: f.severity for f in judged.findings if f.signal == "critical_warnings"}
    assert named == {"reliability": "evacuate", "spare": "replace", "temperature": "recheck"}
    assert judged.verdict == "evacuate"


def test_every_row_at_its_threshold_is_a_finding() -> None:
    rows = (row(3, "now", prefail=True), row(10, "now", prefail=True), row(5, "now", prefail=True))
    found = assess(reading(attributes=rows)).findings
    named = [f.detail for f in found if f.signal == "prefail_now"]
    assert sorted(detail.split()[1] for detail in named) == ["10", "3", "5"]
