"""What a journal lets continue, of values alone."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from drivecare.errors import Refused
from drivecare.reading.identity import Identity
from drivecare.transfer.areas import Area
from drivecare.transfer.sectors.guards import Consent, Endpoint
from drivecare.transfer.sectors.journal import Journal, pack, unpack
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.resume import (
    continue_journal,
    is_resumed_by_content,
    lasting_acknowledgements,
    recognize_target,
    without_cut_off,
)
from drivecare.transfer.sectors.segments import Segment
from tests.transfer.sectors.fake_medium import fresh_journal

MIB = 1 << 20
SIZE = 8 * MIB
NAMED = Identity.from_names(native_serial="PN24-11873")
SOURCE = End(path="/dev/sdb", kind="device", size_bytes=SIZE, serial="KX25-00417", attachment="boot 7")
IMAGE = End(path="/srv/old.img", kind="image", size_bytes=SIZE)
DEVICE = End(path="/dev/sdc", kind="device", size_bytes=SIZE, serial="PN24-11873", attachment="boot 8")


def journal(target: End, *, segments: int = 1, **facts: Any) -> Journal:
    """The journal of a copy that has got through this many chunks, each after a gap."""
    fresh = fresh_journal(SOURCE, target)
    copied = [Segment(Area.between(2 * n * MIB, (2 * n + 1) * MIB), bytes(32)) for n in range(segments)]
    return msgspec.structs.replace(fresh, copied=pack(copied, fresh.chunk_bytes), **facts)


def changed(end: End, **facts: Any) -> End:
    return msgspec.structs.replace(end, **facts)


@pytest.mark.parametrize(
    ("recorded", "present", "segments", "recognized"),
    [
        (changed(DEVICE, identity=NAMED), changed(DEVICE, identity=NAMED, attachment="boot 9"), 0, True),
        (DEVICE, DEVICE, 0, True),
        (DEVICE, changed(DEVICE, attachment="boot 9"), 0, False),
        (DEVICE, changed(DEVICE, attachment="boot 9"), 1, True),
        (changed(DEVICE, attachment=None), changed(DEVICE, attachment=None), 0, False),
        (IMAGE, IMAGE, 0, True),
        (IMAGE, changed(IMAGE, path="/srv/moved.img"), 0, False),
        (IMAGE, changed(IMAGE, path="/srv/moved.img"), 1, True),
        (IMAGE, changed(IMAGE, size_bytes=SIZE - 1), 1, None),
        (IMAGE, changed(IMAGE, size_bytes=SIZE + 1), 1, False),
    ],
    ids=[
        "its own name",
        "never detached",
        "attached again, nothing to compare",
        "attached again, a chunk to compare",
        "an attachment nobody counted",
        "an image at its path",
        "a moved image, nothing to compare",
        "a moved image, a chunk to compare",
        "a shorter image",
        "an image that grew",
    ],
)
def test_a_target_that_a_copy_began_is_recognized(
    recorded: End, present: End, segments: int, recognized: bool | None
) -> None:
    assert recognize_target(journal(recorded, segments=segments), Endpoint(end=present)) is recognized


@pytest.mark.parametrize(
    ("source", "target", "by_content"),
    [
        (SOURCE, DEVICE, False),
        (changed(SOURCE, attachment="boot 9"), DEVICE, True),
        (SOURCE, changed(DEVICE, attachment="boot 9"), True),
    ],
)
def test_a_side_without_a_name_is_known_by_its_content(source: End, target: End, by_content: bool) -> None:
    assert is_resumed_by_content(journal(DEVICE), source, target) is by_content


def test_an_image_that_was_not_made_yet_needs_no_name() -> None:
    moved = Endpoint(end=changed(IMAGE, path="/srv/other.img", size_bytes=0), exists=False)
    assert recognize_target(journal(IMAGE, segments=0), moved) is True


def test_what_was_cut_off_is_claimed_no_longer() -> None:
    begun = journal(IMAGE, segments=3)
    cut = Endpoint(end=changed(IMAGE, size_bytes=3 * MIB))
    claimed = [segment.area for segment in unpack(without_cut_off(begun, cut).copied, begun.chunk_bytes)]
    assert claimed == [Area.between(0, MIB), Area.between(2 * MIB, 3 * MIB)]
    assert without_cut_off(begun, Endpoint(end=IMAGE)) is begun


@pytest.mark.parametrize(
    ("source", "target", "modified_ns", "guard"),
    [
        (changed(SOURCE, serial="KX25-00418"), IMAGE, None, "other-medium"),
        (SOURCE, changed(IMAGE, kind="device"), None, "other-medium"),
        (SOURCE, IMAGE, 5, "source-changed"),
    ],
)
def test_other_media_and_a_source_that_changed_are_refused(
    source: End, target: End, modified_ns: int | None, guard: str
) -> None:
    begun = journal(IMAGE, source_modified_ns=None if modified_ns is None else 4)
    with pytest.raises(Refused) as caught:
        continue_journal(begun, Endpoint(end=source), Endpoint(end=target), Consent(), source_modified_ns=modified_ns)
    assert caught.value.guard == guard


def test_the_next_session_bears_todays_names_and_keeps_what_was_answered() -> None:
    begun = journal(DEVICE, acknowledged=("size", "weak-identity"), phase="done")
    source, target = changed(SOURCE, path="/dev/sdx", attachment="boot 9"), changed(DEVICE, path="/dev/sdy")
    continued = continue_journal(begun, Endpoint(end=source), Endpoint(end=target), Consent(), source_modified_ns=None)
    assert (continued.source.path, continued.source.attachment) == ("/dev/sdx", "boot 9")
    assert (continued.target.path, continued.sessions, continued.phase) == ("/dev/sdy", begun.sessions + 1, "copying")
    assert continued.acknowledged == ("size", "weak-identity")
    assert lasting_acknowledgements(continued) == ("size",)
