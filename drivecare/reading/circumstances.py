"""The circumstances of a report: the day it was made, and the way it took from the drive."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone
from typing import NamedTuple

import msgspec

from drivecare.clock import format_timestamp
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.families import pattern_of
from drivecare.reading.gaps import GapNotes
from drivecare.reading.model import Drive, RawReport, Values
from drivecare.reading.report_text import Report

_BRIDGE = re.compile(r"(?:(/dev/\S+?): )?(?:Unknown|Unsupported) USB bridge \[([^\]]+)\]", re.I)
_LOCAL_TIME = re.compile(r"[A-Z][a-z]{2} ([A-Z][a-z]{2}) +(\d{1,2}) (\d\d:\d\d:\d\d) (\d{4}) ?(\S*)$")
_ZONES = {
    "UTC": 0, "GMT": 0, "WET": 0, "WEST": 1, "CET": 1, "CEST": 2, "EET": 2, "EEST": 3, "MSK": 3,
    "EST": -5, "EDT": -4, "CDT": -5, "MST": -7, "MDT": -6, "PST": -8, "PDT": -7, "JST": 9,
}  # fmt: skip
_BORN = {"sata": 2003, "nvme": 2011}  # Serial ATA 1.0a, NVM Express 1.0


class UnknownBridge(NamedTuple):
    """A USB bridge that the backend does not know, and the path at which it was asked."""

    path: str | None
    chip: str


def find_unknown_bridge(report: Report) -> UnknownBridge | None:
    """The bridge that let no report through; None where there is one."""
    match = next((match for line in report.lines if (match := _BRIDGE.search(line))), None)
    return UnknownBridge(match[1], match[2]) if match else None


def read_local_time(report: Report, read_at: str | None) -> str | None:
    """`Sat Jul 24 16:19:15 2021 PDT` as ISO 8601, where nobody says when it was and the zone's name leaves no doubt."""
    moment, zone = _printed_time(report) or (None, "")
    if read_at or moment is None or zone not in _ZONES:
        return read_at or None
    return format_timestamp(moment.replace(tzinfo=timezone(timedelta(hours=_ZONES[zone]))))


def read_zoneless_time(report: Report, read_at: str | None) -> str | None:
    """The printed time and its zone, as they stand there, where nobody knows that zone: `2021-07-24T16:19:15 BST`."""
    printed = None if read_at else _printed_time(report)
    return None if printed is None else f"{format_timestamp(printed[0])} {printed[1]}"


def _printed_time(report: Report) -> tuple[datetime, str] | None:
    match = _LOCAL_TIME.match(" ".join((report.first("local time is") or "").split()))
    try:
        moment = match and datetime.strptime(f"{match[2]} {match[1]} {match[4]} {match[3]}", "%d %b %Y %H:%M:%S")
        return (moment, match[5]) if match and moment else None
    except ValueError:
        return None


def drop_impossible_hours(report: Report, drive: Drive, values: Values, read_at: str | None, gaps: GapNotes) -> Values:
    """Drop hours that no drive of its kind can have run by the day of the report: minutes, most likely."""
    hours, year = values.power_on_hours, (read_at or "")[:4]
    kind = "nvme" if drive.protocol == "nvme" else "sata" if "sata version is" in report.fields else ""
    if hours is None or not kind or not year.isdecimal() or int(year) <= _BORN[kind] + 5:
        return values  # a clock that far back is not set
    if hours <= (int(year) + 1 - _BORN[kind]) * HOURS_PER_YEAR:
        return values
    gaps.note("hours-implausible", f"power on hours: {hours:,} is more than such a drive can have run by {year}.")
    return msgspec.structs.replace(values, power_on_hours=None)


def add_machine_facts(raw: RawReport, drive: Drive, gaps: GapNotes) -> Drive:
    """Add hidden sectors and the size of those presented; note where a bridge changes it, or some are hidden."""
    logical, attached = drive.logical_sector_bytes, raw.attached_sector_bytes
    if attached and logical and attached != logical:
        gaps.note(
            "sector-size-bridged",
            f"The drive has {logical}-byte sectors but is presented with {attached}-byte ones.",
        )
    native, visible = raw.native_capacity_bytes or drive.native_capacity_bytes, drive.capacity_bytes
    if native and visible and native > visible and drive.protocol != "nvme":
        gaps.note("capacity-hidden", f"{native - visible:,} bytes at the end of the drive are hidden.")
    return msgspec.structs.replace(drive, attached_sector_bytes=attached, native_capacity_bytes=native)


def note_controller(raw: RawReport, transport: str | None, gaps: GapNotes) -> None:
    """Note that the drive was read through a RAID controller."""
    driver = pattern_of("raid-driver")
    option, answer = rf"\b(?:{driver}),[\d,/]+", rf"(?<=\[)(?:{driver})_disk_[\d_]+(?=\])"
    if member := re.search(option, transport or "") or re.search(answer, raw.text):
        gaps.note("behind-controller", f"It was read through a RAID controller ({member[0]}).")
