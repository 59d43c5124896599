"""What is missing from a report as a whole, beside what its parts noted."""

from __future__ import annotations

import re

from drivecare.reading.circumstances import UnknownBridge
from drivecare.reading.gaps import GapNotes
from drivecare.reading.health import stand_in_code
from drivecare.reading.model import Drive, RawReport, Values
from drivecare.reading.own_verdict import OwnVerdict
from drivecare.reading.report_text import Report

_CHECKSUMS = (
    (r"Attribute Data Structure", "checksum-data"),
    (r"Attribute Thresholds Structure", "checksum-thresholds"),
    (r"Drive Identity Structure", "checksum-identity"),
    (r"Log Structure", "checksum-log"),
)
_READ_FAILURES = re.compile(
    r"^(?:Read .* failed\b|Error .* Read failed|.*Log Sense failed|.*Log read failed|.*mandatory SMART command failed|"
    r"SMART Status command failed)",
    re.I,
)


def note_barriers(drive: Drive, bridge: UnknownBridge | None, gaps: GapNotes) -> None:
    """Note what keeps the drive's health from being read at all."""
    if bridge:
        gaps.note("bridge-blocked", f"The USB bridge {bridge.chip} is unknown, and no values came through.")
    if drive.virtual:
        gaps.note(stand_in_code(drive.virtual), f"This is {drive.virtual}, not a drive.")
    if drive.smart == "off":
        gaps.note("smart-off", "SMART is switched off on this drive.")
    elif drive.smart == "unsupported" and not drive.virtual:
        gaps.note("smart-unsupported", "The report says that the device has no SMART.")


def note_failed_reads(report: Report, gaps: GapNotes) -> None:
    """Note checksums that do not match, commands that failed, and a drive that was asleep."""
    for line in report.lines:
        if "invalid" in line.lower() and "checksum" in line.lower():
            code = next((code for part, code in _CHECKSUMS if re.search(part, line, re.I)), "checksum-log")
            gaps.note(code, line.strip().removeprefix("Warning! ") + ("" if line.rstrip().endswith(".") else "."))
        elif _READ_FAILURES.match(line.strip()):
            gaps.note("command-failed", line.strip()[:160].rstrip(".") + ".")
    if report.any_line("is in STANDBY", "is in SLEEP mode", "Device is in STANDBY mode"):
        gaps.note("standby", "The drive was in standby and was not woken.")


def note_exit_status(raw: RawReport, health: bool, gaps: GapNotes) -> None:
    """Note what the backend could not do, by bits 0 to 2 of its exit status."""
    status = raw.exit_status or 0
    if status & 0b011 and not health:
        gaps.note("open-failed", f"The drive could not be opened or asked (status {status}).")
    if status & 0b100:
        gaps.note("command-failed", f"Some command to the drive failed or an answer was damaged (status {status}).")


def note_missing_verdict(verdict: OwnVerdict, values: Values, gaps: GapNotes) -> None:
    """Note that the drive's own verdict did not come through, nor anything that stands in for it."""
    if verdict.says == "silent" and not values.critical_warnings and values.failure_prediction is None:
        gaps.note("status-missing", f"The drive's own verdict is {verdict.words or 'not in the report'}.")


def note_weak_identity(drive: Drive, gaps: GapNotes) -> None:
    """Note that a bridge, or the one who wrote the text, may have named another drive."""
    if drive.named_by_hand:
        gaps.note("named-by-hand", "Model and serial number were written by hand above the data, not by the drive.")
    elif drive.identity.strength == "weak":
        gaps.note("identity-weak", "The model and serial number may be the bridge's, not the drive's.")
