"""NVMe drives: the health log (log 02h) and the self-test log (log 06h) as values."""

from __future__ import annotations

import re

from drivecare.reading import logs
from drivecare.reading.counters import MOST_HOURS
from drivecare.reading.draft import Report, Said
from drivecare.reading.locale_numbers import count, within
from drivecare.reading.report_text import first

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
_LARGEST = 1 << 63
_DATA_UNIT_BYTES = 512_000  # 1000 x 512 (NVMe base specification, data units read)


def decode(report: Report, said: Said) -> None:
    """Fill `said` from an NVMe report."""
    _sizes(report, said)
    _health(report, said)
    logs.nvme_errors(report, said)
    logs.selftests(report, said)


def _sizes(report: Report, said: Said) -> None:
    fields = report.fields
    number = said.drive["identity"].namespace or 1
    total = count(first(fields, "total nvm capacity") or "")
    visible = count(first(fields, f"namespace {number} size/capacity", f"namespace {number} size") or "")
    said.drive["capacity_bytes"] = visible or total or said.drive.get("capacity_bytes")
    if total:
        said.drive["native_capacity_bytes"] = total
    sector = within(count(first(fields, f"namespace {number} formatted lba size") or ""), 256, 1 << 16)
    said.drive["logical_sector_bytes"] = sector
    for label in ("warning comp. temp. threshold", "critical comp. temp. threshold"):
        # Limits of 120 and 130 C are met: a maker's nonsense, no limit of the drive.
        limit = within(count(first(fields, label) or ""), 40, 105)
        if limit is not None:
            said.drive.setdefault("temperature_limit_celsius", limit)


def _health(report: Report, said: Said) -> None:
    fields = report.fields

    def number(*labels: str) -> int | None:
        return count(first(fields, *labels) or "")

    said.values["critical_warnings"] = _warnings(report)
    temperature = _degrees(first(fields, "temperature") or "")
    said.values["temperature_celsius"] = within(temperature, 1, 120)
    if temperature is not None and said.values["temperature_celsius"] is None:
        said.miss("temperature-implausible", f"The drive says {temperature} °C as its temperature.")
    said.put("available_spare_percent", number("available spare"), limit=100)
    said.put("spare_threshold_percent", number("available spare threshold"), limit=100)
    said.put("wear_percent_used", number("percentage used"), limit=255)
    said.put("media_errors", number("media and data integrity errors"), limit=_LARGEST)
    said.put("error_log_count", number("error information log entries"), limit=_LARGEST)
    said.put("power_cycles", number("power cycles"), limit=100_000_000)
    said.put("unsafe_shutdowns", number("unsafe shutdowns"), limit=100_000_000)
    said.put("power_on_hours", number("power on hours"), limit=MOST_HOURS, code="hours-implausible")
    said.put("warning_temperature_minutes", number("warning comp. temperature time"), limit=MOST_HOURS * 60)
    said.put("critical_temperature_minutes", number("critical comp. temperature time"), limit=MOST_HOURS * 60)
    for value, label in (("host_bytes_written", "data units written"), ("host_bytes_read", "data units read")):
        units = number(label)
        if units is not None:
            said.put(value, units * _DATA_UNIT_BYTES, limit=10**20)
    present = [said.values.get(name) for name in ("available_spare_percent", "wear_percent_used", "media_errors")]
    said.health = sum(value is not None for value in present) >= 2
    if said.health and said.values.get("media_errors") is None:
        said.miss("count-unread", "The count of media errors did not come through.")
    life = [number(f"power {name}") for name in ("on hours", "cycles")]
    life += [number(f"data units {name}") for name in ("read", "written")] + [temperature]
    if said.health and life == [0] * len(life) and not said.values["critical_warnings"]:
        said.health = False
        said.values.clear()
        said.miss("table-junk", "The health log is hollow: no hours, no power cycles, nothing read or written.")


def _degrees(text: str) -> int | None:
    """Whole degrees; a sensor that is not there gives 0 kelvin, which is -273 C."""
    text = text.strip()
    degrees = count(text.removeprefix("-"))
    return -degrees if degrees is not None and text.startswith("-") else degrees


def _warnings(report: Report) -> tuple[str, ...] | None:
    """Names of the warning bits, from the byte and from the sentences that spell them out."""
    names: set[str] = set()
    text = first(report.fields, "critical warning")
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
