"""A look at what is used of a drive that is losing data, through its own copy: asked, read, asked again.

Whoever knows file systems is asked what is used, of what has come across so far; it answers what it lacks; that is read
here, like any other read of the copy, so that every byte looked at is safe at once. What was read once is not read
again, and what failed is not asked again. A file system may be made to do harm: the look has a budget, and decides
nothing but the order.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Protocol

import msgspec

from drivecare.documents import Value
from drivecare.errors import Interrupted
from drivecare.format import format_bytes
from drivecare.transfer.areas import Area, intersect, total, uncovered, widen
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.reader import ReadEvent, SourceReader
from drivecare.transfer.sectors.stages import COPIED, FAILED_PIECE, UNREAD, Stages
from drivecare.transfer.sectors.worth import Rank, UsedSpace

# A hundredth of the drive, or five minutes, whichever is less. On a small card that would be less than the tables of
# its file system take, so that so much may be read of any drive. Our judgement.
MOST_SECONDS = 300.0
_MOST_SHARE = 100
# Less than this is read within seconds, and to find out what is used takes as long. Our judgement.
LEAST_LEFT_BYTES = 1 << 30
_LEAST_BYTES = 64 << 20
_LOSING = "The source is losing data, so what is used comes first"


class Findings(Value, frozen=True, kw_only=True):
    """What is used of a drive, as far as the copy tells; None where it tells nothing. `lacking` would tell more."""

    used_space: UsedSpace | None = None
    lacking: tuple[Area, ...] = ()


class Surveyor(Protocol):
    """Whoever knows file systems."""

    def __call__(self, path: str, missing: Sequence[Area], seconds: float) -> Findings:
        """What the copy at `path` tells, of which `missing` has not come across. Takes so many seconds at most."""


class Look:
    """One look. `ranks` are its outcome: none, where the drive is to be read in plain order."""

    def __init__(self, surveyor: Surveyor, path: str, policy: DamagePolicy, gap_bytes: int, watch: Watch) -> None:
        self._surveyor, self._path, self._policy, self._watch = surveyor, path, policy, watch
        self._gap_bytes = gap_bytes
        self._until = watch.clock() + MOST_SECONDS
        self.ranks: tuple[Rank, ...] = ()

    def events(self, reader: SourceReader, stages: Stages) -> Generator[ReadEvent]:
        """All that the look reads. Each event is stored before the next is asked for.

        Raises as the reader does, and Interrupted where only what is used was wanted and that is not known.
        """
        whole, asked = Area(offset=0, length=stages.total), Rank()
        bytes_left, reason = max(stages.total // _MOST_SHARE, _LEAST_BYTES), ""
        while True:
            missing = uncovered(stages.areas(COPIED), whole)
            findings = self._surveyor(self._path, missing, self._until - self._watch.clock())
            untried = [area for area, stage in stages.runs() if UNREAD <= stage <= FAILED_PIECE]
            lacking = tuple(intersect(findings.lacking, untried))
            if not lacking:
                break
            pieces = widen(lacking, self._policy.piece_bytes, stages.total)
            bytes_left -= total(intersect(pieces, missing))
            if self._watch.clock() > self._until:
                reason = "to find out takes more than five minutes"
            elif bytes_left < 0:
                reason = "to find out takes more than a hundredth of the drive"
            if reason:
                break
            asked = (*asked, *pieces)
            yield from reader.look(lacking)
        self._conclude(stages.total, findings.used_space, asked, reason or "no record of free space was found")

    def _conclude(self, size_bytes: int, used_space: UsedSpace | None, asked: Rank, reason: str) -> None:
        """Say what comes first; `reason`: why it is the plain order, if it is."""
        if used_space is None and self._policy.until_used:
            problem = f"what is used of the source is not known: {reason}"
            hint = "All that was read is safe; --resume without --until used goes on and reads all of it"
            raise Interrupted(problem, hint=hint)
        if used_space is None:
            self._watch.notify(f"What is used of the source is not known, so it is read in plain order: {reason}.")
            return
        known = msgspec.structs.replace(used_space, asked=asked)
        unit = self._policy.piece_bytes
        self.ranks = known.ranks(size_bytes, gap_bytes=self._gap_bytes, unit_bytes=unit)
        used = format_bytes(total(area for rank in self.ranks[:3] for area in rank))
        size = format_bytes(size_bytes)
        reason = "All that is used is read, and no more" if self._policy.until_used else _LOSING
        self._watch.notify(f"{reason}: {used} of {size}.")
