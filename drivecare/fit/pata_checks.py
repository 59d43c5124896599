"""What units with an IDE interface may not reach: sizes that their firmware or their commands do not count."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from drivecare.fit.checks import Checker, Swap
from drivecare.fit.host_profile import Host
from drivecare.fit.model import Candidate, FitCheck
from drivecare.fit.size_checks import likely_bytes
from drivecare.format import format_bytes

# The greatest size that can be used, and what reaches no further.
BARRIERS: Final = (
    (16_383 * 16 * 63 * 512, "firmware that counts cylinders, heads and sectors"),
    (65_535 * 16 * 63 * 512, "firmware from before 2000, which counts 65,535 cylinders"),
    ((1 << 28) * 512, "a unit with 28-bit sector addresses (ATA before ATA/ATAPI-6)"),
)
_SOURCE: Final = "ATA addressing, computed; which units stop there: common practice, no source"


def next_barrier(host: Host, proven_bytes: int) -> tuple[int, str] | None:
    """The least size beyond which a unit may not reach; None where its profile tells, or it is no IDE unit.

    What the old drive holds, the unit has proven: that is `proven_bytes`.
    """
    limits = host.capacity
    told = limits is not None and (limits.most_bytes is not None or limits.exact_bytes)
    if host.interface.protocols != ("pata",) or told:
        return None
    return next((barrier for barrier in BARRIERS if barrier[0] >= proven_bytes), None)


def check_barrier(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether an IDE unit may stop short of this size; a profile's greatest size or the old drive's settles it."""
    proven = (swap.source.capacity_bytes if swap.source else None) or 0
    barrier, likely = next_barrier(swap.host, proven), likely_bytes(candidate)
    if barrier is None:
        return
    most, why = barrier
    if likely is None:
        yield FitCheck("ide-limit", "unknown", "its capacity is not known, and IDE units have limits", _SOURCE)
    elif likely <= most:
        reason = f"{format_bytes(likely)} stays within the next limit of IDE units, {format_bytes(most)}"
        yield FitCheck("ide-limit", "pass", reason, _SOURCE)
    else:
        reason = f"{format_bytes(likely)} is beyond the {format_bytes(most)} of {why}, and the old drive is not"
        hint = "once you know what the unit takes, write it into its profile ([capacity])"
        yield FitCheck("ide-limit", "unknown", f"{reason}: {hint}", _SOURCE)


PATA_CHECKS: Final[tuple[Checker, ...]] = (check_barrier,)
