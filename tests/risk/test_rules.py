"""Rule files: complete, sourced, and refused with file, key and reason where they are wrong."""

from __future__ import annotations

import pytest

from drivecare.documents import decode_toml
from drivecare.errors import BadInput
from drivecare.reading.logs import STATISTICS
from drivecare.reading.model import Values
from drivecare.risk.rules import RuleFile, VerdictFile, find_rules, load_rules

GOOD = """
[[rule]]
signal = "pending"
label = "sectors waiting"
fault_class = "media"
alarm = "loss"
levels = [{ above = 0, severity = "evacuate" }]
why = "w"
action = "a"
source = { kind = "judgement", text = "invented" }
"""


def test_every_value_of_a_reading_has_a_rule_or_a_reason() -> None:
    rules = load_rules()
    explained = rules.by_signal.keys() | rules.unscored.keys()
    assert [name for name in Values.__struct_fields__ if name not in explained] == []


def test_every_device_statistic_has_a_rule_or_a_reason() -> None:
    rules = load_rules()
    explained = rules.by_signal.keys() | rules.unscored.keys()
    assert [name for name in STATISTICS.values() if name not in explained] == []


def test_every_rule_and_reason_has_a_source() -> None:
    rules = load_rules()
    sources = [*(rule.source for rule in rules.rules), *(entry.source for entry in rules.unscored.values())]
    sources += [getattr(rules.thresholds, name).source for name in rules.thresholds.__struct_fields__]
    assert all(source.cite().startswith(source.kind) for source in sources)
    assert all(source.text for source in sources)


def test_only_observed_loss_or_an_alarm_evacuates() -> None:
    evacuating = {rule.signal for rule in load_rules().rules if any(le.severity == "evacuate" for le in rule.levels)}
    assert evacuating == {
        "pending",
        "pending_log_entries",
        "scan_unreadable",
        "last_selftest",
        "drive_says",
        "write_protected",
        "background_scan_unreadable",
        "prefail_now",
        "critical_warnings",
        "failure_prediction",
    }


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('source = { kind = "judgement", text = "invented" }', "", "missing required field `source`"),
        ('text = "invented"', 'text = " "', "a source needs a text"),
        ('kind = "judgement"', 'kind = "measured"', "a measured source needs its counts"),
        ('kind = "judgement"', 'kind = "published"', "a published source needs its title and year"),
        ('kind = "judgement"', 'kind = "hearsay"', "Invalid enum value 'hearsay'"),
        ('why = "w"', 'why = "w"\nweight = 3', "unknown field `weight`"),
        ("above = 0", "above = 0, below = 9", "exactly one test"),
        ("above = 0, ", "", "exactly one test"),
        ('alarm = "loss"', "", "only an observed loss or the drive's own alarm evacuates"),
        ('severity = "evacuate"', 'severity = "recheck"', "needs its way_out"),
        ('levels = [{ above = 0, severity = "evacuate" }]', "levels = []", "at least one level"),
        ("[[rule]]", "[[rule]", "is not valid TOML"),
    ],
)
def test_wrong_rule_file_is_refused(old: str, new: str, reason: str) -> None:
    assert old in GOOD
    with pytest.raises(BadInput) as refused:
        decode_toml(RuleFile, GOOD.replace(old, new).encode(), origin="mine.toml")
    assert refused.value.message().startswith("mine.toml: ")
    assert reason in refused.value.message()


def test_good_rule_file_is_taken() -> None:
    (rule,) = decode_toml(RuleFile, GOOD.encode(), origin="mine.toml").rule
    assert (rule.signal, rule.levels[0].describe()) == ("pending", "above 0")


def test_verdict_table_has_to_end_with_a_row_that_always_holds() -> None:
    row = b'[[row]]\nverdict = "replace"\nseverity = "replace"\nheadline = "h"\nas_new = "n"\n'
    table = row + b'[[limit]]\nwhen = "used"\ntext = "t"\n'
    with pytest.raises(BadInput, match=r"mine\.toml: the last row of the verdict table has to hold always"):
        decode_toml(VerdictFile, table, origin="mine.toml")


def test_verdict_table_asks_in_this_order() -> None:
    assert [row.verdict for row in load_rules().verdict_table] == [
        "unproven",
        "evacuate",
        "replace",
        "recheck",
        "unproven",
        "refit",
    ]


def test_rules_about_a_signal_a_word_and_nothing() -> None:
    assert [rule.signal for rule in find_rules("pending").rules] == ["pending"] * 2  # platters and flash
    assert {rule.signal for rule in find_rules("spare blocks").rules} == {"available_spare_percent"}
    with pytest.raises(BadInput, match="no rule mentions this"):
        find_rules("phase of the moon")
