"""Is this the copy that the journal tells of? Known by content, where a side has no name of its own.

    by name     the drive's own identity, an attachment that never ended, an image at its path, of its size
    by content  everything else of the right size: chunks are read on both sides and compared with the journal

A dock that hides its drive shows another one in the same way. So nothing is written before the target was found to hold
what the journal says is across, and the source to hold what was copied from it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivecare.errors import Refused
from drivecare.reading.identity import compare
from drivecare.transfer.medium import Medium, require_present
from drivecare.transfer.sectors.journal import Journal, unpack
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.segments import Segment

SPREAD = 64  # chunks between the first and the last that are compared in any case
SOURCE_SPREAD = 8  # a source may be failing, and every read of it counts
QUICK_SECONDS = 60.0  # where all chunks take no longer than this, all are compared

_OTHERWISE = "Otherwise move the journal away and start a new copy"


def is_known_by_name(recorded: End, present: End) -> bool:
    """Tell whether an end is the recorded one by its own name, by never having been detached, or by path and size."""
    if compare(recorded, present) == "yes":
        return True
    if recorded.attachment is not None and recorded.attachment == present.attachment:
        return True
    alike = (recorded.path, recorded.size_bytes) == (present.path, present.size_bytes)
    return alike and recorded.kind == present.kind == "image"


def complete_chunks(journal: Journal) -> list[Segment]:
    """The whole chunks that a journal says are across."""
    return [
        segment
        for segment in unpack(journal.copied, journal.chunk_bytes)
        if segment.area.length == journal.chunk_bytes or segment.area.end == journal.bytes_total
    ]


def check_content(
    journal: Journal,
    source: Medium,
    target: Medium,
    holds: Callable[[Medium, Segment], bool | None],
    clock: Callable[[], float],
) -> None:
    """Compare both sides with the journal. Raises Refused for any difference, and where nothing could be compared."""
    chunks = complete_chunks(journal)
    if not chunks:  # then the target is empty, or the guards have refused it
        return
    sample = spread_over(chunks, SPREAD)
    began = clock()
    _compare_target(sample, target, holds)
    if (clock() - began) * len(chunks) <= QUICK_SECONDS * len(sample):
        _compare_target([chunk for chunk in chunks if chunk not in sample], target, holds)
    answers = [(chunk, holds(source, chunk)) for chunk in spread_over(chunks, SOURCE_SPREAD)]
    for chunk, answer in answers:
        if answer is False:
            raise _refusal("source", source, f"at byte {chunk.area.offset:,} what was copied from there")
    if not any(answer for _, answer in answers):
        raise _refusal("source", source, "readably any of what was copied from it")


def check_last_window(
    copied: Sequence[Segment],
    window_bytes: int,
    source: Medium,
    target: Medium,
    holds: Callable[[Medium, Segment], bool | None],
) -> list[Segment]:
    """Check that the target holds what was last written, the source what was read first and last.

    Returns what the target lost, which is to be read again. Raises Refused for a target that holds none of it, or a
    source that reads otherwise: that is another medium or was written to.
    """
    window, size = [], 0
    for segment in reversed(copied):
        window.append(segment)
        size += segment.area.length
        if size >= window_bytes:
            break
    agreeing = [segment for segment in window if holds(target, segment)]
    require_present(target)
    if len(window) > 1 and not agreeing:
        raise Refused(
            "the target holds nothing of what was last copied to it",
            guard="target-changed",
            location=target.path,
            hint="Is it the right one? Otherwise move the journal away and start a new copy",
        )
    for segment in (*copied[:1], *agreeing[:1]):
        if holds(source, segment) is False:
            raise Refused(
                f"the source no longer holds at byte {segment.area.offset:,} what was copied from there",
                guard="source-changed",
                location=source.path,
                hint="It is another one or was written to: move the journal away and start a new copy",
            )
    return [segment for segment in window if segment not in agreeing]


def spread_over(chunks: Sequence[Segment], between: int) -> list[Segment]:
    """Select the first, the last and so many evenly between, or all where there are no more."""
    last = len(chunks) - 1
    places = {last * step // (between + 1) for step in range(between + 2)}
    return [chunks[place] for place in sorted(places)]


def _compare_target(chunks: Sequence[Segment], target: Medium, holds: Callable[[Medium, Segment], bool | None]) -> None:
    for chunk in chunks:
        if not holds(target, chunk):
            require_present(target)
            raise _refusal("target", target, f"at byte {chunk.area.offset:,} what was copied there")


def _refusal(side: str, medium: Medium, what: str) -> Refused:
    return Refused(
        f"the {side} does not hold {what}; nothing was written",
        guard=f"{side}-changed",
        location=medium.path,
        hint=f"It has no name of its own to know it by: is it the right one? {_OTHERWISE}",
    )
