"""Which of two readings of one drive came later: by time, by a clock of one unknown zone, by the drive's hours."""

from __future__ import annotations

import pytest

from drivecare.reading.decode import decode_report
from drivecare.reading.sequence import in_order, is_later
from drivecare.risk.assess import assess
from tests.reading.recorded import report

CLEAN = report("hdd-nothing-against-it")


def _reading(hours: int, time: str | None, *, pending: int = 0) -> str:
    row = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       "
    text = CLEAN.replace("       21904\n", f"       {hours}\n").replace(f"{row}0", f"{row}{pending}")
    lines = text.split("\n")
    return "\n".join(
        (f"Local Time is:    {time}" if time else "") if line.startswith("Local Time") else line for line in lines
    )


MORNING, EVENING = "Tue Nov 24 10:31:00 2026", "Tue Nov 24 19:02:00 2026"


@pytest.mark.parametrize(
    ("first", "second", "later"),
    [
        ((21_904, f"{MORNING} UTC"), (21_904, f"{EVENING} UTC"), True),
        ((21_904, f"{EVENING} UTC"), (21_904, f"{EVENING} CET"), False),
        ((21_904, f"{EVENING} UTC"), (21_905, f"{EVENING} UTC"), True),
        ((21_904, f"{MORNING} XYZ"), (21_904, f"{EVENING} XYZ"), True),
        ((21_904, f"{MORNING} XYZ"), (21_900, f"{EVENING} XYZ"), True),
        ((21_904, f"{EVENING} XYZ"), (21_905, f"{MORNING} QRS"), True),
        ((21_904, f"{EVENING} XYZ"), (21_904, f"{EVENING} XYZ"), None),
        ((21_904, None), (21_905, None), True),
        ((21_904, f"{MORNING} UTC"), (21_905, f"{EVENING} XYZ"), None),
        ((21_904, f"{MORNING} UTC"), (21_905, None), None),
    ],
)
def test_which_came_later(first: tuple[int, str | None], second: tuple[int, str | None], later: bool | None) -> None:
    one, other = decode_report(_reading(*first)), decode_report(_reading(*second))
    assert is_later(other, one) is later
    assert is_later(one, other) is (None if later is None else not later)
    assert in_order((one, other)) == ((other, one) if later is False else (one, other))


def test_two_readings_within_an_hour_by_a_clock_of_an_unknown_zone() -> None:
    earlier = decode_report(_reading(21_904, f"{MORNING} XYZ"))
    later = decode_report(_reading(21_904, f"{EVENING} XYZ", pending=24))
    assert assess(later, history=(earlier,)).verdict == "evacuate"
    assert "pending_growth" in [finding.signal for finding in assess(later, history=(earlier,)).findings]
    assert assess(earlier, history=(later,)).verdict == "refit"


def test_undated_files_of_one_drive_do_not_set_its_hours_back() -> None:
    earlier, later = decode_report(_reading(21_900, None)), decode_report(_reading(21_904, None))
    assert assess(earlier, history=(later,)).verdict == "refit"
