"""What a drive says about the unit it came from: causes that its counters fit with, and never a verdict."""

from __future__ import annotations

import pytest

from drivecare.reading.decode import decode_report
from drivecare.risk.assess import assess
from drivecare.risk.unit import describe_unit, load_unit_rules
from tests.reading.recorded import INDEX, report
from tests.risk.drives import hdd, nvme, reading

CASES = [
    ("power-cuts", hdd(power_off_retracts=600), "600 times the power went away without notice in 1,200 power cycles"),
    ("power-cuts", nvme(unsafe_shutdowns=400, power_cycles=500), "fits with power that is cut"),
    ("restarts", hdd(power_cycles=2_000, power_on_hours=300), "2,000 starts in 300 powered-on hours"),
    ("hard-starts", hdd(spin_retries=3), "fits with a supply that gives in when the motor starts"),
    ("shocks", hdd(shocks=250), "250 shocks while it ran: fits with a unit that is carried"),
    ("heat", reading(statistics={"minutes_too_hot": 90}), "90 minutes above the drive's limit"),
    ("peak", hdd(highest_celsius=71), "71 °C was the highest temperature of its life"),
    ("heat", nvme(warning_temperature_minutes=900), "fits with a missing heat pad"),
    ("link", hdd(crc_errors=400), "fits with a data cable"),
    ("resets", reading(statistics={"hardware_resets": 90_000}), "90,000 resets of the link in 1,200 power cycles"),
    ("parking", hdd(load_cycles=700_000), "700,000 times the heads were parked in 21,904 powered-on hours"),
]


@pytest.mark.parametrize(("sign", "drive", "words"), CASES)
def test_a_sign_and_what_it_fits_with(sign: str, drive: object, words: str) -> None:
    (only,) = describe_unit(drive)  # type: ignore[arg-type]
    assert only.sign == sign
    assert words in only.text
    assert "fits with" in only.text


def test_every_rule_is_reached_and_none_accuses() -> None:
    assert {rule.sign for rule in load_unit_rules()} == {sign for sign, _, _ in CASES}
    for rule in load_unit_rules():
        words = f"{rule.fits_with} {rule.but}".lower()
        assert not any(word in words for word in ("at fault", "defective", "is broken", "proves"))


def test_a_quiet_drive_says_nothing_about_its_unit() -> None:
    assert describe_unit(hdd()) == ()
    assert describe_unit(nvme()) == ()


@pytest.mark.parametrize(
    "drive",
    [
        hdd(power_off_retracts=19, power_cycles=20),  # too few
        hdd(power_off_retracts=200, power_cycles=1_200),  # rare against the starts
        hdd(power_off_retracts=600, power_cycles=None),  # nothing to compare with
        hdd(load_cycles=150_000),
        hdd(
            load_cycles=150_000, power_on_hours=120, power_cycles=20
        ),  # more often than every five seconds: one of the two is not true
        hdd(crc_errors=9),
    ],
)
def test_what_is_too_little_or_cannot_be_compared_says_nothing(drive: object) -> None:
    assert describe_unit(drive) == ()  # type: ignore[arg-type]


def test_hours_that_are_contradicted_tell_nothing_by_the_hour() -> None:
    set_back = reading(values={"power_on_hours": 120, "power_cycles": 2_190}, statistics={"spindle_hours": 33_412})
    assert assess(set_back).unit == ()
    assert [sign.sign for sign in describe_unit(set_back)] == ["restarts"]


def test_it_changes_no_verdict_and_a_drive_sold_as_new_came_from_no_unit() -> None:
    quiet, knocked = assess(hdd()), assess(hdd(shocks=250))
    assert knocked.verdict == quiet.verdict
    assert knocked.findings == quiet.findings
    assert knocked.unit
    assert assess(hdd(shocks=250), as_new=True).unit == ()


@pytest.mark.parametrize("name", [name for name in INDEX if INDEX[name]["verdict"] == "unproven"])
def test_counters_that_cannot_be_believed_say_nothing(name: str) -> None:
    assert assess(decode_report(report(name))).unit == ()


def test_the_rows_it_rests_on_are_read_from_a_report() -> None:
    text = report("hdd-nothing-against-it").replace(
        "192 Power-Off_Retract_Count 0x0032   200   200   000    Old_age   Always       -       61",
        "191 G-Sense_Error_Rate      0x0032   100   100   000    Old_age   Always       -       1204\n"
        "192 Power-Off_Retract_Count 0x0032   200   200   000    Old_age   Always       -       1961",
    )
    values = decode_report(text.replace("-       38\n", "-       38 (Min/Max 12/71)\n")).values
    assert (values.shocks, values.power_off_retracts, values.load_cycles) == (1204, 1961, 151_207)
    assert values.highest_celsius == 71
    packed = decode_report(text.replace("       1204\n", "       281470681743460\n"))
    assert packed.values.shocks is None
    assert "count-implausible" not in {gap.code for gap in packed.gaps}
