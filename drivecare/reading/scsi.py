"""SAS and SCSI drives: error counters, grown defects, hours, temperature, background scan, failure prediction."""

from __future__ import annotations

import re

from drivecare.reading.counters import MOST_HOURS
from drivecare.reading.gaps import GapNotes
from drivecare.reading.locale_numbers import leading_count, leading_decimal, within
from drivecare.reading.model import Values
from drivecare.reading.report_text import Report

_ERROR_COUNTERS = re.compile(r"^\s*(read|write|verify):((?:\s+\d+){5})\s+(\d\S*)\s+(\d+)\s*$", re.I)
_SENSE = re.compile(r"\[asc\s*=\s*([0-9a-f]{1,2}),\s*ascq\s*=\s*([0-9a-f]{1,2})", re.I)
_NOT_OK = re.compile(r"^\W*SMART Health Status:\s+(?!OK\b|-)\S", re.I)
_SCAN_ROW = re.compile(
    r"^\s*\d+\s+\d+:\d\d\s+(?:\[\d+\]\s+)?([0-9a-f]{8,16})\s+"
    r"\[([0-9a-f]{1,2}),[0-9a-f]{1,2},[0-9a-f]{1,2}\]\s*(.*)",
    re.I,
)
_PENDING_ROW = re.compile(r"^\s*\d+:\s+0x([0-9a-f]{1,16})\s*,\s+\d+\s*$", re.I)
_RECOVERED = 1  # sense key: the data were returned after all
_AWAITS_WRITE = re.compile(r"require write or reassign|reassignment.*fail|unsuccessfully reassigned", re.I)
_MOST_ERRORS = 1 << 40
_NAMES = {"read": "uncorrected_reads", "write": "uncorrected_writes", "verify": "uncorrected_verifies"}
_MOVED = {"read": "host_bytes_read", "write": "host_bytes_written"}


def read_error_counters(report: Report, gaps: GapNotes) -> Values:
    """Errors by operation, and the bytes that were read and written."""
    values: dict[str, int | None] = {}
    for line in report.lines:
        match = _ERROR_COUNTERS.match(line)
        if not match:
            continue
        operation = match[1].lower()
        name, moved = _NAMES[operation], _MOVED.get(operation)
        errors = gaps.possible(name, int(match[4]), limit=_MOST_ERRORS)
        values[name] = errors if values.get(name) is None else values[name]
        gigabytes = leading_decimal(match[3])
        if moved and gigabytes is not None:
            values.setdefault(moved, round(gigabytes * 1e9))
    other = gaps.possible("non_medium_errors", report.count("non-medium error count"), limit=_MOST_ERRORS)
    return Values(non_medium_errors=other, **values)  # type: ignore[arg-type]


_BEGINNING = re.compile(r"\s*(?:(?:read|write|verify):\s+\d|\d+\s+\d+:\d\d\s+[0-9a-f]{8,16}\b)", re.I)


def begins_counter_row(line: str) -> bool:
    """Whether a line is a row of the error counters or of the background scan, or the beginning of one."""
    return _BEGINNING.match(line) is not None


def is_whole_counter_row(line: str) -> bool:
    """Whether a line is a whole row of either."""
    return any(pattern.match(line) for pattern in (_ERROR_COUNTERS, _SCAN_ROW))


def read_life(report: Report, gaps: GapNotes) -> Values:
    """Grown defects, wear, pending defects and hours."""
    grown, used = report.count("elements in grown defect list"), report.count("percentage used endurance indicator")
    pending = re.search(r"count:\s*(\d+)", report.any_line("Pending defect count") or "")
    return Values(
        grown_defects=gaps.possible("grown_defects", grown, limit=_MOST_ERRORS),
        wear_percent_used=gaps.possible("wear_percent_used", used, limit=255),
        pending=gaps.possible("pending", int(pending[1]) if pending else None, limit=_MOST_ERRORS),
        power_on_hours=gaps.possible(
            "power_on_hours", _hours_in_words(report), limit=MOST_HOURS, code="hours-implausible"
        ),
    )


def _hours_in_words(report: Report) -> int | None:
    """Hours in any wording: `hours:minutes 146:02`, `number of hours powered up = 8347.20`, minutes since format."""
    for line in report.lines:
        if match := re.search(r"power on time, hours:minutes\s+(\d+):(\d\d)", line, re.I):
            return int(match[1])
        if match := re.search(r"number of hours powered up\s*=\s*([\d.,]+)", line, re.I):
            hours = leading_decimal(match[1])
            return None if hours is None else int(hours)
        if match := re.search(r"power on minutes since format\s*=\s*(\d+)", line, re.I):
            return int(match[1]) // 60
    return None


def read_scsi_temperature(report: Report, gaps: GapNotes) -> Values:
    """The temperature, in either wording."""
    text = report.first("current drive temperature")
    if text is None and (line := report.any_line("Current temperature =")):
        text = line.partition("=")[2]
    degrees = leading_count(text or "")
    if degrees is not None and not 1 <= degrees <= 120:
        gaps.note("temperature-implausible", f"The drive reports {degrees} °C as its temperature.")
    return Values(temperature_celsius=within(degrees, 1, 120))


def read_trip_temperature(report: Report) -> int | None:
    """The temperature at which the drive switches itself off."""
    return within(report.count("drive trip temperature"), 40, 110)


def read_sense(report: Report, gaps: GapNotes) -> Values:
    """Informational exceptions: 5D is a failure prediction (5D/FF only a test of one), every other code a warning.

    0B/01, too hot, has the name that NVMe gives it; the others are named by their code. A health status that is not
    OK and whose code was lost is a warning too.
    """
    prediction: str | None = None
    warnings: dict[str, None] = {}
    for line in report.lines:
        if match := _SENSE.search(line):
            code, qualifier = int(match[1], 16), int(match[2], 16)
            if code == 0x5D:
                prediction = prediction or f"5d/{qualifier:02x}"
                if qualifier == 0xFF:
                    gaps.note("prediction-test", "The drive shows sense 5D/FF.")
            elif (code, qualifier) == (0x0B, 0x01):
                warnings["temperature"] = None
            elif code:
                warnings[f"{code:02x}/{qualifier:02x}"] = None
        elif _NOT_OK.match(line):
            warnings["unnamed"] = None
    return Values(failure_prediction=prediction, critical_warnings=tuple(warnings) or None)


def read_background_scan(report: Report) -> Values:
    """The errors that the drive's own scan in the background met."""
    log = report.any_line("Background scan results log")
    if log is None or "not support" in log:  # "Device does not support Background scan results logging"
        return Values()
    rows = sum(1 for line in report.lines if _SCAN_ROW.match(line))
    return Values(background_scan_errors=rows, background_scan_unreadable=len(find_scan_failures(report)))


def find_pending_rows(report: Report) -> list[int]:
    """The addresses in the SCSI log of pending defects (log 15h, subpage 01h)."""
    return [int(match[1], 16) for line in report.lines if (match := _PENDING_ROW.match(line))]


def find_scan_failures(report: Report) -> list[int]:
    """The addresses that the background scan could not read and that await a write or a reassignment."""
    rows = [match for line in report.lines if (match := _SCAN_ROW.match(line))]
    return [int(row[1], 16) for row in rows if int(row[2], 16) != _RECOVERED and _AWAITS_WRITE.match(row[3])]


def note_unread_counters(report: Report, values: Values, health: bool, gaps: GapNotes) -> None:
    """Note counters that did not come through: of errors, unless the drive has none; of defects, in a damaged line."""
    if values.grown_defects is None and report.any_line("grown", "defect list:"):
        gaps.note("count-unread", "The count of grown defects did not come through.")
    refused = report.any_line("Error Counter logging not supported")
    if health and values.uncorrected_reads is None and not refused:
        gaps.note("count-unread", "The counts of uncorrected errors did not come through.")
