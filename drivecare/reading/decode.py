"""A report's text as a reading. Pure: the same text and circumstances give the same reading."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone

import msgspec

from drivecare.errors import BadInput, NoDrive
from drivecare.reading import ata, drive_fields, nvme, scsi
from drivecare.reading.draft import Report, Said
from drivecare.reading.model import Drive, DriveSays, Protocol, RawReport, Reading, Values
from drivecare.reading.report_text import fields_of, first, lines_of

_FAILED_TESTS = frozenset({"not-completed", "unknown-element", "electrical", "servo", "read", "handling-damage"})
_BRIDGE = re.compile(r"(?:(/dev/\S+?): )?(?:Unknown|Unsupported) USB bridge \[([^\]]+)\]", re.I)
_BANNER = re.compile(r"^\s*(?:#.*)?smartctl (?:version )?\d", re.I)
_LOCAL_TIME = re.compile(r"[A-Z][a-z]{2} ([A-Z][a-z]{2}) +(\d{1,2}) (\d\d:\d\d:\d\d) (\d{4}) ?(\S*)$")
_ZONES = {
    "UTC": 0, "GMT": 0, "WET": 0, "WEST": 1, "CET": 1, "CEST": 2, "EET": 2, "EEST": 3, "MSK": 3,
    "EST": -5, "EDT": -4, "CDT": -5, "MST": -7, "MDT": -6, "PST": -8, "PDT": -7, "JST": 9,
}  # fmt: skip
_BORN = {"sata": 2003, "nvme": 2011}  # Serial ATA 1.0a, NVM Express 1.0
_HOURS_PER_YEAR = 8766
_MEMBER = re.compile(r"\b(?:megaraid|cciss|3ware|areca|aacraid|hpt),[\d,/]+")
_MEMBER_LINE = re.compile(r"(?<=\[)(?:megaraid|cciss|3ware|areca|aacraid|hpt)_disk_[\d_]+(?=\])")
_VERDICT = re.compile(r"(?:overall-health self-assessment test result|SMART Health Status):\s*(\S.*?)\s*$", re.I)
_QUALIFIERS = (
    ("result is based on an attribute check", "attribute check only"),
    ("smart status not supported", "status not returned"),
    ("smart status command failed", "status not returned"),
    ("expected in less than 24 hours", "failure expected within 24 hours"),
    ("no failed attributes found", "no attribute has failed"),
    ("attribute list for failed attributes", "attributes have failed"),
    ("failed attributes:", "attributes have failed"),
    ("marginal attributes", "attributes failed in the past"),
    ("attributes and thresholds cannot be read", "attributes not read"),
    ("specified temperature exceeded", "temperature exceeded"),
)


def decode_report(
    report: str | RawReport, *, read_at: str | None = None, path: str | None = None, transport: str | None = None
) -> Reading:
    """A drive's report as a reading: its text alone, from a mail, or with what the machine knew beside it.

    `read_at` (ISO 8601) defaults to the time the report names where its zone is known. Raises NoDrive where the text
    names no drive, BadInput where it names several; nothing else.
    """
    raw = RawReport(text=report) if isinstance(report, str) else report
    raw = msgspec.structs.replace(raw, text=raw.text.encode("utf-8", "replace").decode("utf-8"))
    return _decode(raw, read_at=read_at, path=path, transport=transport)


def _decode(raw: RawReport, *, read_at: str | None, path: str | None, transport: str | None) -> Reading:
    lines = lines_of(raw.text)
    _one_drive(lines)
    report = Report(lines, fields_of(lines))
    protocol = drive_fields.protocol_of(report)
    blocked = next((match for line in lines if (match := _BRIDGE.search(line))), None)
    said = Said()
    drive_fields.describe(report, protocol, said)
    said.drive["virtual"] = drive_fields.virtual(report, protocol, said.drive)
    _require_drive(report, said, named=bool(blocked or said.drive["virtual"] or _refused_identity(report)))
    hidden = protocol == "scsi" and not _native_scsi(report, said)
    said.drive["identity"] = drive_fields.identity(report, protocol, said.drive, hidden=hidden)
    _decode_protocol(report, protocol, said)
    read_at = read_at or _local_time(report)
    _older_than_its_kind(said, report, read_at)
    _circumstances(said, raw)
    if member := _MEMBER.search(transport or "") or _MEMBER_LINE.search(raw.text):
        said.miss("behind-controller", f"It was read through a RAID controller ({member[0]}).")
    says, words, qualifiers = _verdict(report, said)
    _gaps(report, said, says, words, exit_status=raw.exit_status, bridge=blocked[2] if blocked else None)
    return Reading(
        read_at=read_at,
        path=path or (blocked[1] if blocked else None),
        transport=transport,
        bridge=raw.bridge or (blocked[2] if blocked else None),
        drive_says=says,
        drive_says_words=words,
        qualifiers=qualifiers,
        drive=Drive(**said.drive),
        values=Values(**said.values),
        attributes=said.attributes,
        selftests=said.selftests,
        errors=said.errors,
        statistics=dict(sorted(said.statistics.items())),
        gaps=tuple(said.gaps),
        raw=raw,
    )


def _one_drive(lines: list[str]) -> None:
    """BadInput where several reports of different drives were put into one text: their values would mix."""
    drives: list[tuple[str | None, str | None]] = []
    segment: list[str] = []
    for line in [*lines, None]:
        if line is None or _BANNER.match(line):
            fields = fields_of(segment)
            found = (first(fields, "device model", "model number", "product"), first(fields, "serial number"))
            if all(found) and found not in drives:
                drives.append(found)
            segment = []
        if line is not None:
            segment.append(line)
    if len(drives) > 1:
        names = ", ".join(str(serial) for _, serial in drives[:4])
        raise BadInput(
            f"it holds the reports of {len(drives)} drives (serial numbers {names})",
            hint="Save each drive's report in a file of its own.",
        )


def _refused_identity(report: Report) -> bool:
    """Something answered but would not say who it is: a bridge that passes no commands through."""
    return report.any_line("Read Device Identity failed", "Unable to detect device type") is not None


def _require_drive(report: Report, said: Said, *, named: bool) -> None:
    known = said.drive["model"] or said.drive["serial"] or first(report.fields, "lu wwn device id", "logical unit id")
    if known or named:
        return
    hint = "Give the whole report, with the part that names model and serial number."
    if line := report.any_line("open device:", "Permission denied", "No such device", "No such file"):
        raise NoDrive(f"the report names no drive, it says: {line[:120]}", hint="Read the drive again.")
    raise NoDrive("the text names no drive", hint=hint)


def _native_scsi(report: Report, said: Said) -> bool:
    """Whether a SCSI answer comes from the drive itself: it names a SCSI transport, or speaks of its own defects."""
    if said.drive["virtual"]:
        return False
    transport = (first(report.fields, "transport protocol") or "").lower()
    if re.search(r"sas|fibre|fc|spi|parallel|ssa|1394|nvme|pcie", transport):
        return True
    return report.any_line("Elements in grown defect list", "Errors Corrected by") is not None


def _decode_protocol(report: Report, protocol: Protocol | None, said: Said) -> None:
    if protocol == "nvme":
        nvme.decode(report, said)
    elif protocol == "scsi":
        scsi.decode(report, said)
    else:
        ata.decode(report, said)
    said.drive["kind"] = drive_fields.kind_of(report, said)
    if protocol not in ("nvme", "scsi"):
        ata.finish(said)


def _older_than_its_kind(said: Said, report: Report, read_at: str | None) -> None:
    """Drop hours that no drive of its kind can have run by the day of the report: minutes, most likely."""
    hours, year = said.values.get("power_on_hours"), (read_at or "")[:4]
    kind = "nvme" if said.drive["protocol"] == "nvme" else "sata" if "sata version is" in report.fields else ""
    if hours is None or not kind or not year.isdecimal() or int(year) <= _BORN[kind] + 5:
        return  # a clock that far back is not set
    if hours > (int(year) + 1 - _BORN[kind]) * _HOURS_PER_YEAR:
        said.values["power_on_hours"] = None
        said.miss("hours-implausible", f"power on hours: {hours:,} is more than such a drive can have run by {year}.")


def _circumstances(said: Said, raw: RawReport) -> None:
    """What the machine knew beside the report: hidden sectors, and sectors that a bridge presents in another size."""
    logical, visible = said.drive.get("logical_sector_bytes"), said.drive.get("capacity_bytes")
    attached = said.drive["attached_sector_bytes"] = raw.attached_sector_bytes
    if attached and logical and attached != logical:
        said.miss(
            "sector-size-bridged",
            f"The drive has {logical}-byte sectors but is presented with {attached}-byte ones.",
        )
    if raw.native_capacity_bytes:
        said.drive["native_capacity_bytes"] = raw.native_capacity_bytes
    native = said.drive.get("native_capacity_bytes")
    if native and visible and native > visible and said.drive["protocol"] != "nvme":
        said.miss("capacity-hidden", f"{native - visible:,} bytes at the end of the drive are hidden.")


def _verdict(report: Report, said: Said) -> tuple[DriveSays, str | None, tuple[str, ...]]:
    """(the drive's own verdict, its words, what weakens or explains it)."""
    words = None
    for line in report.lines:
        if match := _VERDICT.search(line):
            words = match[1]
            break
    says = _in_a_word((words or "").lower(), said)
    qualifiers = tuple(dict.fromkeys(meaning for phrase, meaning in _QUALIFIERS if report.any_line(phrase)))
    return says, words, qualifiers


def _in_a_word(words: str, said: Said) -> DriveSays:
    """The verdict as passed, failing or silent, whatever its wording.

    NVMe knows no overall verdict: the backend words one from the warning bits, and calls an overheated drive failed.
    There only the bits that mean failure (reliability, read-only) are taken for one; the others speak for themselves.
    """
    if re.match(r"passed|ok\b", words):
        return "passed"
    prediction = said.values.get("failure_prediction")
    if prediction is not None:
        return "silent" if prediction == "5d/ff" else "failing"
    if not words.startswith("fail"):
        return "silent"
    warnings = set(said.values.get("critical_warnings") or ())
    harmless = said.drive["protocol"] == "nvme" and warnings and not warnings & {"reliability", "read-only"}
    return "silent" if harmless else "failing"


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


def _gaps(
    report: Report, said: Said, says: DriveSays, words: str | None, *, exit_status: int | None, bridge: str | None
) -> None:
    """Everything that is missing, beside what the protocols noted."""
    if bridge:
        said.miss("bridge-blocked", f"The USB bridge {bridge} is not known, and not one value came through.")
    if said.drive["virtual"]:
        said.miss("raid-virtual", f"This is {said.drive['virtual']}, not a drive.")
    if said.drive["smart"] == "off":
        said.miss("smart-off", "SMART is switched off on this drive.")
    elif said.drive["smart"] == "unsupported" and not said.drive["virtual"]:
        said.miss("smart-unsupported", "The report says that the device has no SMART.")
    for line in report.lines:
        if "invalid" in line.lower() and "checksum" in line.lower():
            code = next((code for part, code in _CHECKSUMS if re.search(part, line, re.I)), "checksum-log")
            said.miss(code, line.strip().removeprefix("Warning! ") + ("" if line.rstrip().endswith(".") else "."))
        elif _READ_FAILURES.match(line.strip()):
            said.miss("command-failed", line.strip()[:160].rstrip(".") + ".")
    if report.any_line("is in STANDBY", "is in SLEEP mode", "Device is in STANDBY mode"):
        said.miss("standby", "The drive was in standby and was not woken.")
    if exit_status is not None and exit_status & 0b111:
        _exit_status(said, exit_status)
    if says == "silent" and not said.values.get("critical_warnings") and "failure_prediction" not in said.values:
        said.miss("status-missing", f"The drive's own verdict is {words or 'not in the report'}.")
    if said.drive["identity"].strength == "weak":
        said.miss("identity-weak", "The model and serial number may be the bridge's, not the drive's.")
    newest = said.values.get("last_selftest")
    alarm = says == "failing" or (newest is not None and newest.result in _FAILED_TESTS)
    alarm = alarm or bool({"reliability", "read-only"} & set(said.values.get("critical_warnings") or ()))
    if not said.health and not alarm and not any(known.blocks for known in said.gaps):
        said.miss("no-health-data", "There is no health data in this report that could be judged.")


def _exit_status(said: Said, status: int) -> None:
    """Bits 0 to 2 of the backend's exit status: what it could not do."""
    if status & 0b011 and not said.health:
        said.miss("open-failed", f"The drive could not be opened or asked (status {status}).")
    if status & 0b100:
        said.miss("command-failed", f"Some command to the drive failed or an answer was damaged (status {status}).")


def _local_time(report: Report) -> str | None:
    """`Sat Jul 24 16:19:15 2021 PDT` as ISO 8601, where the zone's name leaves no doubt."""
    match = _LOCAL_TIME.match(" ".join((first(report.fields, "local time is") or "").split()))
    if not match or match[5] not in _ZONES:
        return None
    try:
        moment = datetime.strptime(f"{match[2]} {match[1]} {match[4]} {match[3]}", "%d %b %Y %H:%M:%S")
        return moment.replace(tzinfo=timezone(timedelta(hours=_ZONES[match[5]]))).isoformat()
    except ValueError:
        return None
