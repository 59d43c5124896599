"""What a person should know of a copy beside its proof: warnings before the first byte, notes in the receipt."""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from pathlib import Path

from drivecare.hardware.backing_drive import is_fast
from drivecare.transfer.sectors.receipt import Note
from drivecare.work.copy_plan import modified_ns
from drivecare.work.copy_session import CopyPlan, SessionRunner


def warn_of_room(runner: SessionRunner, plan: CopyPlan) -> None:
    """Say before the first byte where an image may fill its file system.

    How much is zero, and so takes no room, is known only once it was read: no reason to refuse.
    """
    if plan.target.is_device:
        return
    request = plan.request
    taken = os.stat(request.target).st_blocks * 512 if plan.target.exists else 0  # noqa: PTH116
    source = os.stat(runner.machine.node(request.source))  # noqa: PTH116
    needed = plan.journal.bytes_total
    if stat.S_ISREG(source.st_mode):
        needed = min(needed, source.st_blocks * 512)
    room = os.statvfs(Path(request.target).resolve().parent)
    free = room.f_bavail * room.f_frsize + taken
    if needed > free:
        runner.notify(
            f"{request.target} may need {needed:,} bytes and has room for {free:,}. Long runs of zeros take no room; "
            "with too few of them the copy stops when the room is used up, and --resume continues from there."
        )


def warn_of_digest(runner: SessionRunner, plans: Sequence[CopyPlan]) -> None:
    """Say before the first byte where SHA-256 will be slower than all media, and how to choose the faster digest."""
    paths = (plans[0].request.source, *(plan.request.target for plan in plans))
    in_sha256 = all(plan.journal.whole_algorithm == "sha256" for plan in plans)
    if in_sha256 and all(is_fast(path, root=runner.machine.root) for path in paths):
        runner.notify(
            "Both sides are fast, so the SHA-256 of the whole sets the pace of the reading back; --digest blake3 is "
            "faster, but sha256sum cannot check it."
        )


def notes_on_session(plan: CopyPlan) -> tuple[Note, ...]:
    """What the receipt notes of the way it came about: whether the source changed, how a resume knew its ends."""
    return (*_changes_since(plan), *_how_resumed(plan))


_CHANGED = Note(
    code="source-changed",
    text="The source was written to while it was copied: the target holds what was read, and parts of it may be older "
    "than others. Copy it again once nothing writes to it.",
)


_VANISHED = Note(
    code="source-vanished",
    text="The source was no longer there at the end, so nothing tells whether it was written to while it was copied.",
)


def _changes_since(plan: CopyPlan) -> tuple[Note, ...]:
    """What to note of a source image, by its time of last change at the beginning and now."""
    if plan.journal.source_modified_ns is None:
        return ()
    try:
        return () if modified_ns(plan.source) == plan.journal.source_modified_ns else (_CHANGED,)
    except OSError:
        return (_VANISHED,)


def _how_resumed(plan: CopyPlan) -> tuple[Note, ...]:
    """What to note of the last session: how it was known that it goes on with this very copy."""
    if plan.fresh:
        return ()
    return (_BY_CONTENT if plan.by_content else _BY_NAME,)


_BY_NAME = Note(
    code="resumed-by-name",
    text="The copy was continued: source and target were known by their own names, by their place, or by not having "
    "been detached.",
)
_BY_CONTENT = Note(
    code="resumed-by-content",
    text="The copy was continued: a side has no name of its own, and was known by its size and by holding what the "
    "journal says of it.",
)
