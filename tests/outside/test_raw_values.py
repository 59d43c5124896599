"""Worked values of packed raw attributes, each with its source."""

from __future__ import annotations

import pytest

from drivecare.reading.attributes import parse_row
from drivecare.reading.counters import MOST_HOURS
from drivecare.reading.model import Attribute
from drivecare.reading.raw_values import (
    parse_celsius,
    parse_command_timeouts,
    parse_error_count,
    parse_head_flying_hours,
    parse_power_on_hours,
    parse_raw,
    unpack_rate,
)
from drivecare.reading.wear import load_wear_rules, read_percent_used

PYSMART = "pySMART 1.4.3 source distribution, tests/dataset"


@pytest.mark.parametrize(
    ("raw", "degrees"),
    [
        ("31 (0 22 0 0 0)", 31),  # pySMART: ST2000NM000A, attribute 194
        ("94489280543", 31),  # the same six bytes as one number (computed)
        ("33 (Min/Max 17/49)", 33),  # pySMART: HUS724040ALE640
        ("210454511649", 33),  # computed: words 33, 17, 49
        ("31 (Min/Max 25/32)", 31),  # pySMART: ST2000NM000A, attribute 190
        ("538509343", 31),  # computed: bytes 31, 0, 25, 32
        (str(int.from_bytes(bytes([0x1F, 0, 0x1F, 0x1F, 0, 0]), "little")), 31),  # QEMU hw/ide/core.c
        ("32 (Lifetime Min/Max 26/33)", 32),  # a published 2.5-inch drive's report
    ],
)
def test_temperatures_packed_into_six_bytes(raw: str, degrees: int) -> None:
    assert parse_celsius(raw) == degrees


def test_command_timeouts_are_three_words() -> None:
    """Published reports of Seagate drives: 287,767,265,476 is 0x0043 0044 00C4, words 196, 68, 67 from the lowest."""
    assert 287_767_265_476 == 0x0043_0044_00C4
    assert parse_command_timeouts("287767265476") == 196
    assert parse_command_timeouts("5 5 5") == 5
    assert parse_command_timeouts("5 6 6") == 6


def test_reported_uncorrectable_errors_beside_a_second_count() -> None:
    """A published 2.5-inch drive's report: 62,534,723,829,769 is 0x38E0 over 9; 65,535 is a saturated counter."""
    assert parse_error_count("62534723829769") == 9
    assert parse_error_count("65535") == 65535
    assert parse_error_count("2.544") == 2544  # grouped as in much of Europe: a count is no fraction
    assert parse_error_count("0 (2000, 0)") == 0
    assert parse_error_count(str(2000 << 32)) == 0  # the same bytes as one number (computed)


def test_a_seek_error_rate_is_errors_over_seeks() -> None:
    """Published: 0x052E0E3000EC is 1,326 errors in 238,026,988 seeks."""
    assert unpack_rate(0x052E0E3000EC) == (1326, 238_026_988)
    row = "  7 Seek_Error_Rate         0x000f   053   053   030    Pre-fail  Always       -       5695364661484"
    parsed = parse_row(row, packed_rates=True)
    assert parsed is not None
    assert parse_raw("5695364661484") == 0x052E0E3000EC
    assert parsed[0].raw == 1326


def test_head_flying_hours_are_the_lower_words() -> None:
    assert parse_head_flying_hours("1369 (143 119 0)") == 1369  # pySMART: ST2000NM000A, powered on 1,380 h
    assert parse_head_flying_hours(str(0x8F7700000559)) == 1369  # the same as one number (computed)
    assert parse_head_flying_hours("183369333745968") == 10_544  # published: more than its 4,804 h powered on
    assert parse_head_flying_hours("20730h+21m+55.140s") == 20_730  # published, with power-on 23,282 h
    assert parse_head_flying_hours("5185h+21m+36.806s") == 5185  # published


def test_power_on_hours_counted_in_minutes_half_minutes_or_seconds() -> None:
    assert parse_power_on_hours("23282h+35m+49.427s") == 23_282  # published
    assert parse_power_on_hours("21904 (35 120 0)") == 21_904  # from memory
    assert parse_power_on_hours("2614723", "Workload_Minutes") == 43_578  # pySMART: 43,583 h by its attribute 9
    assert parse_power_on_hours("1057680", "Power_On_Half_Minutes") == 8814  # from memory: the name tells the unit
    assert parse_power_on_hours("528840", "Power_On_Minutes") == 8814
    assert parse_power_on_hours("31730400", "Power_On_Seconds") == 8814
    assert parse_power_on_hours("8814h+00m", "Power_On_Half_Minutes") == 8814
    assert parse_power_on_hours("4742", "Power_On_Hours_and_Msec") == 4742
    impossible = parse_power_on_hours("160000000000000")
    assert impossible is not None
    assert impossible > MOST_HOURS


@pytest.mark.parametrize("raw", ["0/0", "", "-", "n/a", "70000 1 1"])
def test_a_raw_value_that_defies_decoding_is_none(raw: str) -> None:
    assert parse_raw(raw) is None


def test_packed_words_are_not_guessed() -> None:
    """pySMART: attribute 175 of an Intel drive, 2379 (861 65535), is one number of six bytes."""
    assert 65535 << 32 | 861 << 16 | 2379 == 281_470_738_172_235
    assert parse_raw("2379 (861 65535)") == 2379


def _used(identifier: int, name: str, value: int, raw: int, family: str = "") -> int | None:
    row = Attribute(id=identifier, name=name, value=value, worst=value, threshold=0, raw_text=str(raw), raw=raw)
    return read_percent_used((row,), family).percent_used


WEAR = [
    (233, "Media_Wearout_Indicator", 86, 0, "Intel DC S3500", 14),  # pySMART: INTEL SSDSC2BB120G6
    (177, "Wear_Leveling_Count", 1, 4929, "SK hynix", 99),  # published report of a worn SC311
    (173, "Wear_Leveling_Count", 165, 3_294_309_909_395, "Apple SD/SM/TS SSDs", 35),  # pySMART: SM0256F
    (173, "Wear_Leveling_Count", 0, 0, "Apple SD/SM/TS SSDs", None),  # it counts down from 200 to 100
    (177, "Wear_Leveling_Count", 97, 61, "Samsung based SSDs", 3),  # from memory, as all below
    (202, "Percent_Lifetime_Remain", 88, 12, "Crucial", 12),
    (202, "Percent_Lifetime_Remain", 0, 115, "Crucial", 115),
    (202, "Percent_Lifetime_Used", 88, 12, "Crucial", 12),
    (231, "SSD_Life_Left", 95, 95, "Kingston", 5),
    (231, "SSD_Life_Left", 100, 0, "SandForce", 0),
    (231, "SSD_Life_Left", 100, 98, "Phison", 2),
    (231, "Temperature_Celsius", 100, 35, "", None),
    (169, "Remaining_Lifetime_Perc", 100, 98, "Silicon Motion", 2),
    (169, "Remaining_Lifetime_Perc", 100, 0, "Silicon Motion", 100),
    (167, "Average_Erase_Count", 100, 2850, "Silicon Motion", None),  # without the specified one it says nothing
    (230, "Media_Wearout_Indicator", 7, 0x035C_011C_035C, "SandForce or WD Blue SanDisk", 7),
    (233, "NAND_GB_Written_TLC", 100, 9000, "SanDisk", None),
    (173, "Ave_Block-Erase_Count", 94, 190, "Micron", 6),
    (231, "Unknown_SSD_Attribute", 100, 0, "", None),
    (248, "Perc_Rated_Life_Remain", 100, 91, "", 9),
    (249, "Percent_Life_Used", 96, 4, "", 4),  # a number that no rule knows: the name decides
    (250, "Percent_Life_Left", 95, 95, "", 5),
]


@pytest.mark.parametrize(("identifier", "name", "value", "raw", "family", "used"), WEAR)
def test_wear_counts_as_name_and_family_say(
    identifier: int, name: str, value: int, raw: int, family: str, used: int | None
) -> None:
    assert _used(identifier, name, value, raw, family) == used


def test_every_wear_rule_has_a_worked_value() -> None:
    rows = [(Attribute(id=identifier, name=name, threshold=0), family) for identifier, name, _, _, family, _ in WEAR]
    rules = load_wear_rules()
    reached = {next((rule for rule in rules if rule.matches(*row)), None) for row in rows}
    assert [rule for rule in rules if rule not in reached] == []


def test_apple_wear_agrees_with_its_own_cycle_counts() -> None:
    """pySMART: SM0256F, value 165; the highest of its three packed cycle counts, of 3,000, gives the same 35 %."""
    packed = 3_294_309_909_395
    words = [packed >> shift & 0xFFFF for shift in (0, 16, 32)]
    assert max(words) == 1068
    assert 1068 * 100 // 3000 == 35
