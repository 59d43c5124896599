"""A report's text as a reading. Pure: the same text and circumstances give the same reading.

The decoder is the table of its steps, in the order in which they are taken: what each needs, and what becomes of its
answer. Of two steps that tell one value, the earlier counts.
"""

from __future__ import annotations

import re
from itertools import pairwise

import msgspec

from drivecare.errors import BadInput, NoDrive
from drivecare.reading import ata, circumstances, drive_fields, health, logs, missing, nvme, scsi
from drivecare.reading.attributes import read_attribute_table
from drivecare.reading.backend_json import printed_text
from drivecare.reading.circumstances import UnknownBridge
from drivecare.reading.draft import Draft, Step
from drivecare.reading.model import Drive, RawReport, Reading
from drivecare.reading.own_verdict import read_verdict
from drivecare.reading.report_text import Report
from drivecare.reading.transit import restore_lines
from drivecare.reading.unreadable import read_unreadable_lbas

_MOST_BANNER = 4  # lines of a banner, up to the first heading
_HEADING = re.compile(r"^\s*=+ START OF INFORMATION SECTION", re.I)
_BANNER = re.compile(r"^\s*(?:#.*)?smartctl (?:version )?\d", re.I)


def refuse_nameless(report: Report, drive: Drive, bridge: UnknownBridge | None) -> None:
    """Raise NoDrive where nothing names a drive, nor anything that stands in front of one."""
    # A bridge that passes no commands through answers, but does not say what is behind it.
    silent = report.any_line("Read Device Identity failed", "Unable to detect device type")
    if drive.model or drive.serial or drive.virtual or bridge or silent:
        return
    if report.first("lu wwn device id", "logical unit id"):
        return
    if line := report.any_line("open device:", "Permission denied", "No such device", "No such file"):
        raise NoDrive(f"the report names no drive; it says: {line[:120]}", hint="Read the drive again.")
    raise NoDrive(
        "the text names no drive",
        hint="Give the whole report, with the part that names model and serial number.",
    )


# fmt: off
WHICH_DRIVE = (
    Step(circumstances.find_unknown_bridge,   "report",                    fills="bridge"),
    Step(drive_fields.find_protocol,          "report",                    fills="protocol"),
    Step(drive_fields.describe,               "report protocol gaps",      fills="drive"),
    Step(drive_fields.find_stand_in,          "report drive",              fills="drive.virtual"),
    Step(refuse_nameless,                     "report drive bridge"),
    Step(drive_fields.identify,               "report drive",              fills="drive.identity"),
)
ATA = (
    Step(read_attribute_table,                "report drive gaps",         fills="table"),
    Step(logs.read_ata_errors,                "report gaps",               fills="errors"),
    Step(logs.count_errors,                   "errors gaps",               completes="values"),
    Step(logs.read_selftests,                 "report gaps",               fills="selftests"),
    Step(logs.tell_newest_selftest,           "selftests",                 completes="values"),
    Step(logs.read_statistics,                "report",                    fills="statistics"),
    Step(logs.read_pending_defects,           "report",                    completes="values"),
    Step(logs.read_link_errors,               "report gaps",               completes="values"),
    Step(ata.read_counters,                   "table drive gaps",          completes="values"),
    Step(ata.read_hours,                      "table statistics gaps",     completes="values"),
    Step(ata.read_ata_temperature,            "report table gaps",         completes="values"),
    Step(ata.read_standard_values,            "statistics drive",          completes="values"),
    Step(ata.count_the_worse,                 "table statistics values",   fills="values"),
    Step(ata.read_temperature_limit,          "report table statistics",   fills="drive.temperature_limit_celsius"),
    Step(health.ata_tells_health,             "table statistics",          fills="health"),
    Step(drive_fields.find_kind,              "report drive table gaps",   fills="drive.kind"),
    Step(ata.note_missing_rows,               "table drive values gaps"),
    Step(ata.read_written_and_read,           "table drive values gaps",   completes="values"),
    Step(ata.read_wear_and_spare,             "table drive values gaps",   completes="values"),
)
NVME = (
    Step(nvme.complete_sizes,                 "report drive",              fills="drive"),
    Step(nvme.read_health_log,                "report gaps",               completes="values"),
    Step(health.nvme_tells_health,            "values",                    fills="health"),
    Step(logs.read_nvme_errors,               "report",                    fills="errors"),
    Step(logs.read_selftests,                 "report gaps",               fills="selftests"),
    Step(logs.tell_newest_selftest,           "selftests",                 completes="values"),
    Step(drive_fields.find_kind,              "report drive table gaps",   fills="drive.kind"),
)
SCSI = (
    Step(scsi.read_error_counters,            "report gaps",               completes="values"),
    Step(scsi.read_life,                      "report gaps",               completes="values"),
    Step(scsi.read_scsi_temperature,          "report gaps",               completes="values"),
    Step(scsi.read_trip_temperature,          "report",                    fills="drive.temperature_limit_celsius"),
    Step(scsi.read_sense,                     "report gaps",               completes="values"),
    Step(logs.read_selftests,                 "report gaps",               fills="selftests"),
    Step(logs.tell_newest_selftest,           "selftests",                 completes="values"),
    Step(scsi.read_background_scan,           "report",                    completes="values"),
    Step(health.scsi_tells_health,            "values",                    fills="health"),
    Step(scsi.note_unread_counters,           "report values health gaps"),
    Step(drive_fields.find_kind,              "report drive table gaps",   fills="drive.kind"),
)
WHATEVER_THE_PROTOCOL = (
    Step(circumstances.read_local_time,       "report read_at",            fills="read_at"),
    Step(circumstances.read_zoneless_time,    "report read_at",            fills="zoneless_time"),
    Step(circumstances.drop_impossible_hours, "report drive values read_at gaps", fills="values"),
    Step(circumstances.add_machine_facts,     "raw drive gaps",            fills="drive"),
    Step(circumstances.note_controller,       "raw transport gaps"),
    Step(read_unreadable_lbas,                "report selftests drive",    fills="unreadable_lbas"),
    Step(read_verdict,                        "report drive values",       fills="verdict"),
    Step(missing.note_barriers,               "drive bridge gaps"),
    Step(missing.note_failed_reads,           "report gaps"),
    Step(missing.note_exit_status,            "raw health gaps"),
    Step(missing.note_missing_verdict,        "verdict values gaps"),
    Step(missing.note_weak_identity,          "drive gaps"),
    Step(health.note_missing_health,          "health verdict values gaps"),
)
# fmt: on
BY_PROTOCOL = {"ata": ATA, "nvme": NVME, "scsi": SCSI, None: ATA}


def decode_report(
    report: str | RawReport, *, read_at: str | None = None, path: str | None = None, transport: str | None = None
) -> Reading:
    """Decode a drive's report: its text alone, from a mail, or with what the machine knew beside it.

    `read_at` (ISO 8601) defaults to the time the report names where its zone is known. Raises NoDrive where the text
    names no drive, BadInput where it names several; nothing else.
    """
    raw = RawReport(text=report) if isinstance(report, str) else report
    raw = msgspec.structs.replace(raw, text=raw.text.encode("utf-8", "replace").decode("utf-8"))
    lines = restore_lines(printed_text(raw.text))
    _refuse_several_drives(lines)
    draft = Draft(raw, Report.of_lines(lines), read_at, transport)
    draft.take(WHICH_DRIVE)
    draft.take(BY_PROTOCOL[draft.protocol])
    draft.take(WHATEVER_THE_PROTOCOL)
    return draft.reading(path)


def split_reports(text: str) -> tuple[str, ...]:
    """The reports in one text, of one drive at several times. Raises BadInput where they are of several drives."""
    lines = restore_lines(printed_text(text))
    _refuse_several_drives(lines)
    reports = _group_reports(lines)
    return tuple("\n".join(report).strip("\n") + "\n" for _, report in reports) if len(reports) > 1 else (text,)


def _begins_report(lines: list[str]) -> bool:
    """Whether a report begins with the last of these lines: at its banner, or at its first heading without one."""
    *before, line = lines
    return bool(_BANNER.match(line) or (_HEADING.match(line) and not any(map(_BANNER.match, before))))


def _group_reports(lines: list[str]) -> list[tuple[tuple[str, str] | None, list[str]]]:
    """Each report with the drive it names, from one banner to the next; a part that names none belongs to the last."""
    starts = [
        0,
        *(at for at in range(1, len(lines)) if _begins_report(lines[max(0, at - _MOST_BANNER) : at + 1])),
        len(lines),
    ]
    reports: list[tuple[tuple[str, str] | None, list[str]]] = []
    for part in (lines[start:end] for start, end in pairwise(starts)):
        report = Report.of_lines(part)
        model, serial = report.first("device model", "model number", "product"), report.first("serial number")
        drive = (model, serial) if model and serial else None
        if reports and (drive is None or reports[-1][0] is None):
            before, earlier = reports.pop()
            drive, part = before or drive, earlier + part
        reports.append((drive, part))
    return reports


def _refuse_several_drives(lines: list[str]) -> None:
    """Raise BadInput where one text holds the reports of several drives: their values would mix."""
    drives = list(dict.fromkeys(drive for drive, _ in _group_reports(lines) if drive))
    if len(drives) > 1:
        serials = ", ".join(serial for _, serial in drives[:4])
        raise BadInput(
            f"holds the reports of {len(drives)} drives (serial numbers {serials})",
            hint="Save each drive's report in a file of its own.",
        )
