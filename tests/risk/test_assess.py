"""An assessment as others read it: the keys of the contract, order, limits, next steps, explanation."""

from __future__ import annotations

import json
import re

import pytest

from drivecare.documents import encode
from drivecare.reading.model import Drive, Gap, Reading, SelfTest, Values
from drivecare.risk.assess import assess
from drivecare.risk.explain import explain
from drivecare.risk.findings import RANK
from tests.risk.drives import HDD, PASSED_TEST, hdd, nvme, reading, sas, ssd
from tests.risk.scenarios import SCENARIOS, Scenario, scan

KEYS = (
    "schema read_at path transport bridge drive_says drive values verdict fault_classes failure_12_months findings "
    "limits"
)
DRIVE_KEYS = (
    "model serial firmware kind protocol identity capacity_bytes native_capacity_bytes security logical_sector_bytes "
    "physical_sector_bytes form_factor rotation_rpm link_gbps link_max_gbps"
)
VALUE_KEYS = (
    "power_on_hours temperature_celsius reallocated pending offline_uncorrectable reported_uncorrectable "
    "command_timeouts crc_errors wear_percent_used available_spare_percent spare_threshold_percent media_errors "
    "critical_warnings grown_defects uncorrected_reads error_log_count host_bytes_written last_selftest"
)


@pytest.mark.parametrize("sample", [hdd(), nvme(), sas(), Reading(gaps=(Gap(code="x", what="Nothing.", blocks=True),))])
def test_every_key_of_the_contract_is_there_even_if_null(sample: Reading) -> None:
    document = json.loads(encode(assess(sample)))
    assert document["schema"] == "drivecare/assessment-1"
    assert all(key in document for key in KEYS.split())
    assert all(key in document["drive"] for key in DRIVE_KEYS.split())
    assert set(document["drive"]["identity"]) >= {"wwn", "native_serial", "bridge_serial", "strength"}
    assert all(key in document["values"] for key in VALUE_KEYS.split())
    assert set(document["failure_12_months"]) >= {"estimate", "low", "high", "basis"}


def test_finding_has_the_keys_of_the_contract() -> None:
    (finding,) = json.loads(encode(assess(hdd(crc_errors=19))))["findings"]
    assert {key: finding[key] for key in ("signal", "observed", "limit", "severity", "fault_class")} == {
        "signal": "crc_errors",
        "observed": 19,
        "limit": 10,
        "severity": "recheck",
        "fault_class": "link",
    }
    assert finding["source"].startswith("measured: ")
    assert finding["action"].startswith("Change the cable")


def test_a_test_of_the_failure_report_asks_for_nothing() -> None:
    (finding,) = assess(sas(failure_prediction="5d/ff")).findings
    assert (finding.severity, finding.fault_class) == ("note", "none")
    assert finding.action == "Nothing: it is a test of the report."
    (real,) = assess(sas(failure_prediction="5d/10")).findings
    assert (real.severity, real.fault_class, real.action) == ("evacuate", "media", "Copy it now; do not fit it again.")


@pytest.mark.promise(3)
def test_null_and_zero_stay_apart() -> None:
    values = json.loads(encode(assess(hdd())))["values"]
    assert (values["pending"], values["media_errors"], values["critical_warnings"]) == (0, None, None)
    assert json.loads(encode(assess(nvme())))["values"]["critical_warnings"] == []


@pytest.mark.parametrize("case", SCENARIOS, ids=[case.id for case in SCENARIOS])
def test_findings_stand_worst_first_and_the_same_reading_gives_the_same(case: Scenario) -> None:
    assessment = assess(case.reading, **case.given)
    ranks = [RANK[finding.severity] for finding in assessment.findings]
    assert ranks == sorted(ranks)
    assert assessment == assess(case.reading, **case.given)
    assert assessment.limits


@pytest.mark.promise(4)
def test_limits_say_what_is_not_known() -> None:
    clean = " ".join(assess(hdd()).limits)
    for words in ("come without any of these signs", "data centres", "on a bench", "No self-test", "readscan"):
        assert words in clean
    tested = " ".join(assess(reading(selftests=(PASSED_TEST,)), scan=scan()).limits)
    assert "No self-test" not in tested
    assert "readscan" not in tested
    assert "weaker than for hard drives" in " ".join(assess(ssd()).limits)
    assert "No failure rates of SAS" in " ".join(assess(sas()).limits)
    assert "through a bridge" in " ".join(assess(reading(bridge="sat")).limits)
    assert "overall verdict is missing" in " ".join(assess(reading(drive_says="silent")).limits)
    assert "Counters can be reset" in " ".join(assess(hdd(), as_new=True).limits)


def test_gaps_of_the_reading_are_among_its_limits() -> None:
    gap = Gap(code="hours-implausible", what="Power-on hours of 160,000,000,000,000 cannot be.")
    assert assess(reading(gaps=(gap,))).limits[-1] == gap.what


def test_next_steps_name_the_drive() -> None:
    assert assess(hdd(pending=1)).next_steps[0] == "Copy first: drivecare copy /dev/sdb TARGET"
    gap = Gap(code="bridge-blocked", what="Nothing.", blocks=True, advice="Use a native port.")
    assert assess(Reading(gaps=(gap,))).next_steps[0] == "Use a native port."


def test_no_chance_without_data_and_a_wide_one_for_solid_state() -> None:
    assert assess(Reading(drive=HDD)).failure_12_months.estimate is None
    chance = assess(nvme()).failure_12_months
    assert chance.basis.startswith("judgement: ")
    assert chance.unmeasured == ("NVMe drives",)
    assert chance.low is not None
    assert chance.high is not None
    assert chance.high / chance.low > 10


def test_hard_drive_is_measured_and_an_alarm_speaks_louder() -> None:
    clean = assess(hdd()).failure_12_months
    assert clean.basis.startswith("measured: ")
    assert clean.estimate == clean.clean
    alarm = assess(reading(drive_says="failing")).failure_12_months
    assert alarm.basis.startswith("judgement: ")
    assert alarm.estimate is not None
    assert clean.estimate is not None
    assert alarm.estimate > clean.estimate


def test_a_drive_read_as_another_kind_is_judged_by_all_rules() -> None:
    unknown = Reading(drive=Drive(serial="U-1"), values=hdd(reallocated=3).values)
    assert assess(unknown).verdict == "recheck"


def test_explanation_shows_every_step() -> None:
    lines = explain(hdd(reallocated=3, crc_errors=2))
    text = "\n".join(lines)
    assert lines[0] == "1. What was seen, and what each rule says about it"
    assert "   pending = 0: nothing (not above 0)" in lines
    assert "   reallocated = 3: above 0: recheck [measured: Backblaze drive statistics 2013-2016" in text
    assert "   4 points in all, failures per 100 drive-years: " in text
    assert "   recheck: asks for recheck: holds" in lines
    assert lines[-1] == "Verdict: recheck. Something to clear up first, then read it again."


def test_explanation_denies_a_test_in_plain_words() -> None:
    (line,) = [line for line in explain(reading(selftests=(PASSED_TEST,))) if line.startswith("   last_selftest")]
    assert ": nothing (not read; not servo; not electrical; " in line


def test_explanation_of_a_new_drive_says_what_became_of_evacuate() -> None:
    assert "   sold as new: evacuate becomes replace, because the drive is sent back" in explain(
        hdd(pending=1), as_new=True
    )


@pytest.mark.parametrize("case", SCENARIOS, ids=[case.id for case in SCENARIOS])
def test_explanation_ends_with_the_verdict_of_the_assessment(case: Scenario) -> None:
    assert explain(case.reading, **case.given)[-1].startswith(f"Verdict: {assess(case.reading, **case.given).verdict}.")


def test_an_estimate_is_given_wherever_counters_were_read() -> None:
    unnamed = Drive(serial="U-1")
    unknown = assess(Reading(drive=unnamed, values=Values(reallocated=0, pending=0))).failure_12_months
    assert unknown.estimate is not None
    assert unknown.unmeasured == ("drives that do not say whether they have platters",)
    assert assess(Reading(drive=unnamed, values=Values(power_on_hours=5))).failure_12_months.estimate is None


def test_every_kind_of_drive_has_a_base_rate_and_a_source_that_can_be_found() -> None:
    flash = (Drive(kind="ssd", protocol="ata"), Drive(kind="ssd", protocol="scsi"))
    for drive in (HDD, sas().drive, nvme().drive, *flash):
        chance = assess(Reading(drive=drive, values=Values(reallocated=0, pending=0))).failure_12_months
        assert chance.estimate is not None
        assert re.search(r"Backblaze|FAST'\d\d", chance.basis)
    assert "Backblaze" not in assess(sas()).failure_12_months.basis


def test_a_limit_with_a_figure_names_its_source_on_the_screen_and_is_refused_without_one() -> None:
    from drivecare.risk.rules import Caveat

    with pytest.raises(ValueError, match="a limit with a figure needs a source"):
        Caveat(when="hdd", text="About 3 in 10 drives show nothing.")
    for drive in (hdd(), nvme(), sas()):
        for limit in assess(drive).limits:
            assert not re.search(r"\d in \d|\d %", limit) or re.search(r"\((measured|published): ", limit)


def test_a_sas_drive_borrows_no_rate_measured_on_other_drives() -> None:
    chance = assess(sas(pending=3)).failure_12_months
    assert chance.basis.startswith("judgement: ")
    assert "estimate" not in {finding.signal for finding in assess(sas(pending=3)).findings}


@pytest.mark.parametrize("values", [{"pending": 24}, {"reallocated": 3, "command_timeouts": 9}, {"pending": 3000}, {}])
def test_explain_adds_up_to_the_estimate(values: dict[str, int]) -> None:
    """The points of the lines give the sum, and surviving both causes gives the figure, worked out here once more."""
    lines = explain(hdd(**values))
    total = next(line for line in lines if " points in all" in line)
    points = [int(match[1]) for line in lines if (match := re.search(r" gives (\d+) points$", line))]
    assert sum(points) == int(total.split()[0])
    base = next(line for line in lines if line.startswith("   base rate of any drive: "))
    added, clean = (float(re.findall(r"([\d.]+)%", line)[0]) / 100 for line in (total, base))
    assert assess(hdd(**values)).failure_12_months.estimate == pytest.approx(1 - (1 - added) * (1 - clean), abs=0.002)


def test_explain_says_when_another_figure_stands() -> None:
    lines = explain(reading(drive_says="failing"))
    place = lines.index("   a finding that these counters do not cover gives a higher chance, which stands instead:")
    assert lines[place + 1].startswith("   65.0%, between 15.0% and 95.0%; judgement: ")


def test_a_count_that_asks_for_more_than_its_chance_says_so() -> None:
    """100 reallocated sectors alone: `replace` by the count, whose chance stays under the limit of the estimate."""
    many, few = (
        next(f for f in assess(hdd(reallocated=count)).findings if f.signal == "reallocated") for count in (100, 99)
    )
    assert (many.severity, many.source_kind) == ("replace", "judgement")
    assert "asks for more than the chance of failing alone" in many.source
    assert (few.severity, few.source_kind) == ("recheck", "measured")
    assert any("asks for more than the chance" in line for line in explain(hdd(reallocated=100)))


def test_a_finding_names_its_source_and_a_judgement_has_none() -> None:
    names = {f.source_kind: f.source_name for f in assess(hdd(reallocated=3, pending=1, spin_retries=2)).findings}
    assert names == {"measured": "Backblaze drive statistics 2013-2016", "judgement": ""}
    warned = assess(sas(critical_warnings=("0b/05",))).findings[0]
    assert warned.source_name == "INCITS 513 SCSI Primary Commands 4, additional sense codes, 2015"


def test_a_verdict_in_words_that_mean_nothing_is_not_missing() -> None:
    missing = "The drive's own overall verdict is missing."
    assert missing in assess(reading(drive_says="silent")).limits
    assert missing not in assess(reading(drive_says="silent", drive_says_words="WARNING: [asc=b, ascq=5]")).limits


def test_a_failed_test_of_long_ago_is_a_test_on_record() -> None:
    old = reading(selftests=(SelfTest(kind="Short offline", result="read", hours=900, lba=7),))
    assert "No self-test" not in " ".join(assess(old).limits)
