"""Several reports of one drive in one text are its history, whatever their order; parts of one report stay together."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.errors import BadInput
from drivecare.hardware.machine import THIS_MACHINE
from drivecare.reading.reading_files import load_reading, load_readings
from drivecare.work.assess import AssessedReading, AssessRequest, assess_sources
from tests.reading.recorded import report

CLEAN = report("hdd-nothing-against-it")


def _report(hours: int, *, pending: int = 0, day: int = 24, zone: str = "UTC") -> str:
    row = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       "
    text = CLEAN.replace("       21904\n", f"       {hours}\n").replace(f"{row}0", f"{row}{pending}")
    return text.replace("Nov 24 10:31:00 2026 UTC", f"Nov {day} 10:31:00 2026 {zone}")


def _assessed(tmp_path: Path, text: str) -> AssessedReading:
    path = tmp_path / "reports.txt"
    path.write_text(text)
    (outcome,) = assess_sources(AssessRequest(sources=(str(path),)), THIS_MACHINE)
    assert isinstance(outcome, AssessedReading)
    return outcome


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("zone", ["UTC", "XYZ"])
def test_the_newest_is_judged_and_what_grew_is_said(newest_first: bool, zone: str, tmp_path: Path) -> None:
    texts = [_report(21_000, day=1, zone=zone), _report(21_904, pending=24, day=24, zone=zone)]
    outcome = _assessed(tmp_path, "\n".join(reversed(texts) if newest_first else texts))
    assert outcome.reading.values.pending == 24
    assert [earlier.values.power_on_hours for earlier in outcome.history] == [21_000]
    findings = {finding.signal: finding.detail for finding in outcome.assessment.findings}
    assert findings["pending_growth"] == "pending 0, now 24"


def test_three_reports_come_in_the_order_of_their_times(tmp_path: Path) -> None:
    path = tmp_path / "reports.txt"
    path.write_text("".join((_report(21_100, day=3), _report(21_900, day=20), _report(21_500, day=9))))
    assert [reading.values.power_on_hours for reading in load_readings(path)] == [21_100, 21_500, 21_900]
    assert load_reading(path).values.power_on_hours == 21_900


def test_the_parts_of_one_report_stay_together(tmp_path: Path) -> None:
    head, table = CLEAN.split("SMART Attributes Data Structure")
    banner = CLEAN.split("\n")[0]
    path = tmp_path / "parts.txt"
    path.write_text(f"{head}\n{banner}\n\nSMART Attributes Data Structure{table}")
    (reading,) = load_readings(path)
    assert (reading.drive.serial, reading.values.power_on_hours) == ("KX25-00417", 21_904)


def test_a_report_that_lost_its_banner_is_one_of_its_own(tmp_path: Path) -> None:
    path = tmp_path / "reports.txt"
    path.write_text(_report(21_100, day=3) + "\n" + _report(21_900, pending=24, day=20).partition("\n\n")[2])
    assert [(reading.values.power_on_hours, reading.values.pending) for reading in load_readings(path)] == [
        (21_100, 0),
        (21_900, 24),
    ]


def test_a_report_given_twice_is_one(tmp_path: Path) -> None:
    path = tmp_path / "twice.txt"
    path.write_text(CLEAN * 2)
    assert len(load_readings(path)) == 1


def test_quoted_and_numbered_reports_too(tmp_path: Path) -> None:
    both = _report(21_000, day=1) + _report(21_904, pending=24)
    quoted = "\n".join(f"> {line}" for line in both.split("\n"))
    assert _assessed(tmp_path, quoted).history
    numbered = "\n".join(f"{number:4}: {line}" for number, line in enumerate(both.split("\n")))
    assert _assessed(tmp_path, numbered).history


def test_two_drives_in_one_text_stay_refused(tmp_path: Path) -> None:
    path = tmp_path / "two.txt"
    path.write_text(CLEAN + report("ssd-nothing-against-it"))
    with pytest.raises(BadInput, match="2 drives"):
        load_readings(path)
