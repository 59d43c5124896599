"""The checks of size, sectors, recording and endurance of one candidate, and how long a copy to it takes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from drivecare.fit.checks import PRACTICE, Checker, Swap
from drivecare.fit.host_profile import Capacity
from drivecare.fit.model import SECTOR_FORMATS, Candidate, CheckResult, FitCheck
from drivecare.fit.standards import sata_payload_mb_s
from drivecare.format import format_bytes, format_count, format_minutes, join_and
from drivecare.reading.capacity import idema_bytes, standard_bytes
from drivecare.reading.counters import HOURS_PER_YEAR

_COUNTS: Final = "IDEMA LBA1-03, SFF-8447"
LEAST_STANDARD_GB: Final = 50  # IDEMA LBA1-03 counts from here on
# Below that no standard says what a label means. Flash cards keep a part for themselves, and some labels count in GiB.
_LEAST_OF_SMALL_GB: Final = 9 * 10**8
_MOST_OF_SMALL_GB: Final = 1 << 30
_NO_STANDARD: Final = (
    f"no standard counts drives below {LEAST_STANDARD_GB} GB; 0.90 to 1.07 of the label: our judgement"
)
FEW_YEARS: Final = 5
_MANY_READ_ERRORS: Final = 0.5


def promised_bytes(candidate: Candidate) -> int | None:
    """What it holds for certain: its count, else what its label promises; no standard counts fewer bytes than that."""
    label = candidate.labelled_gb
    if candidate.capacity_bytes is not None or label is None:
        return candidate.capacity_bytes
    return label * 10**9 if label >= LEAST_STANDARD_GB else label * _LEAST_OF_SMALL_GB


def likely_bytes(candidate: Candidate) -> int | None:
    """The most it can be expected to hold: its count, else the greatest count sold under its label.

    Above 8,000 GB, drives with the older, larger count are sold beside those of SFF-8447.
    """
    label = candidate.labelled_gb
    if candidate.capacity_bytes is not None or label is None:
        return candidate.capacity_bytes
    if label < LEAST_STANDARD_GB:
        return label * _MOST_OF_SMALL_GB
    return max(*standard_bytes(label), idema_bytes(label))


def _source_of_size(candidate: Candidate) -> str:
    small = candidate.capacity_bytes is None and (candidate.labelled_gb or LEAST_STANDARD_GB) < LEAST_STANDARD_GB
    return _NO_STANDARD if small else _COUNTS


def check_capacity(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Room for the content: to the sector for a sector copy, by the space used for a file copy."""
    kind = swap.host.moving.kind
    if kind == "sector-copy":
        yield from _room_for_copy(candidate, swap)
    elif kind == "file-copy":
        yield from _room_for_files(candidate, swap)
    elif swap.host.moving.array != "none":
        yield _room_for_rebuild(candidate, swap)
    elif likely_bytes(candidate) is None:
        yield FitCheck("capacity", "unknown", "its capacity is not known", PRACTICE)


def _room_for_copy(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    needed = None if swap.source is None else swap.source.capacity_bytes
    if needed is None:
        yield FitCheck("capacity", "unknown", "the old drive's sector count is not known: give its reading", PRACTICE)
        return
    sector = _sector_bytes(swap)
    source_size = f"the old drive's {needed // sector:,} sectors ({needed:,} bytes)"
    promised, likely = promised_bytes(candidate), likely_bytes(candidate)
    if promised is None or likely is None:
        yield FitCheck("capacity", "unknown", f"its capacity is not known; it must hold {source_size}", PRACTICE)
    elif promised >= needed:
        spare = promised - needed
        room = "not one to spare" if spare < sector else f"{spare // sector:,} to spare"
        verb = "promises" if candidate.capacity_bytes is None else "has"
        reason = f"{verb} {promised // sector:,} sectors for {source_size}, {room}"
        yield FitCheck("capacity", "pass", reason, _source_of_size(candidate))
    elif likely < needed:
        shortage = f"{format_count((needed - likely) // sector, 'sector')} ({needed - likely:,} bytes)"
        reason = f"{likely // sector:,} sectors, short of {source_size} by {shortage}"
        if swap.used_bytes is not None and swap.used_bytes <= likely:
            reason += f"; its {format_bytes(swap.used_bytes)} of files would fit by file copy, if the unit takes that"
        yield FitCheck("capacity", "block", reason, _source_of_size(candidate))
    else:
        source = _source_of_size(candidate)
        count = "it may be" if source == _NO_STANDARD else "the standard count would be"
        reason = (
            f"labelled {_format_label(candidate)}, which does not promise a sector count; {count} enough for "
            f"{source_size}: give the LBA number from its label"
        )
        yield FitCheck("capacity", "unknown", reason, source)


def _format_label(candidate: Candidate) -> str:
    return format_bytes((candidate.labelled_gb or 0) * 10**9)


def member_bytes(swap: Swap) -> int | None:
    """The least size that joins the unit's array: its smallest member left, else the pulled one, which stands for it.

    None where neither is known, or the unit does not join its drives.
    """
    if swap.host.moving.kind != "unit-initialises" or swap.host.moving.array == "none":
        return None
    if swap.smallest_member_sectors is not None:
        return swap.smallest_member_sectors * _sector_bytes(swap)
    return None if swap.source is None else swap.source.capacity_bytes


def _sector_bytes(swap: Swap) -> int:
    return (swap.source.logical_sector_bytes if swap.source else None) or 512


def _room_for_rebuild(candidate: Candidate, swap: Swap) -> FitCheck:
    """A member of an array holds at least as many sectors as the smallest one left; else no rebuild starts."""
    array, needed, sector = swap.host.moving.array, member_bytes(swap), _sector_bytes(swap)
    promised, likely = promised_bytes(candidate), likely_bytes(candidate)
    certain = swap.smallest_member_sectors is not None
    ask = "read the drives left in the unit and give the fewest sectors: --fact smallest_member_sectors=N"
    if promised is None or likely is None:
        return FitCheck("capacity", "unknown", "its capacity is not known", PRACTICE)
    if needed is None:
        reason = (
            "the size of the array's members is not known" if array else "this unit may join its drives to an array"
        )
        return FitCheck("capacity", "unknown", f"{reason}: give the old drive's reading, or {ask}", PRACTICE)
    member = f"the {needed // sector:,} sectors of the {'smallest member left' if certain else 'old drive'}"
    if likely < needed:
        missing = format_count((needed - likely) // sector, "sector")
        shortage = f"{likely // sector:,} sectors, {missing} fewer than {member}"
        if array is None and not certain:
            reason = f"{shortage}: this unit may join its drives to an array, and then it does not take a smaller one"
            return FitCheck("capacity", "unknown", reason, PRACTICE)
        return FitCheck("capacity", "block", f"{shortage}: the unit would not rebuild onto it", PRACTICE)
    if promised < needed:
        reason = f"labelled {_format_label(candidate)}, no promise of {member}: give the LBA number from its label"
        return FitCheck("capacity", "unknown", reason, _source_of_size(candidate))
    if certain or array is None:
        return FitCheck("capacity", "pass", f"has at least {member}", PRACTICE)
    return FitCheck("capacity", "warn", f"has at least {member}, but a member left may be larger: {ask}", PRACTICE)


def _room_for_files(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    promised = promised_bytes(candidate)
    if swap.used_bytes is None:
        yield FitCheck("capacity", "unknown", "how much of the old drive is used is not known: give --used", PRACTICE)
    elif promised is None:
        yield FitCheck("capacity", "unknown", "its capacity is not known", PRACTICE)
    elif promised >= swap.used_bytes:
        reason = f"{format_bytes(swap.used_bytes)} of files fit on {format_bytes(promised)}"
        yield FitCheck("capacity", "pass", reason, PRACTICE)
    else:
        reason = f"{format_bytes(swap.used_bytes)} of files do not fit on {format_bytes(promised)}"
        yield FitCheck("capacity", "block", reason, PRACTICE)


def check_capacity_limits(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The sizes the unit itself can use."""
    limits = swap.host.capacity
    if limits is None:
        return
    promised, likely = promised_bytes(candidate), likely_bytes(candidate)
    if promised is None or likely is None:
        yield FitCheck("capacity-limit", "unknown", f"its capacity is not known; {limits.why}", limits.source)
        return
    demand, results = _demand(limits), _meet_limits(limits, promised, likely)
    if "block" in results:
        reason = f"{likely:,} bytes, the unit {demand}: {limits.why}"
        yield FitCheck("capacity-limit", "block", reason, limits.source)
    elif "unknown" in results:
        reason = f"labelled {_format_label(candidate)}, which does not promise a count, and the unit {demand}"
        yield FitCheck("capacity-limit", "unknown", f"{reason}: give the LBA number from its label", limits.source)
    else:
        reason = f"{format_bytes(promised)} is within what the unit uses"
        yield FitCheck("capacity-limit", "pass", reason, limits.source)


def _meet_limits(limits: Capacity, promised: int, likely: int) -> set[CheckResult]:
    """Compare a drive that holds at least `promised` and at the most `likely` bytes with each limit."""
    results: set[CheckResult] = set()
    if limits.exact_bytes and not (promised == likely and likely in limits.exact_bytes):
        within = promised < likely and any(promised <= size <= likely for size in limits.exact_bytes)
        results.add("unknown" if within else "block")
    if limits.least_bytes is not None and promised < limits.least_bytes:
        results.add("block" if likely < limits.least_bytes else "unknown")
    if limits.most_bytes is not None and likely > limits.most_bytes:
        results.add("block" if promised > limits.most_bytes else "unknown")
    return results


def _demand(limits: Capacity) -> str:
    parts = []
    if limits.exact_bytes:
        parts.append(f"takes exactly {' or '.join(f'{size:,}' for size in limits.exact_bytes)}")
    if limits.least_bytes is not None:
        parts.append(f"wants at least {limits.least_bytes:,}")
    if limits.most_bytes is not None:
        parts.append(f"uses at most {limits.most_bytes:,}")
    return join_and(parts)


def check_sector_format(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether the unit can start from such sectors, and whether the partition table survives a raw copy."""
    sectors = swap.host.sectors
    logical, physical = candidate.logical_sector_bytes, candidate.physical_sector_bytes
    possible = {
        name for name, (low, high) in SECTOR_FORMATS.items() if logical in (None, low) and physical in (None, high)
    }
    taken = ", ".join(sectors.formats)
    if not possible:
        reason = f"sectors of {logical} and {physical} bytes do not match any format that the unit takes ({taken})"
        yield FitCheck("sector-format", "block", reason, sectors.source)
    elif possible <= set(sectors.formats):
        yield FitCheck(
            "sector-format", "pass", f"{' or '.join(sorted(possible))}; the unit takes {taken}", sectors.source
        )
    elif possible & set(sectors.formats):
        yield FitCheck(
            "sector-format", "unknown", f"its sector format is not known; the unit takes only {taken}", sectors.source
        )
    else:
        reason = f"{', '.join(sorted(possible))} drives do not work in this unit, which takes {taken}"
        yield FitCheck("sector-format", "block", reason, sectors.source)
    if swap.host.moving.kind == "sector-copy" and swap.source is not None:
        yield from _raw_copy(logical, swap.source.logical_sector_bytes)


def _raw_copy(new: int | None, old: int | None) -> Iterator[FitCheck]:
    source = "partition tables count in logical sectors (computed)"
    if new is None or old is None:
        owner = "its own" if new is None else "the old drive's"
        yield FitCheck("raw-copy", "unknown", f"{owner} logical sector size is not known", source)
    elif new == old:
        yield FitCheck("raw-copy", "pass", f"both drives count in sectors of {new} bytes", source)
    else:
        reason = f"a raw copy from {old}-byte to {new}-byte sectors puts every partition in the wrong place"
        yield FitCheck("raw-copy", "block", reason, source)


def check_kind(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether the unit takes hard drives, solid-state drives or either."""
    recording = swap.host.recording
    if recording is None or set(recording.kinds) == {"hdd", "ssd"}:
        return
    names = {"hdd": "a hard drive", "ssd": "a solid-state drive"}
    required = names[recording.kinds[0]]
    if candidate.kind is None:
        yield FitCheck("kind", "unknown", f"its kind is not known; the unit needs {required}", recording.source)
    elif candidate.kind in recording.kinds:
        yield FitCheck("kind", "pass", f"{names[candidate.kind]}, as the unit needs", recording.source)
    else:
        reason = f"{names[candidate.kind]}, the unit needs {required}: {recording.why}"
        yield FitCheck("kind", "block", reason, recording.source)


def check_recording(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether tracks overlap: shingled drives stall under steady writing, and some do not report that they are."""
    recording = swap.host.recording
    if recording is None and candidate.recording == "shingled":
        yield FitCheck("recording", "warn", "it is shingled (SMR), and stalls under steady writing", PRACTICE)
    if recording is None or recording.shingled == "ok" or candidate.kind == "ssd":
        return
    refuse = recording.shingled == "refuse"
    if candidate.recording is None:
        reason = "whether it is shingled is not known, and a drive need not report it: see the maker's data sheet"
        yield FitCheck("recording", "unknown" if refuse else "warn", reason, recording.source)
    elif candidate.recording == "shingled":
        yield FitCheck("recording", "block" if refuse else "warn", f"it is shingled: {recording.why}", recording.source)
    else:
        yield FitCheck("recording", "pass", "it records conventionally: its tracks do not overlap", recording.source)


def check_sustained(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """The rate that the unit needs without a pause."""
    recording = swap.host.recording
    if recording is None or recording.sustained_mb_s is None:
        return
    need = f"the unit needs {recording.sustained_mb_s:g} MB/s"
    if candidate.sustained_mb_s is None:
        yield FitCheck("sustained", "unknown", f"its sustained rate is not known; {need}", recording.source)
        return
    reason = f"sustains {candidate.sustained_mb_s:g} MB/s, {need}"
    if candidate.sustained_mb_s < recording.sustained_mb_s:
        yield FitCheck("sustained", "block", f"{reason}: {recording.why}", recording.source)
    else:
        yield FitCheck("sustained", "pass", reason, recording.source)


def writing_pace(swap: Swap) -> tuple[float, str] | None:
    """Bytes written per hour and where that number comes from; None where nothing tells."""
    recording = swap.host.recording
    if swap.written_per_hour:
        return swap.written_per_hour, "as the old drive's reading shows"
    if recording is not None and recording.daily_write_gb is not None:
        return recording.daily_write_gb * 1e9 / 24, "as units of this kind do"
    return None


def check_endurance(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Years until the rated amount is written, if the unit never rests. Left out where a number is missing."""
    if candidate.rated_written_bytes is None:
        return
    pace = writing_pace(swap)
    if pace is None:
        return
    per_hour, origin = pace
    years = candidate.rated_written_bytes / per_hour / HOURS_PER_YEAR
    span = "over 50 years" if years > 50 else f"{years:.1f} years"
    daily = f"{format_bytes(round(per_hour * 24))} a day"
    reason = f"rated for {format_bytes(candidate.rated_written_bytes)}: {span} at {daily}, {origin}"
    source = f"computed; {FEW_YEARS} years: our judgement"
    yield FitCheck("endurance", "warn" if years < FEW_YEARS else "pass", reason, source)


def check_read_errors(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:  # noqa: ARG001
    """Unrecoverable errors to expect when the whole drive is read once, by its data sheet."""
    size = promised_bytes(candidate)
    if candidate.error_bits_exponent is None or size is None:
        return
    bits = f"10^{candidate.error_bits_exponent}"
    expected = size * 8 / 10**candidate.error_bits_exponent
    reason = f"by its data sheet (1 in {bits} bits) {expected:.2g} unrecoverable errors in one full read"
    result: CheckResult = "warn" if expected >= _MANY_READ_ERRORS else "pass"
    yield FitCheck("read-errors", result, reason, "computed; limit our judgement")


def copy_minutes(candidate: Candidate, swap: Swap) -> tuple[int, str] | None:
    """Minutes that a full copy takes at the least, and what sets the pace; None without a size or any rate."""
    size = None if swap.source is None else swap.source.capacity_bytes
    if swap.host.moving.kind == "file-copy":
        size = swap.used_bytes
    rates = {
        "the new drive's medium": candidate.sustained_mb_s,
        "the new drive's link": None if candidate.link_gbps is None else sata_payload_mb_s(candidate.link_gbps),
        "the old drive's link": None if swap.source_link_gbps is None else sata_payload_mb_s(swap.source_link_gbps),
    }
    paces = [(rate, name) for name, rate in rates.items() if rate]
    if size is None or not paces or swap.host.moving.kind == "unit-initialises":
        return None
    rate, bottleneck = min(paces, key=lambda pace: pace[0])
    return max(1, round(size / (rate * 1e6) / 60)), f"{rate:.0f} MB/s, {bottleneck}"


def check_copy_time(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """How long the copy takes at the very least; a failing source takes longer."""
    estimate = copy_minutes(candidate, swap)
    if estimate is not None:
        minutes, pace = estimate
        reason = f"copying takes at least {format_minutes(minutes)} ({pace}), reading back as long"
        yield FitCheck("copy-time", "pass", reason, "computed from the rates given")


SIZE_CHECKS: Final[tuple[Checker, ...]] = (
    check_capacity,
    check_capacity_limits,
    check_sector_format,
    check_kind,
    check_recording,
    check_sustained,
    check_endurance,
    check_read_errors,
    check_copy_time,
)
