"""What becomes of the room on a drive that is larger than the old one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from drivecare.fit.checks import PRACTICE, Checker, Swap
from drivecare.fit.model import Candidate, FitCheck
from drivecare.fit.size_checks import likely_bytes, promised_bytes
from drivecare.format import format_bytes

_MBR_SECTORS: Final = 1 << 32
_TABLES: Final = (
    "GPT's second header lies in the last sector (UEFI, from memory); an MBR counts 2^32 sectors (computed)"
)
_TAKEN: Final = {
    "unused": "the unit leaves them so",
    "grows": "the unit takes them into use by itself",
    None: "the unit's profile does not say how it takes a larger drive: try it before you hand it over",
}


def check_larger(candidate: Candidate, swap: Swap) -> Iterator[FitCheck]:
    """Whether the unit takes a drive larger than the old one, and what of it stays unused."""
    moving, old = swap.host.moving, None if swap.source is None else swap.source.capacity_bytes
    promised, likely = promised_bytes(candidate), likely_bytes(candidate)
    if old is None or promised is None or likely is None or likely <= old or moving.kind == "file-copy":
        return
    sector = (swap.source.logical_sector_bytes if swap.source else None) or 512
    spare = promised - old
    count = f"{spare // sector:,} sectors"
    if moving.larger == "refused" and promised > old:
        reason = f"{count} more than the old drive, and the unit takes no larger one"
        yield FitCheck("larger-drive", "block", reason, moving.source)
    elif moving.larger == "refused":
        reason = "its label does not promise a count, and the unit takes no drive larger than the old one"
        yield FitCheck("larger-drive", "unknown", f"{reason}: give the LBA number from its label", moving.source)
    elif promised > old and moving.kind == "sector-copy":
        yield FitCheck("larger-drive", "pass", "; ".join(_after_copy(swap, old, promised, sector)), _TABLES)
    elif promised > old and moving.array not in (None, "none"):
        reason = f"{count} ({format_bytes(spare)}) beyond the old drive's stay unused"
        rule = "an array uses no more of a member than its smallest one has"
        yield FitCheck("larger-drive", "pass", f"{reason}: {rule}", PRACTICE)


def _after_copy(swap: Swap, old: int, new: int, sector: int) -> Iterator[str]:
    spare = new - old
    yield f"{spare // sector:,} sectors ({format_bytes(spare)}) at its end stay unused after a sector copy"
    yield f"a GPT's second header then lies at sector {old // sector - 1:,}, not at the end"
    reach = _MBR_SECTORS * sector
    if old <= reach < new:
        yield f"with an MBR nothing beyond {reach:,} bytes can be used at all"
    yield _TAKEN[swap.host.moving.larger]


LARGER_CHECKS: Final[tuple[Checker, ...]] = (check_larger,)
