"""NVMe drives: the sizes of the namespace and the health log (log 02h) as values."""

from __future__ import annotations

import re

import msgspec

from drivecare.reading.counters import MOST_HOURS
from drivecare.reading.gaps import GapNotes
from drivecare.reading.health import nvme_tells_health
from drivecare.reading.locale_numbers import leading_count, within
from drivecare.reading.model import Drive, Namespace, Values
from drivecare.reading.report_text import Report

# Bits 0 to 5 of the critical warning byte (NVMe base specification, health log, byte 0).
WARNINGS = ("spare", "temperature", "reliability", "read-only", "power-backup", "persistent-memory")
_WARNING_LINES = (
    ("available spare has fallen", "spare"),
    ("temperature is above or below threshold", "temperature"),
    ("reliability has been degraded", "reliability"),
    ("placed in read only mode", "read-only"),
    ("volatile memory backup", "power-backup"),
    ("persistent memory region", "persistent-memory"),
)
# What every health log holds and a verdict rests on.
_HEALTH = {
    "critical_warnings": "drive's warnings",
    "available_spare_percent": "available spare",
    "wear_percent_used": "percentage used",
    "media_errors": "count of media errors",
}
_LIFE = ("power on hours", "power cycles", "data units read", "data units written")
_MOST_COUNTED = 1 << 63
_MOST_CYCLES = 100_000_000
_STARTS_OF_AN_HOUR = 100  # so many starts take longer than an hour (our judgement)
_NAMESPACE = re.compile(r"namespace (\d{1,5}) size")
_SENSOR = re.compile(r"temperature sensor \d")
_HOTTEST = 130  # a silicon sensor that reads more is broken or absent
_DATA_UNIT_BYTES = 512_000  # 1000 x 512 (NVMe base specification, data units read)


def complete_sizes(report: Report, drive: Drive) -> Drive:
    """The drive with the sizes of its namespace and its temperature limit."""
    number = drive.identity.namespace or 1
    total = report.count("total nvm capacity")
    namespaces = sorted({int(match[1]) for label in report.fields if (match := _NAMESPACE.match(label))})
    visible = report.count(f"namespace {number} size/capacity", f"namespace {number} size")
    # Limits of 120 and 130 C are met: a maker's nonsense, no limit of the drive.
    limits = [
        within(report.count(label), 40, 105)
        for label in ("warning comp. temp. threshold", "critical comp. temp. threshold")
    ]
    return msgspec.structs.replace(
        drive,
        capacity_bytes=visible or total or drive.capacity_bytes,
        native_capacity_bytes=total or drive.native_capacity_bytes,
        namespaces=tuple(
            Namespace(number=space, capacity_bytes=report.count(f"namespace {space} size/capacity"))
            for space in namespaces
        ),
        logical_sector_bytes=within(report.count(f"namespace {number} formatted lba size"), 256, 1 << 16),
        temperature_limit_celsius=next((limit for limit in limits if limit is not None), None),
    )


def read_health_log(report: Report, gaps: GapNotes) -> Values:
    """The health log; nothing where it is hollow."""

    def number(value: str, label: str, limit: int, *, unit: int = 1, code: str = "count-implausible") -> int | None:
        units = report.count(label)
        return gaps.possible(value, None if units is None else units * unit, limit=limit, code=code)

    celsius = _degrees(report.first("temperature") or "")
    if celsius is not None and not 1 <= celsius <= 120:
        gaps.note("temperature-implausible", f"The drive reports {celsius} °C as its temperature.")
    values = Values(
        critical_warnings=_warnings(report),
        temperature_celsius=within(celsius, 1, 120),
        hottest_sensor_celsius=_hottest_sensor(report),
        available_spare_percent=number("available_spare_percent", "available spare", 100),
        spare_threshold_percent=number("spare_threshold_percent", "available spare threshold", 100),
        wear_percent_used=number("wear_percent_used", "percentage used", 255),
        media_errors=number("media_errors", "media and data integrity errors", _MOST_COUNTED),
        error_log_count=number("error_log_count", "error information log entries", _MOST_COUNTED),
        power_cycles=number("power_cycles", "power cycles", _MOST_CYCLES),
        unsafe_shutdowns=number("unsafe_shutdowns", "unsafe shutdowns", _MOST_CYCLES),
        power_on_hours=number("power_on_hours", "power on hours", MOST_HOURS, code="hours-implausible"),
        warning_temperature_minutes=number(
            "warning_temperature_minutes", "warning comp. temperature time", MOST_HOURS * 60
        ),
        critical_temperature_minutes=number(
            "critical_temperature_minutes", "critical comp. temperature time", MOST_HOURS * 60
        ),
        host_bytes_written=number("host_bytes_written", "data units written", 10**20, unit=_DATA_UNIT_BYTES),
        host_bytes_read=number("host_bytes_read", "data units read", 10**20, unit=_DATA_UNIT_BYTES),
    )
    if not nvme_tells_health(values):
        return values
    for name, words in _HEALTH.items():
        if getattr(values, name) is None:
            gaps.note("count-unread", f"The {words} did not come through.")
    if values.power_on_hours == 0 and (values.power_cycles or 0) >= _STARTS_OF_AN_HOUR:
        gaps.note("hours-implausible", f"power on hours: 0, after {values.power_cycles:,} power cycles.")
        values = msgspec.structs.replace(values, power_on_hours=None)
    life = [report.count(label) for label in _LIFE] + [celsius]
    if life == [0] * len(life) and not values.critical_warnings:
        gaps.note("table-junk", "The health log is hollow: no hours, no power cycles, nothing read or written.")
        return Values()
    return values


def _hottest_sensor(report: Report) -> int | None:
    texts = [text for label, values in report.fields.items() if _SENSOR.match(label) for text in values]
    return max((degrees for text in texts if (degrees := within(_degrees(text), 1, _HOTTEST))), default=None)


def _degrees(text: str) -> int | None:
    """Whole degrees; a sensor that is not there gives 0 kelvin, which is -273 C."""
    text = text.strip()
    degrees = leading_count(text.removeprefix("-"))
    return -degrees if degrees is not None and text.startswith("-") else degrees


def _warnings(report: Report) -> tuple[str, ...] | None:
    """Names of the warning bits, from the byte and from the sentences that spell them out."""
    names: set[str] = set()
    text = report.first("critical warning")
    bits = int(text, 16) if text and re.fullmatch(r"0x[0-9a-f]{1,2}", text, re.I) else None
    for bit in range(8):
        if bits is not None and bits >> bit & 1:
            names.add(WARNINGS[bit] if bit < len(WARNINGS) else f"bit-{bit}")
    spelled = {name for phrase, name in _WARNING_LINES if report.any_line(f"- {phrase}", f"- nvm subsystem {phrase}")}
    spelled |= {name for phrase, name in _WARNING_LINES if report.any_line(f"- media has been {phrase}")}
    names |= spelled
    if bits is None and not spelled:
        return None
    order = (*WARNINGS, "bit-6", "bit-7")
    return tuple(sorted(names, key=order.index))
