"""Percent used and spare blocks, from rows in which every maker counts in its own way."""

from __future__ import annotations

import pytest

from drivecare.reading.decode import decode_report
from drivecare.reading.model import Attribute
from drivecare.reading.raw_values import parse_error_count, parse_main_number
from drivecare.reading.wear import read_host_bytes, read_percent_used, read_spare
from tests.reading.recorded import report


def row(number: int, name: str, value: int | None, raw: int | None = None, threshold: int | None = 0) -> Attribute:
    return Attribute(id=number, name=name, value=value, raw=raw, threshold=threshold)


WEAR, USED, LEFT, RAW_LEFT = "Wear_Leveling_Count", "Percent_Lifetime_Used", "SSD_Life_Left", "Remaining_Lifetime_Perc"


@pytest.mark.parametrize(
    ("attribute", "used"),
    [
        (row(177, WEAR, 88, 300), 12),
        (row(177, WEAR, 100, 0), 0),
        (row(177, WEAR, 0, 9000), 100),
        (row(177, WEAR, 101, 300), None),
        (row(177, WEAR, None, 300), None),
        (row(202, USED, 95, 5), 5),
        (row(202, USED, 0, 120), 120),  # the value has stopped, the raw goes on
        (row(202, USED, 0, 255), 255),
        (row(202, USED, 0, 256), 100),
        (row(202, USED, 95, 95), 5),  # this raw is something else
        (row(231, LEFT, 100, 97), 3),
        (row(231, LEFT, 100, 1), 99),
        (row(231, LEFT, 100, 100), 0),
        (row(231, LEFT, 100, 0), 0),
        (row(231, LEFT, 90, 97), 10),  # the value moves, so it is the one that counts
        (row(231, LEFT, 100, None), 0),
        (row(169, RAW_LEFT, 100, 60), 40),
        (row(169, RAW_LEFT, 90, 100), 0),
        (row(169, RAW_LEFT, 55, 0), 45),
        (row(169, RAW_LEFT, 55, 101), 45),
        (row(169, RAW_LEFT, 55, None), 45),
        (row(233, "Media_Wearout_Indicator", 93, 0), 7),
        (row(233, "Unknown_Attribute", 93, 0), None),
        (row(177, "Wear_Range_Delta", 0, 3), None),  # how far apart the blocks are, not how far they have come
    ],
)
def test_a_row_tells_percent_used(attribute: Attribute, used: int | None) -> None:
    assert read_percent_used((attribute,), "") == (used, None)


def test_the_worst_of_several_rows_counts() -> None:
    rows = (row(177, WEAR, 88), row(202, USED, 80, 20), row(231, LEFT, 95))
    assert read_percent_used(rows, "") == read_percent_used(rows[::-1], "") == (20, None)


def dummies(*rows: tuple[int, str, int]) -> tuple[Attribute, ...]:
    """Rows whose normalised columns all stand at 100, even the temperature's."""
    return tuple(
        Attribute(id=number, name=name, value=100, worst=100, threshold=50, raw=raw)
        for number, name, raw in ((194, "Temperature_Celsius", 33), *rows)
    )


AVERAGE, RATED = "Average_Erase_Count", "Max_Erase_Count_of_Spec"


@pytest.mark.parametrize(
    ("rows", "used", "doubted"),
    [
        (dummies((169, RAW_LEFT, 0)), 100, False),
        (dummies((169, RAW_LEFT, 1)), 99, False),
        (dummies((169, RAW_LEFT, 100)), 0, False),
        (dummies((231, LEFT, 4)), 96, False),
        (dummies((202, USED, 97)), 97, False),
        (dummies((202, "Percent_Lifetime_Remain", 97)), None, True),  # used or left? nothing else tells
        (dummies((202, "Percent_Lifetime_Remain", 101)), 101, False),  # more than all cannot be left
        (dummies((177, WEAR, 3000)), None, False),
        (dummies((167, AVERAGE, 2850), (168, RATED, 3000)), 95, False),
        (dummies((167, AVERAGE, 3300), (168, RATED, 3000)), 110, False),
        (dummies((167, AVERAGE, 2850), (168, RATED, 0)), None, False),
        (dummies((167, AVERAGE, 2850)), None, False),
        (dummies((167, AVERAGE, 60), (168, RATED, 3000), (169, RAW_LEFT, 0)), 100, True),
        (dummies((167, AVERAGE, 2900), (168, RATED, 3000), (169, RAW_LEFT, 0)), 100, False),
    ],
)
def test_a_column_of_dummies_leaves_the_raw_values(
    rows: tuple[Attribute, ...], used: int | None, doubted: bool
) -> None:
    told = read_percent_used(rows, "")
    assert (told.percent_used, told.doubt is not None) == (used, doubted)


EMPTY = Attribute(id=241, name="Total_LBAs_Written", value=0, worst=0, threshold=0, raw=4122)


@pytest.mark.parametrize("name", [(177, WEAR), (202, USED), (231, LEFT), (233, "Media_Wearout_Indicator")])
def test_a_row_that_is_all_zero_leaves_the_wear_in_doubt(name: tuple[int, str]) -> None:
    zero = Attribute(id=name[0], name=name[1], value=0, worst=0, threshold=0, raw=0)
    told = read_percent_used((zero,), "")
    assert (told.percent_used, told.doubt is not None) == (None, True)


@pytest.mark.parametrize(
    ("attribute", "used", "doubted"),
    [
        (Attribute(id=233, name="Media_Wearout_Indicator", value=0, worst=0, threshold=0, raw=5122), None, False),
        (Attribute(id=177, name=WEAR, value=0, worst=0, threshold=0, raw=2), None, False),
        (Attribute(id=177, name=WEAR, value=0, worst=0, threshold=5, raw=9000), 100, False),
        (Attribute(id=202, name=USED, value=0, worst=0, threshold=0, raw=112), 112, False),
        (Attribute(id=231, name=LEFT, value=0, worst=0, threshold=0, raw=0), None, True),
    ],
)
def test_a_column_left_empty_says_nothing(attribute: Attribute, used: int | None, doubted: bool) -> None:
    told = read_percent_used((attribute, EMPTY), "")
    assert (told.percent_used, told.doubt is not None) == (used, doubted)


def test_a_row_that_may_mean_nothing_left_does_not_contradict_one_that_says_so() -> None:
    zero = Attribute(id=231, name=LEFT, value=0, worst=0, threshold=0, raw=0)
    assert read_percent_used((zero, row(177, WEAR, 0, 9000)), "") == (100, None)
    told = read_percent_used((zero, row(177, WEAR, 97, 61)), "")
    assert (told.percent_used, told.doubt is not None) == (3, True)


def test_rows_that_contradict_each_other_are_said_to() -> None:
    told = read_percent_used((row(177, WEAR, 4), row(231, LEFT, 95)), "")
    assert told == (96, "One row says that 96 % of the rated endurance is used, another 5 %.")
    assert read_percent_used((row(177, WEAR, 80), row(231, LEFT, 100)), "") == (20, None)


@pytest.mark.parametrize(
    ("attribute", "spare_and_threshold"),
    [
        (row(170, "Available_Reservd_Space", 100, threshold=10), (100, 10)),
        (row(232, "Spare_Blocks", 0, threshold=10), (0, 10)),
        (row(170, "Available_Reservd_Space", 100, threshold=0), (100, None)),
        (row(170, "Available_Reservd_Space", 101, threshold=10), (None, None)),
        (row(170, "Available_Reservd_Space", None, threshold=10), (None, None)),
        (row(170, "Bad_Block_Count", 100, threshold=10), (None, None)),
        (row(171, "Available_Reservd_Space", 100, threshold=10), (None, None)),
    ],
)
def test_a_row_of_reserved_space_tells_the_spare(
    attribute: Attribute, spare_and_threshold: tuple[int | None, int | None]
) -> None:
    assert read_spare((attribute,)) == spare_and_threshold


@pytest.mark.parametrize(
    ("name", "raw", "ssd", "total"),
    [
        ("Total_LBAs_Written", 0, True, 0),
        ("Total_LBAs_Written", 1 << 21, True, 1 << 30),
        ("Total_LBAs_Written", (1 << 21) - 1, True, None),  # on flash so little must be in another unit
        ("Total_LBAs_Written", 7, False, 7 * 512),
        ("Host_Writes_32MiB", 1, True, 32 << 20),
        ("Host_Writes_GiB", 3, True, 3 << 30),
        ("Total_LBAs_Written", 10**18 // 512, False, 10**18 // 512 * 512),
        ("Total_LBAs_Written", 10**18 // 512 + 1, False, None),
        ("NAND_Writes_GiB", 3, True, None),
        ("Total_LBAs_Read", 1 << 21, True, None),
    ],
)
def test_what_a_host_wrote_is_in_the_unit_that_the_name_tells(
    name: str, raw: int, ssd: bool, total: int | None
) -> None:
    moved, doubt = read_host_bytes((row(241, name, 100, raw),), "writ", sector_bytes=512, ssd=ssd)
    assert moved == total
    assert (doubt is not None) is (total is None and "LBAs_Written" in name)


def test_a_count_of_bad_events_is_the_lower_half_of_its_raw_value() -> None:
    assert [parse_error_count(str(number)) for number in (5, 2**32 - 1, 2**32, 2**32 + 5, 7 * 2**32 + 6)] == [
        5,
        2**32 - 1,
        0,
        5,
        6,
    ]


def test_a_packed_rate_is_its_errors() -> None:
    packed = str(3 << 32 | 70_000)
    assert parse_main_number(1, "Raw_Read_Error_Rate", packed, packed_rates=True) == 3
    assert parse_main_number(1, "Raw_Read_Error_Rate", packed) == 3 << 32 | 70_000
    assert parse_main_number(5, "Reallocated_Sector_Ct", packed, packed_rates=True) == 70_000


@pytest.mark.parametrize(
    ("read_at", "hours"),
    [("2026-11-25", 90_000), ("2013-11-25", 90_000), ("2012-11-25", None), ("2008-11-25", 90_000), ("unknown", 90_000)],
    ids=["today", "just possible", "impossible", "a clock that was never set", "no date"],
)
def test_hours_that_no_drive_of_its_kind_can_have_run_by_then(read_at: str, hours: int | None) -> None:
    """Serial ATA is of 2003 (Serial ATA 1.0a), and a year has 8,766 hours: 90,000 are possible from 2013 on."""
    text = report("hdd-nothing-against-it").replace("21904", "90000")
    reading = decode_report(text, read_at=read_at)
    assert reading.values.power_on_hours == hours
    assert ("hours-implausible" in {gap.code for gap in reading.gaps}) is (hours is None)


def test_a_statistic_of_zero_is_zero_and_not_unsaid() -> None:
    statistics = "\nDevice Statistics (GP Log 0x04)\nPage  Offset Size        Value Flags Description\n"
    statistics += "0x04  0x008  4               0  ---  Number of Reported Uncorrectable Errors\n"
    text = report("hdd-nothing-against-it")
    bare = "".join(line for line in text.splitlines(keepends=True) if not line.startswith("187 "))
    assert decode_report(bare).values.reported_uncorrectable is None
    assert decode_report(bare + statistics).values.reported_uncorrectable == 0
