"""What changed between readings of one drive, and which rechecks are done.

A recheck is done when an earlier reading showed the same thing, no worse, and at least the amount that the rule states
was read since: shown by the drive's own count of bytes read, or by a complete surface scan between the two readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from drivecare.clock import parse_timestamp
from drivecare.reading.identity import compare
from drivecare.reading.model import Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.findings import Ruling
from drivecare.risk.signals import Signal, Signals

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
CLOCK_SLACK_HOURS = 2


def select_earlier(reading: Reading, history: Iterable[Reading]) -> tuple[Reading, ...]:
    """The earlier readings of the same drive, oldest first; readings of other drives and later ones are left out.

    A drive that a bridge hides has no history: the dock's serial number is the same for every drive in it.
    """
    now = parse_timestamp(reading.read_at)
    mine = [other for other in history if other != reading and compare(reading.drive, other.drive) == "yes"]
    before = [other for other in mine if not (now and (then := parse_timestamp(other.read_at)) and then > now)]
    return tuple(sorted(before, key=lambda other: (other.values.power_on_hours or 0, str(other.read_at))))


def observe_changes(reading: Reading, earlier: Sequence[Reading]) -> Signals:
    """The changes as signals. Defects count from the oldest reading on, everything else from the last one.

    A link may have been repaired in between, so its older growth is no fault; the surface does not heal.
    """
    if not earlier:
        return {}
    last = earlier[-1]
    return {
        "media_growth": tuple(_growth(reading, earlier, MEDIA_COUNTS)),
        "link_growth": tuple(_growth(reading, (last,), LINK_COUNTS)),
        "mechanics_growth": tuple(_growth(reading, (last,), MECHANICS_COUNTS)),
        "pending_gone": tuple(_pending_gone(reading, last)),
        "went_backwards": tuple(_backwards(reading, last)),
        "hours_beyond_clock": tuple(_hours_beyond_clock(reading, last)),
    }


def _growth(reading: Reading, earlier: Sequence[Reading], names: Iterable[str]) -> Iterable[Signal]:
    for name in names:
        now = getattr(reading.values, name)
        before = [value for other in earlier if (value := getattr(other.values, name)) is not None]
        if now is not None and before and now > min(before):
            words = f"{name.replace('_', ' ')} {min(before):,}, now {now:,}"
            yield Signal(value=now - min(before), name=f"{name}_growth", detail=words)


def _pending_gone(reading: Reading, last: Reading) -> Iterable[Signal]:
    """Pending sectors that are no longer counted: rewritten or remapped, and what they held with them."""
    now, before = reading.values.pending, last.values.pending
    if now == 0 and before:
        yield Signal(value=before, detail=f"pending {before:,}, now 0")


def _backwards(reading: Reading, last: Reading) -> Iterable[Signal]:
    for name in LIFETIME_COUNTS:
        now, before = getattr(reading.values, name), getattr(last.values, name)
        if now is not None and before is not None and now < before:
            words = f"{name.replace('_', ' ')} {before:,}, now {now:,}"
            yield Signal(value=now, limit=before, name=f"{name}_went_back", detail=words)


def _hours_beyond_clock(reading: Reading, last: Reading) -> Iterable[Signal]:
    now, then = parse_timestamp(reading.read_at), parse_timestamp(last.read_at)
    hours, before = reading.values.power_on_hours, last.values.power_on_hours
    if now and then and hours is not None and before is not None:
        beyond = hours - before - (now - then).total_seconds() / 3600
        if beyond > CLOCK_SLACK_HOURS:
            yield Signal(value=round(beyond), detail=f"{hours - before:,} hours counted")


def clear_rechecks(
    found: list[Ruling], before: Sequence[tuple[Reading, list[Ruling]]], now: Reading, scan: SurfaceScan | None
) -> list[Ruling]:
    """The findings with every recheck that is done turned into a note that says why.

    `before` pairs earlier readings with their own findings, oldest first.
    """
    return [_settled(judged, before, now, scan) if judged.finding.severity == "recheck" else judged for judged in found]


def _settled(
    judged: Ruling, before: Sequence[tuple[Reading, list[Ruling]]], now: Reading, scan: SurfaceScan | None
) -> Ruling:
    needed = judged.rule.clear_after_read
    amount = now.drive.capacity_bytes if needed == "surface" else needed
    if amount is None:
        return judged
    for reading, findings in before:
        if not any(_no_worse(judged, other) for other in findings):
            continue
        proof = _read_between(reading, now, scan, int(amount))
        if proof:
            words = f"No growth since {reading.read_at or 'the earlier reading'} while {proof}."
            finding = msgspec.structs.replace(
                judged.finding, severity="note", why=f"{judged.finding.why} {words}", action="Nothing more to do."
            )
            return Ruling(finding, judged.rule, judged.level)
    return judged


def _no_worse(now: Ruling, then: Ruling) -> bool:
    """Whether the earlier finding is the same one and the new value is no worse than it was."""
    if (now.finding.signal, now.rule.signal, now.finding.detail if now.finding.observed is None else "") != (
        then.finding.signal,
        then.rule.signal,
        then.finding.detail if then.finding.observed is None else "",
    ):
        return False
    if now.rule.signal == "estimate":  # it rises with age by itself; what it is made of is compared on its own
        return True
    value, before = now.finding.observed, then.finding.observed
    if isinstance(value, str) or isinstance(before, str) or value is None or before is None:
        return value == before
    falling = now.level.below is not None or now.level.at_most is not None
    return value >= before if falling else value <= before


def _read_between(then: Reading, now: Reading, scan: SurfaceScan | None, amount: int) -> str | None:
    """How it is known that `amount` bytes were read between two readings, in words; None where it is not known."""
    if now.values.host_bytes_read is not None and then.values.host_bytes_read is not None:
        read = now.values.host_bytes_read - then.values.host_bytes_read
        if read >= amount:
            return f"{read / 1e9:,.0f} GB were read, by the drive's own count"
    if scan is None or not scan.complete or scan.unreadable or scan.bytes_read < amount:
        return None
    moments = [parse_timestamp(text) for text in (then.read_at, scan.started, scan.finished, now.read_at)]
    if None in moments or moments != sorted(m for m in moments if m):
        return None
    return f"a surface scan read {scan.bytes_read / 1e9:,.0f} GB without an unreadable area"
