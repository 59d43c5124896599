"""ATA drives: the attribute table and the logs as values."""

from __future__ import annotations

from drivecare.reading import logs, wear
from drivecare.reading.attributes import read_table
from drivecare.reading.counters import MOST_HOURS, attribute_rows
from drivecare.reading.draft import Report, Said
from drivecare.reading.locale_numbers import count, within
from drivecare.reading.model import Attribute

_MOST_SECTORS = 50_000_000
_MOST_EVENTS = 1 << 31
_SAME = 0.05  # two counts of one time that differ by less are the same


def decode(report: Report, said: Said) -> None:
    """Fill `said` from an ATA report."""
    read_table(report.lines, said, packed_rates=_packs_rates(said))
    logs.ata_errors(report, said)
    logs.selftests(report, said)
    logs.device_statistics(report, said)
    logs.pending_defects(report, said)
    logs.link_layer(report, said)
    if said.table_trusted:
        _counts(said)
        _hours(said)
        _temperature(report, said)
    _from_statistics(said)
    said.fill("pending", [said.values.get("pending_log_entries")])
    said.health = said.health or bool(
        said.statistics.keys() & {"reallocated", "reported_uncorrectable", "wear_percent_used"}
    )


def _counts(said: Said) -> None:
    largest: dict[str, int] = {}
    for counter in attribute_rows().counter:
        for row in said.attributes:
            if row.raw is not None and counter.matches(row):
                largest[counter.value] = max(row.raw, largest.get(counter.value, 0))
    for value, limit in attribute_rows().limits.items():
        said.put(value, largest.get(value), limit=limit)


def finish(said: Said) -> None:
    """What needs the drive's kind: wear, spare and amounts written."""
    if not said.table_trusted:
        return
    ssd = said.drive["kind"] == "ssd"
    if said.ends_in_table and not ssd and not any(row.id in (197, 198) for row in said.attributes):
        said.miss("count-unread", "The report ends in its table, before the sectors that cannot be read.")
    sector = said.drive.get("logical_sector_bytes") or 512
    label = f"{said.drive.get('family') or ''} {said.drive.get('model') or ''}"
    for value, direction in (("host_bytes_written", "writ"), ("host_bytes_read", "read")):
        total, doubt = wear.amount(said.attributes, direction, sector_bytes=sector, ssd=ssd)
        if total is not None:
            said.values.setdefault(value, total)
        elif doubt and value not in said.values:
            said.miss("writes-unknown", doubt)
    if not ssd:
        return
    if wear.values_say_nothing(said.attributes):
        used = None
    else:
        used = wear.percent_used(said.attributes, label)
        spare, threshold = wear.spare(said.attributes)
        said.fill("available_spare_percent", [spare])
        said.fill("spare_threshold_percent", [threshold])
    said.fill("wear_percent_used", [used])
    if said.values.get("wear_percent_used") is None and said.attributes:
        said.miss("wear-unknown", "No row tells how much of the rated endurance is used.")


def _packs_rates(said: Said) -> bool:
    label = f"{said.drive.get('family') or ''} {said.drive.get('model') or ''}".lower().lstrip()
    return "seagate" in label or label.startswith(("st1", "st2", "st3", "st4", "st5", "st6", "st8", "st9", "oos"))


def _hours(said: Said) -> None:
    """Hours of attribute 9, unless the standard statistics show it to be minutes, half-minutes or seconds."""
    found = [row.raw for row in said.attributes if row.id == 9]
    hours = next((raw for raw in found if raw is not None), None)
    standard = said.statistics.get("power_on_hours")
    if hours is not None and standard and any(abs(hours / standard / unit - 1) < _SAME for unit in (60, 120, 3600)):
        said.miss("hours-implausible", f"power on hours: {hours:,} in the table, {standard:,} in the statistics.")
        hours = None
    said.put("power_on_hours", hours, limit=MOST_HOURS, code="hours-implausible")


def _temperature(report: Report, said: Said) -> None:
    rows = [row for row in said.attributes if row.id in (194, 190, 231) and _is_temperature(row)]
    rows.sort(key=lambda row: (194, 190, 231).index(row.id))
    said.fill("temperature_celsius", (_plausible(row.raw) for row in rows))
    if rows and said.values.get("temperature_celsius") is None:
        said.miss("temperature-implausible", f"The drive says {rows[0].raw_text or 'nothing'} as its temperature.")
    for text in report.fields.get("current temperature", ()):
        said.fill("temperature_celsius", [_plausible(count(text))])
    for label in ("min/max recommended temperature", "min/max temperature limit"):
        for text in report.fields.get(label, ()):
            limit = within(count(text.partition("/")[2]), 40, 90)
            if limit is not None:
                said.drive.setdefault("temperature_limit_celsius", limit)


def _is_temperature(row: Attribute) -> bool:
    name = (row.name or "unknown").lower()
    return "temp" in name or (row.id in (194, 190) and "unknown" in name)


def _plausible(degrees: int | None) -> int | None:
    """A drive that works on a bench is neither at exactly 0 C, which means no sensor, nor far outside its ratings."""
    return within(degrees, -40, 120) or None


def _from_statistics(said: Said) -> None:
    """Standard device statistics speak where the maker's own table is silent or impossible, and always for wear."""
    got = said.statistics
    for value, name, limit in (
        ("power_on_hours", "power_on_hours", MOST_HOURS),
        ("reallocated", "reallocated", _MOST_SECTORS),
        ("reported_uncorrectable", "reported_uncorrectable", _MOST_EVENTS),
        ("pending", "reallocation_candidates", _MOST_SECTORS),
        ("crc_errors", "crc_errors", _MOST_EVENTS),
        ("temperature_celsius", "temperature_celsius", 120),
        ("wear_percent_used", "wear_percent_used", 255),
    ):
        said.fill(value, [within(got.get(name), 0, limit)])
    sector = said.drive.get("logical_sector_bytes") or 512
    for value, name in (("host_bytes_written", "sectors_written"), ("host_bytes_read", "sectors_read")):
        if got.get(name):
            said.fill(value, [within(got[name] * sector, 0, 10**18)])
    highest = within(got.get("celsius_limit_high"), 40, 90)
    if highest is not None:
        said.drive["temperature_limit_celsius"] = highest
