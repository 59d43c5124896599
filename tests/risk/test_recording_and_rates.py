"""Overlapping tracks, sectors of an array, worn parking, and error counts of makers that keep them in rate rows."""

from __future__ import annotations

import msgspec
import pytest

from drivecare.fit.candidates import candidate_from_reading
from drivecare.reading.decode import decode_report
from drivecare.reading.model import Reading
from drivecare.risk.assess import assess
from drivecare.risk.model import Finding
from tests.reading.recorded import report
from tests.risk.drives import HDD, SAS, hdd, reading, ssd

CLEAN = report("hdd-nothing-against-it")
COUNTED = CLEAN.replace("Kestrel KD-500", "WD10KESTREL-08")


def _finding(drive: Reading, signal: str) -> Finding | None:
    return next((finding for finding in assess(drive).findings if finding.signal == signal), None)


@pytest.mark.parametrize(
    ("line", "observed"),
    [
        ("Zoned Device:     Device managed zones", "device-managed"),
        ("Zoned Device:     Host Aware Zones", "host-aware"),
        ("TRIM Command:     Available, deterministic", "has a TRIM command"),
    ],
)
def test_overlapping_tracks_are_said_and_planned_with(line: str, observed: str) -> None:
    drive = decode_report(CLEAN.replace("Rotation Rate:", f"{line}\nRotation Rate:"))
    finding = _finding(drive, "shingled")
    assert finding is not None
    assert (finding.observed, finding.severity) == (observed, "note")
    assert "shingled recording" in assess(drive).failure_12_months.unmeasured
    assert candidate_from_reading(drive).recording == "shingled"
    assert assess(drive).verdict == "refit"


def test_trim_says_nothing_of_a_solid_state_drive_nor_its_absence_of_a_hard_drive() -> None:
    drive = ssd()
    assert (
        _finding(msgspec.structs.replace(drive, drive=msgspec.structs.replace(drive.drive, trim=True)), "shingled")
        is None
    )
    assert _finding(hdd(), "shingled") is None
    assert candidate_from_reading(decode_report(CLEAN)).recording is None


@pytest.mark.parametrize(("sector", "extra", "data"), [(520, 8, 512), (528, 16, 512), (4224, 128, 4096)])
def test_sectors_of_an_array(sector: int, extra: int, data: int) -> None:
    finding = _finding(reading(msgspec.structs.replace(SAS, logical_sector_bytes=sector)), "array_sectors")
    assert finding is not None
    assert (finding.observed, finding.severity) == (sector, "note")
    assert finding.detail is not None
    assert f"{extra} of them an array's own check data" in finding.detail
    assert f"formatting the drive to {data} bytes erases everything" in finding.detail


@pytest.mark.parametrize("sector", [512, 4096, None])
def test_ordinary_sectors(sector: int | None) -> None:
    assert _finding(reading(msgspec.structs.replace(HDD, logical_sector_bytes=sector)), "array_sectors") is None


@pytest.mark.parametrize(("cycles", "limit"), [(299_999, None), (300_000, 300_000), (812_345, 600_000)])
def test_parkings_against_their_rating_are_use_and_no_fault(cycles: int, limit: int | None) -> None:
    drive = hdd(load_cycles=cycles)
    finding = _finding(drive, "load_cycles")
    assert (finding and finding.limit) == limit
    assert assess(drive).verdict == "refit"


def test_parkings_out_of_the_statistics() -> None:
    log = "\nDevice Statistics (GP Log 0x04)\n0x03  0x018  4          612000  ---  Head Load Events\n"
    text = "\n".join(line for line in CLEAN.split("\n") if not line.startswith("193")) + log
    assert decode_report(text).values.load_cycles == 612_000


def _with_row(text: str, number: int, name: str, raw: int) -> str:
    row = f"{number:3} {name:<23} 0x000f   200   200   000    Old_age   Always       -       {raw}\n"
    return text.replace("SMART Error Log Version", f"{row}\nSMART Error Log Version")


@pytest.mark.parametrize(
    ("number", "name", "value", "raw", "verdict"),
    [
        (1, "Raw_Read_Error_Rate", "counted_read_errors", 3, "refit"),
        (1, "Raw_Read_Error_Rate", "counted_read_errors", 1_204, "recheck"),
        (7, "Seek_Error_Rate", "counted_seek_errors", 99, "refit"),
        (7, "Seek_Error_Rate", "counted_seek_errors", 100, "recheck"),
        (200, "Multi_Zone_Error_Rate", "counted_write_errors", 9, "refit"),
        (200, "Multi_Zone_Error_Rate", "counted_write_errors", 10, "recheck"),
    ],
)
def test_errors_that_a_maker_counts_in_these_rows(number: int, name: str, value: str, raw: int, verdict: str) -> None:
    drive = decode_report(_with_row(COUNTED, number, name, raw))
    assert getattr(drive.values, value) == raw
    assert assess(drive).verdict == verdict
    assert _finding(drive, value) is not None


@pytest.mark.parametrize("model", ["Kestrel KD-500", "ST500KESTREL-1ER"])
@pytest.mark.parametrize(("number", "name"), [(1, "Raw_Read_Error_Rate"), (7, "Seek_Error_Rate")])
def test_rates_of_other_makers_say_nothing(model: str, number: int, name: str) -> None:
    drive = decode_report(_with_row(CLEAN.replace("Kestrel KD-500", model), number, name, 268_527_342))
    assert drive.values.counted_read_errors is None
    assert drive.values.counted_seek_errors is None
    assert assess(drive).verdict == "refit"
