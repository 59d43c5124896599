"""ATA drives: the attribute table and the standard statistics as values."""

from __future__ import annotations

import re

import msgspec

from drivecare.reading import wear
from drivecare.reading.attributes import AttributeTable
from drivecare.reading.counters import MOST_HOURS, attribute_rows, contradicting_counts, defect_ids
from drivecare.reading.gaps import GapNotes
from drivecare.reading.locale_numbers import leading_count, within
from drivecare.reading.model import Attribute, Drive, Values
from drivecare.reading.report_text import Report

# All of the 87,068 hard drives in the open drive statistics 2013-2016 (Backblaze) report both.
ROWS_OF_EVERY_HARD_DRIVE = {5: "reallocated", 197: "pending"}
# No solid-state drive's table that we have ends before it (fixtures/reports, our judgement); numbers ascend.
_LAST_ROW_AT_LEAST = 190
_SAME = 0.05  # two counts of one time that differ by less are the same
_LIFETIME = re.compile(r"Min/Max -?\d+/(\d+)", re.I)
_TEMPERATURE_IDS = (194, 190, 231)  # the one that counts first


def read_counters(table: AttributeTable, drive: Drive, gaps: GapNotes) -> Values:
    """The counters of the table; of several rows that tell one value the largest."""
    if table.untrue:
        return Values()
    largest: dict[str, int] = {}
    for counter in (counter for counter in attribute_rows().counter if counter.concerns(drive)):
        for row in table.rows:
            if row.raw is not None and counter.matches(row):
                largest[counter.value] = max(row.raw, largest.get(counter.value, 0))
    limits = attribute_rows().limits
    for value in attribute_rows().unnoted & largest.keys():
        if largest[value] > limits[value]:
            del largest[value]
    counts = {value: gaps.possible(value, largest.get(value), limit=limit) for value, limit in limits.items()}
    return Values(**counts)  # type: ignore[arg-type]


def read_hours(table: AttributeTable, statistics: dict[str, int], gaps: GapNotes) -> Values:
    """Hours of attribute 9, unless the standard statistics show it to be minutes, half-minutes or seconds."""
    if table.untrue:
        return Values()
    hours = next((row.raw for row in table.rows if row.id == 9 and row.raw is not None), None)
    if hours is not None and hours > 0xFFFFFFFF and within(hours & 0xFFFFFFFF, 1, MOST_HOURS):
        gaps.note(
            "hours-packed", f"Power on hours: the counter shows {hours:,}; its lower half is {hours & 0xFFFFFFFF:,}."
        )
        hours &= 0xFFFFFFFF
    standard = statistics.get("power_on_hours")
    if hours is not None and standard and any(abs(hours / standard / unit - 1) < _SAME for unit in (60, 120, 3600)):
        gaps.note("hours-implausible", f"power on hours: {hours:,} in the table, {standard:,} in the statistics.")
        return Values()
    return Values(power_on_hours=gaps.possible("power_on_hours", hours, limit=MOST_HOURS, code="hours-implausible"))


def read_ata_temperature(report: Report, table: AttributeTable, gaps: GapNotes) -> Values:
    """The temperature in the table, else in the drive's temperature log."""
    if table.untrue:
        return Values()
    rows = [row for row in table.rows if row.id in _TEMPERATURE_IDS and _is_temperature(row)]
    rows.sort(key=lambda row: _TEMPERATURE_IDS.index(row.id))
    degrees = [_plausible_celsius(row.raw) for row in rows]
    if rows and not any(degrees):
        gaps.note("temperature-implausible", f"The drive reports {rows[0].raw_text or 'nothing'} as its temperature.")
    degrees += [_plausible_celsius(leading_count(text)) for text in report.fields.get("current temperature", ())]
    return Values(
        temperature_celsius=next((celsius for celsius in degrees if celsius is not None), None),
        highest_celsius=_highest_celsius(report, rows),
    )


def _highest_celsius(report: Report, rows: list[Attribute]) -> int | None:
    """The highest of its life: in its temperature log, else beside attribute 194 (beside 190 it is of one run)."""
    texts = [text.partition("/")[2] for text in report.fields.get("lifetime min/max temperature", ())]
    texts += [bounds[1] for row in rows if row.id == 194 and (bounds := _LIFETIME.search(row.raw_text))]
    return next((highest for text in texts if (highest := within(leading_count(text), 1, 120))), None)


def _is_temperature(row: Attribute) -> bool:
    name = (row.name or "unknown").lower()
    return "temp" in name or (row.id in (194, 190) and "unknown" in name)


def _plausible_celsius(degrees: int | None) -> int | None:
    """A drive that works on a bench is neither at exactly 0 C, which means no sensor, nor far outside its ratings."""
    return within(degrees, -40, 120) or None


def read_temperature_limit(report: Report, table: AttributeTable, statistics: dict[str, int]) -> int | None:
    """The drive's own limit: in the standard statistics, else in its temperature log."""
    limits = [within(statistics.get("celsius_limit_high"), 40, 90)]
    if not table.untrue:
        for label in ("min/max recommended temperature", "min/max temperature limit"):
            for text in report.fields.get(label, ()):
                limits.append(within(leading_count(text.partition("/")[2]), 40, 90))
    return next((limit for limit in limits if limit is not None), None)


def read_standard_values(statistics: dict[str, int], drive: Drive) -> Values:
    """What the standard statistics tell, for where the maker's own table is silent or impossible."""
    limits = attribute_rows().limits
    sector = drive.logical_sector_bytes or 512

    def number(name: str, limit: int, unit: int = 1) -> int | None:
        total = statistics.get(name)
        return None if total is None else within(total * unit, 0, limit)

    return Values(
        power_on_hours=number("power_on_hours", MOST_HOURS),
        reallocated=number("reallocated", limits["reallocated"]),
        reported_uncorrectable=number("reported_uncorrectable", limits["reported_uncorrectable"]),
        pending=number("reallocation_candidates", limits["pending"]),
        crc_errors=number("crc_errors", limits["crc_errors"]),
        temperature_celsius=number("temperature_celsius", 120),
        highest_celsius=number("highest_celsius", 120),
        wear_percent_used=number("wear_percent_used", 255),
        load_cycles=number("head_loads", limits["load_cycles"]),
        host_bytes_written=number("sectors_written", wear.LARGEST_PLAUSIBLE, sector) or None,
        host_bytes_read=number("sectors_read", wear.LARGEST_PLAUSIBLE, sector) or None,
    )


def count_the_worse(table: AttributeTable, statistics: dict[str, int], values: Values) -> Values:
    """The values with the worse of two counts of one fact: in the table, in the statistics, in the pending log."""
    rows = () if table.untrue else table.rows
    worse = {name: number for name, (_, number) in contradicting_counts(rows, values, statistics).items()}
    limits = attribute_rows().limits
    worse = {name: number for name, number in worse.items() if number <= limits[name]}
    if values.pending_log_entries is not None:
        worse["pending"] = max(values.pending or 0, values.pending_log_entries)
    return msgspec.structs.replace(values, **worse)


def note_missing_rows(table: AttributeTable, drive: Drive, values: Values, gaps: GapNotes) -> None:
    """Note defect counts whose row is damaged or, on what may be a hard drive, missing: every one keeps both rows."""
    if table.untrue or not table.rows:
        return
    lost = {number: "is damaged" for number in table.damaged if number in defect_ids()}
    if drive.kind != "ssd":
        present = {row.id for row in table.rows}
        for number, name in ROWS_OF_EVERY_HARD_DRIVE.items():
            if number not in present and getattr(values, name) is None:
                lost.setdefault(number, "is missing, and every hard drive has it")
    for number, fate in sorted(lost.items()):
        gaps.note("count-unread", f"Row {number} of the table, a defect count, {fate}.")


def read_written_and_read(table: AttributeTable, drive: Drive, values: Values, gaps: GapNotes) -> Values:
    """Bytes that the host wrote and read; a gap tells why one was left out."""
    if table.untrue:
        return Values()
    sector, ssd = drive.logical_sector_bytes or 512, drive.kind == "ssd"
    written, doubt_written = wear.read_host_bytes(table.rows, "writ", sector_bytes=sector, ssd=ssd)
    read, doubt_read = wear.read_host_bytes(table.rows, "read", sector_bytes=sector, ssd=ssd)
    if doubt_written and values.host_bytes_written is None:
        gaps.note("writes-unknown", doubt_written)
    if doubt_read and values.host_bytes_read is None:
        gaps.note("writes-unknown", doubt_read)
    return Values(host_bytes_written=written, host_bytes_read=read)


def read_wear_and_spare(table: AttributeTable, drive: Drive, values: Values, gaps: GapNotes) -> Values:
    """A solid-state drive's wear and spare; a gap where no row tells the wear."""
    if table.untrue or drive.kind != "ssd":
        return Values()
    used, doubt = wear.read_percent_used(table.rows, f"{drive.family or ''} {drive.model or ''}")
    spare, threshold = (None, None) if wear.has_dummy_values(table.rows) else wear.read_spare(table.rows)
    if used is None and doubt is None and (lost := sorted(wear.ids_of_wear() & set(table.damaged))):
        doubt = f"Row {lost[0]} of the table, which may tell the endurance used, is damaged."
    if doubt and values.wear_percent_used is None:
        gaps.note("wear-doubtful", doubt)
    elif used is None and values.wear_percent_used is None and table.rows:
        gaps.note("wear-unknown", "No row shows how much of the rated endurance is used.")
    known = used is not None or values.wear_percent_used is not None
    if table.ends_report and (not known or table.rows[-1].id < _LAST_ROW_AT_LEAST):
        last = table.rows[-1].id
        gaps.note("count-unread", f"The report ends with row {last} of the table: defects and wear may stand below it.")
    return Values(wear_percent_used=used, available_spare_percent=spare, spare_threshold_percent=threshold)
