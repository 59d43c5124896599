"""SAS and SCSI drives: error counters, grown defects, hours, temperature, background scan, failure prediction."""

from __future__ import annotations

import re

from drivecare.reading import logs
from drivecare.reading.counters import MOST_HOURS
from drivecare.reading.draft import Report, Said
from drivecare.reading.locale_numbers import count, decimal, within
from drivecare.reading.report_text import first

_COUNTERS = re.compile(r"^\s*(read|write|verify):((?:\s+\d+){5})\s+(\d\S*)\s+(\d+)\s*$", re.I)
_SENSE = re.compile(r"\[asc\s*=\s*([0-9a-f]{1,2}),\s*ascq\s*=\s*([0-9a-f]{1,2})", re.I)
_SCAN_ROW = re.compile(r"^\s*\d+\s+\d+:\d\d\s+[0-9a-f]{8,16}\s+\[[0-9a-f]{1,2},[0-9a-f]{1,2},[0-9a-f]{1,2}\]", re.I)
_MOST_ERRORS = 1 << 40
_NAMES = {"read": "uncorrected_reads", "write": "uncorrected_writes", "verify": "uncorrected_verifies"}


def decode(report: Report, said: Said) -> None:
    """Fill `said` from a SCSI report."""
    _counters(report, said)
    _life(report, said)
    _temperature(report, said)
    _sense(report, said)
    logs.selftests(report, said)
    if report.any_line("Background scan results log"):
        said.values["background_scan_errors"] = sum(1 for line in report.lines if _SCAN_ROW.match(line))
    said.health = any(
        said.values.get(name) is not None for name in ("uncorrected_reads", "grown_defects", "wear_percent_used")
    )
    refused = report.any_line("Error Counter logging not supported")
    if said.health and said.values.get("uncorrected_reads") is None and not refused:
        said.miss("count-unread", "The counts of uncorrected errors did not come through.")


def _counters(report: Report, said: Said) -> None:
    for line in report.lines:
        match = _COUNTERS.match(line)
        if not match:
            continue
        operation = match[1].lower()
        said.put(_NAMES[operation], int(match[4]), limit=_MOST_ERRORS)
        gigabytes = decimal(match[3])
        host = {"read": "host_bytes_read", "write": "host_bytes_written"}.get(operation)
        if host and gigabytes is not None:
            said.values.setdefault(host, round(gigabytes * 1e9))
    non_medium = count(first(report.fields, "non-medium error count") or "")
    said.put("non_medium_errors", non_medium, limit=_MOST_ERRORS)


def _life(report: Report, said: Said) -> None:
    fields = report.fields
    said.put("grown_defects", count(first(fields, "elements in grown defect list") or ""), limit=_MOST_ERRORS)
    said.put("wear_percent_used", count(first(fields, "percentage used endurance indicator") or ""), limit=255)
    pending = report.any_line("Pending defect count")
    if pending and (found := re.search(r"count:\s*(\d+)", pending)):
        said.put("pending", int(found[1]), limit=_MOST_ERRORS)
    said.put("power_on_hours", _hours(report), limit=MOST_HOURS, code="hours-implausible")


def _hours(report: Report) -> int | None:
    """Hours in any wording: `hours:minutes 146:02`, `number of hours powered up = 8347.20`, minutes since format."""
    for line in report.lines:
        if found := re.search(r"power on time, hours:minutes\s+(\d+):(\d\d)", line, re.I):
            return int(found[1])
        if found := re.search(r"number of hours powered up\s*=\s*([\d.,]+)", line, re.I):
            hours = decimal(found[1])
            return None if hours is None else int(hours)
        if found := re.search(r"power on minutes since format\s*=\s*(\d+)", line, re.I):
            return int(found[1]) // 60
    return None


def _temperature(report: Report, said: Said) -> None:
    text = first(report.fields, "current drive temperature")
    if text is None and (line := report.any_line("Current temperature =")):
        text = line.partition("=")[2]
    degrees = count(text or "")
    said.values["temperature_celsius"] = within(degrees, 1, 120)
    if degrees is not None and said.values["temperature_celsius"] is None:
        said.miss("temperature-implausible", f"The drive says {degrees} °C as its temperature.")
    trip = count(first(report.fields, "drive trip temperature") or "")
    said.drive["temperature_limit_celsius"] = within(trip, 40, 110)


def _sense(report: Report, said: Said) -> None:
    """Informational exceptions: 5D is a failure prediction (5D/FF only a test of one), 0B/01 is too hot (SPC)."""
    for line in report.lines:
        match = _SENSE.search(line)
        if not match:
            continue
        code, qualifier = int(match[1], 16), int(match[2], 16)
        if code == 0x5D:
            said.values.setdefault("failure_prediction", f"5d/{qualifier:02x}")
            if qualifier == 0xFF:
                said.miss("prediction-test", "The drive shows sense 5D/FF.")
        elif (code, qualifier) == (0x0B, 0x01):
            said.values["critical_warnings"] = ("temperature",)
