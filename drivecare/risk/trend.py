"""What changed between readings of one drive, and which rechecks are done.

A recheck is done when an earlier reading showed the same finding, no worse, and at least the amount that the rule names
has been read since: by the drive's own count of bytes read, or by a complete surface scan between the two readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import msgspec

from drivecare.clock import format_day, parse_timestamp
from drivecare.format import format_bytes, format_value
from drivecare.reading.identity import compare
from drivecare.reading.model import Reading
from drivecare.reading.sequence import is_later
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.findings import Ruling
from drivecare.risk.model import Growth, Sighting, Verdict
from drivecare.risk.rules import RuleSet, load_rules
from drivecare.risk.signals import Observation, Signal, Signals, collect, spell

MEDIA_COUNTS = (
    "pending",
    "offline_uncorrectable",
    "reported_uncorrectable",
    "reallocated",
    "end_to_end_errors",
    "media_errors",
    "grown_defects",
    "uncorrected_reads",
    "uncorrected_writes",
    "uncorrected_verifies",
)
LINK_COUNTS = ("crc_errors", "phy_errors")
MECHANICS_COUNTS = ("spin_retries",)
LIFETIME_COUNTS = (
    "power_on_hours",
    "power_cycles",
    "host_bytes_written",
    "host_bytes_read",
    "reallocated",
    "reported_uncorrectable",
    "crc_errors",
    "media_errors",
    "unsafe_shutdowns",
)


def select_earlier(reading: Reading, history: Iterable[Reading]) -> tuple[Reading, ...]:
    """Select the earlier readings of the same drive, oldest first.

    A drive that a bridge hides has no history: the dock's serial number is the same for every drive in it.
    """
    same_drive = [other for other in history if other != reading and compare(reading.drive, other.drive) == "yes"]
    earlier = [other for other in same_drive if not is_later(other, reading)]
    return tuple(sorted(earlier, key=lambda other: (other.values.power_on_hours or 0, str(other.read_at))))


def observe_changes(reading: Reading, earlier: Sequence[Reading], rules: RuleSet) -> Signals:
    """Collect the changes as signals. Defects count from the oldest reading on, everything else from the last one.

    A link may have been repaired in between, so its older growth is not a fault; the surface does not heal.
    """
    return collect(_observe_changes(reading, earlier, rules)) if earlier else {}


def _observe_changes(reading: Reading, earlier: Sequence[Reading], rules: RuleSet) -> Iterator[Observation]:
    last = earlier[-1]
    for signal, counts, baselines in (
        ("media_growth", MEDIA_COUNTS, earlier),
        ("link_growth", LINK_COUNTS, (last,)),
        ("mechanics_growth", MECHANICS_COUNTS, (last,)),
    ):
        for name in counts:
            now = getattr(reading.values, name)
            before = min((count for r in baselines if (count := getattr(r.values, name)) is not None), default=None)
            if now is not None and before is not None and now > before:
                detail = f"{spell(name)} {before:,}, now {now:,}"
                yield signal, Signal(value=now - before, name=f"{name}_growth", detail=detail)
    if reading.values.pending == 0 and last.values.pending:  # rewritten or remapped, and what they held with them
        yield "pending_gone", Signal(value=last.values.pending, detail=f"pending {last.values.pending:,}, now 0")
    for name in LIFETIME_COUNTS:
        now, before = getattr(reading.values, name), getattr(last.values, name)
        if now is not None and before is not None and now < before:
            detail = f"{spell(name)} {before:,}, now {now:,}"
            yield "went_backwards", Signal(value=now, limit=before, name=f"{name}_went_back", detail=detail)
    yield from _observe_clock(reading, last, rules.thresholds.clock_slack_hours.value)


def _observe_clock(reading: Reading, last: Reading, slack_hours: int) -> Iterator[Observation]:
    now, then = parse_timestamp(reading.read_at), parse_timestamp(last.read_at)
    hours, before = reading.values.power_on_hours, last.values.power_on_hours
    if now and then and hours is not None and before is not None:
        beyond = hours - before - (now - then).total_seconds() / 3600
        if beyond > slack_hours:
            yield "hours_beyond_clock", Signal(value=round(beyond), detail=f"of {hours - before:,} hours counted")


def describe_sighting(job: str, earlier: Reading, verdict: Verdict | None, now: Reading) -> Sighting:
    """Say that another job read this drive before, how it was then, and which of its defects have grown since."""
    counts = [
        (name, getattr(earlier.values, name), getattr(now.values, name))
        for name in (*MEDIA_COUNTS, *MECHANICS_COUNTS, *LINK_COUNTS)
    ]
    growth = tuple(
        Growth(value=name, before=before, now=count)
        for name, before, count in counts
        if before is not None and count is not None and count > before
    )
    day = f"on {format_day(earlier.read_at)}" if parse_timestamp(earlier.read_at) else "on an unknown day"
    then = "clean" if verdict == "refit" else verdict or "not judged"
    grown = [f"{_label(change.value, now)} {change.before:,}, now {change.now:,}" for change in growth]
    since = f"since then {'; '.join(grown)}" if grown else "nothing has grown since"
    return Sighting(
        job=job,
        read_at=earlier.read_at,
        verdict=verdict,
        power_on_hours=earlier.values.power_on_hours,
        growth=growth,
        text=f"Seen in job {job} {day}: {then}; {since}.",
    )


def _label(count: str, reading: Reading) -> str:
    """What a count is called where a finding is made of it."""
    rules = load_rules().for_drive(count, reading.drive)
    return rules[0].label if rules else spell(count)


def clear_rechecks(
    rulings: Iterable[Ruling], earlier: Sequence[tuple[Reading, list[Ruling]]], now: Reading, scan: SurfaceScan | None
) -> tuple[Ruling, ...]:
    """Turn every recheck that is done into a note that says why.

    `earlier` pairs earlier readings with their own rulings, oldest first.
    """
    return tuple(
        _clear_recheck(ruling, earlier, now, scan) if ruling.finding.severity == "recheck" else ruling
        for ruling in rulings
    )


def _clear_recheck(
    ruling: Ruling, earlier: Sequence[tuple[Reading, list[Ruling]]], now: Reading, scan: SurfaceScan | None
) -> Ruling:
    required = ruling.rule.clear_after_read
    amount = now.drive.capacity_bytes if required == "surface" else required
    if amount is None:
        return ruling
    steady: Ruling | None = None  # the last one that was no better
    for reading, rulings in earlier:
        before = next((before for before in rulings if _no_worse(ruling, before)), None)
        steady = before or steady
        proof = None if before is None else _read_between(reading, now, scan, int(amount))
        if proof:
            sentence = f"No growth since {reading.read_at or 'the earlier reading'} while {proof}."
            why = f"{ruling.finding.why} {sentence}"
            return _with_finding(ruling, severity="note", why=why, action="Nothing more to do.")
    if steady is None or not isinstance(ruling.finding.observed, int) or ruling.rule.signal == "estimate":
        return ruling
    counts = f"{format_value(steady.finding.observed)} before, {format_value(ruling.finding.observed)} now"
    reading_due = "its whole surface was" if required == "surface" else f"{format_bytes(int(amount))} were"
    detail = f"{counts}: no growth, which counts once {reading_due} read in between"
    return _with_finding(ruling, detail="; ".join(filter(None, (ruling.finding.detail, detail))))


def _with_finding(ruling: Ruling, **changes: str) -> Ruling:
    return Ruling(msgspec.structs.replace(ruling.finding, **changes), ruling.rule, ruling.level)


def _no_worse(now: Ruling, before: Ruling) -> bool:
    """Whether the earlier finding is the same one, and today's value is no worse."""
    if _subject(now) != _subject(before):
        return False
    if now.rule.signal == "estimate":  # it rises with age by itself; what it is made of is compared on its own
        return True
    value, earlier = now.finding.observed, before.finding.observed
    if isinstance(value, str) or isinstance(earlier, str) or value is None or earlier is None:
        return value == earlier
    falling = now.level.below is not None or now.level.at_most is not None
    return value >= earlier if falling else value <= earlier


def _subject(ruling: Ruling) -> tuple[str, str, str]:
    """What a finding is about; the detail tells apart those without a value."""
    finding = ruling.finding
    return finding.signal, ruling.rule.signal, finding.detail if finding.observed is None else ""


def _read_between(before: Reading, now: Reading, scan: SurfaceScan | None, amount: int) -> str | None:
    """Say by what proof `amount` bytes were read between two readings; None where there is none."""
    if now.values.host_bytes_read is not None and before.values.host_bytes_read is not None:
        read = now.values.host_bytes_read - before.values.host_bytes_read
        if read >= amount:
            return f"{read / 1e9:,.0f} GB were read, by the drive's own count"
    if scan is None or not scan.complete or scan.unreadable or scan.bytes_read < amount:
        return None
    moments = [parse_timestamp(text) for text in (before.read_at, scan.started, scan.finished, now.read_at)]
    if None in moments or moments != sorted(moment for moment in moments if moment):
        return None
    return f"a surface scan read {scan.bytes_read / 1e9:,.0f} GB without an unreadable area"
