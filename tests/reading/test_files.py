"""Readings in files: saved ones, reports in any encoding, and everything that is neither."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.documents import encode
from drivecare.errors import BadInput, NoDrive
from drivecare.reading.decode import decode_report
from drivecare.reading.model import RawReport
from drivecare.reading.reading_files import load_reading, reading_of
from tests.reading.recorded import INDEX, report


@pytest.mark.parametrize("name", INDEX)
def test_saving_a_saved_reading_again_gives_the_same_bytes(name: str, tmp_path: Path) -> None:
    reading = decode_report(
        RawReport(
            text=report(name),
            exit_status=4,
            asked=("-x", "/dev/sdq"),
            attached_sector_bytes=4096,
            native_capacity_bytes=600_000_000_000,
            bridge="0bda:0138",
        ),
        read_at="2026-11-25T10:31:00+01:00",
        path="/dev/sdq",
        transport="sat",
    )
    saved = tmp_path / "reading.json"
    saved.write_bytes(encode(reading))
    again = load_reading(saved)
    assert again == reading
    assert encode(again) == saved.read_bytes()


@pytest.mark.parametrize("name", INDEX)
def test_a_pasted_report_survives_saving(name: str, tmp_path: Path) -> None:
    saved = tmp_path / "reading.json"
    saved.write_bytes(encode(decode_report(report(name))))
    assert encode(load_reading(saved)) == saved.read_bytes()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1"])
def test_encodings(encoding: str) -> None:
    text = report("hdd-nothing-against-it").replace("500,107,862,016", "500\u00a0107\u00a0862\u00a0016")
    reading = reading_of(text.encode(encoding), origin="report.txt")
    assert reading.drive.capacity_bytes == 500_107_862_016
    assert reading.values.power_on_hours == 21904


def test_line_ends_and_indentation_change_nothing() -> None:
    text = report("hdd-nothing-against-it")
    plain = decode_report(text)
    for changed in (text.replace("\n", "\r\n"), text.replace("\n", "\r"), "    " + text.replace("\n", "\n    ")):
        reading = decode_report(changed)
        assert (reading.drive, reading.values, reading.selftests) == (plain.drive, plain.values, plain.selftests)


def _error(data: bytes) -> BadInput:
    with pytest.raises(BadInput) as caught:
        reading_of(data, origin="given.txt")
    return caught.value


def test_what_is_no_report_gets_one_clear_line() -> None:
    assert _error(b"").message() == (
        "given.txt: is empty. Give a saved reading (JSON) or the text report of one drive."
    )
    assert _error(bytes(range(256)) * 8).message() == (
        "given.txt: is not text. Give a saved reading (JSON) or the text report of one drive."
    )
    no_drive = _error(b"milk, eggs, flour\n")
    assert isinstance(no_drive, NoDrive)
    assert no_drive.message() == (
        "given.txt: the text names no drive. Give the whole report, with the part that names model and serial number."
    )


def test_the_colours_of_a_recorded_terminal_do_not_matter() -> None:
    plain = report("hdd-nothing-against-it")
    coloured = "\n".join(f"\x1b[1;32m{line}\x1b[0m" for line in plain.split("\n"))
    assert reading_of(coloured.encode(), origin="x") == reading_of(plain.encode(), origin="x")


def test_json_that_is_no_saved_reading_names_file_and_reason() -> None:
    assert "given.txt: is not valid JSON" in _error(b"{").message()
    assert "given.txt: " in _error(b'{"schema": "drivecare/plan-1"}').message()
    assert "drivecare/plan-1" in _error(b'{"schema": "drivecare/plan-1"}').message()
    assert "capacity_bytes" in _error(b'{"schema":"drivecare/reading-1","drive":{"capacity_bytes":"big"}}').message()
    assert isinstance(_error(b'{"schema": "drivecare/reading-1"}'), NoDrive)


def test_a_file_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such file"):
        load_reading(tmp_path / "gone.txt")
    with pytest.raises(BadInput, match="is a folder, not a file"):
        load_reading(tmp_path)


def test_reports_of_two_drives_in_one_file_are_refused() -> None:
    both = report("hdd-nothing-against-it") + report("ssd-nothing-against-it")
    with pytest.raises(BadInput, match=r"2 drives \(serial numbers KX25-00417, MS24-10077\)"):
        decode_report(both)
    twice = decode_report(report("hdd-nothing-against-it") * 2)
    assert twice.values == decode_report(report("hdd-nothing-against-it")).values


def test_an_open_error_names_no_drive() -> None:
    text = "smartctl 7.3 (local build)\n\nSmartctl open device: /dev/sdz failed: No such device\n"
    with pytest.raises(NoDrive, match="No such device"):
        decode_report(text)


def test_a_reading_written_by_hand_is_taken_as_it_is() -> None:
    data = b'{"schema":"drivecare/reading-1","drive":{"model":"Kestrel KD-500"},"values":{"pending":24}}'
    assert reading_of(data, origin="hand.json").values.pending == 24
