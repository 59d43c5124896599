"""Rows that are about to reach their threshold, and helium that is leaking."""

from __future__ import annotations

import re

import msgspec
import pytest

from drivecare.reading.decode import decode_report
from drivecare.reading.model import Attribute
from drivecare.risk.assess import assess
from tests.reading.recorded import report
from tests.risk.drives import near, reading


@pytest.mark.parametrize(
    ("attribute", "severities"),
    [
        (near(1, "Raw_Read_Error_Rate", 53, 51, worst=52), ["recheck"]),
        (near(5, "Reallocated_Sector_Ct", 146, 140), ["recheck"]),  # 6 of the 60 from 200 down to 140
        (near(5, "Reallocated_Sector_Ct", 147, 140), []),
        (near(5, "Reallocated_Sector_Ct", 12, 10, worst=12), ["recheck"]),
        (near(184, "End-to-End_Error", 100, 97), []),  # it has not fallen at all
        (near(184, "End-to-End_Error", 99, 97), []),
        (near(3, "Spin_Up_Time", 253, 252), []),
        (near(3, "Spin_Up_Time", 100, 0), []),
        (near(194, "Temperature_Celsius", 46, 45), []),  # heat is judged by degrees
        (near(193, "Load_Cycle_Count", 2, 1), []),  # use, not health
        (near(22, "Helium_Level", 100, 25), []),
        (near(22, "Helium_Level", 99, 25), ["replace"]),
        (near(22, "Helium_Level", 26, 25), ["replace", "recheck"]),
        (near(23, "Helium_Condition_Lower", 80, 75), ["replace"]),
        (near(24, "Unknown_Attribute", 80, 75), ["replace"]),
        (near(24, "Something_Else", 85, 75), []),
    ],
)
def test_a_row_is_near_its_threshold_when_a_tenth_of_its_way_is_left(
    attribute: Attribute, severities: list[str]
) -> None:
    assert [finding.severity for finding in assess(reading(attributes=(attribute,))).findings] == severities


def test_helium_that_crossed_its_threshold_is_a_fault_of_the_mechanics() -> None:
    crossed = msgspec.structs.replace(near(22, "Helium_Level", 25, 25), state="now")
    assessment = assess(reading(attributes=(crossed,)))
    assert (assessment.verdict, assessment.fault_classes) == ("evacuate", ("mechanics",))


@pytest.mark.parametrize("number", [1, 7, 195])
def test_packed_rates_stand_low_on_a_healthy_drive(number: int) -> None:
    """The model's number alone tells that a maker packs errors over operations: profiles/families.toml."""
    rate = (
        f"{number:3d} Rate_Of_Errors          0x002f   046   046   045    Pre-fail  Always       -       2013265920\n"
    )
    text = re.sub(r"(?m)^(  [17] |Model Family).*\n", "", report("hdd-nothing-against-it"))
    text = text.replace("  3 Spin_Up", f"{rate}  3 Spin_Up")
    assert assess(decode_report(text)).verdict == "recheck"
    assert assess(decode_report(text.replace("Kestrel KD-500", "ST100 Plover"))).verdict == "refit"
