"""What was copied against the drive that was read: proven is the whole drive, or the customer knows of the rest."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.job.customer import _what_the_copy_lacks, _what_we_copied
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import GateItem
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Verification
from drivecare.transfer.sectors.verify import as_proof_of, is_own_target
from tests.job.carried import (
    AREA,
    NEW,
    NOW,
    OLD,
    OTHER,
    SIZE,
    assessment,
    data_route,
    device,
    empty_route,
    fact,
    filed,
    image,
    plan,
    receipt,
)

UNPROVEN = {"copy-verified", "unchanged-since"}


def missing(folder: Path, documents: list[Value]) -> dict[str, GateItem]:
    gate = judge_gate(load_job_state(filed(folder, documents).read(), now=NOW))
    return {item.item: item for item in gate.items if not item.holds}


def read_as(drive: Drive) -> list[Value]:
    """The job whose old drive was read with another size than was copied."""
    documents = data_route()
    documents[1] = assessment(drive, "evacuate")
    return documents


OTHERWISE: dict[str, tuple[dict[str, int | None], str]] = {
    "larger than what was copied": (
        {"capacity_bytes": 500_107_862_016},
        "67,108,864 bytes were copied, but the drive that was read has 500,107,862,016; copy again, or record"
        " copy-size",
    ),
    "smaller than what was copied": ({"capacity_bytes": SIZE - 512}, "the drive that was read has 67,108,352"),
    "with a hidden area": ({"native_capacity_bytes": SIZE + 512}, "the drive that was read has 67,109,376"),
    "without a size": ({"capacity_bytes": None}, "the drive's reading does not give its size"),
}


@pytest.mark.promise(5)
@pytest.mark.parametrize("name", OTHERWISE)
def test_a_drive_read_with_another_size_than_was_copied(tmp_path: Path, name: str) -> None:
    fields, words = OTHERWISE[name]
    documents = read_as(msgspec.structs.replace(OLD, **fields))
    items = missing(tmp_path / "a", documents)
    assert items.keys() == UNPROVEN
    assert words in items["copy-verified"].evidence
    assert items["copy-verified"].next == 'drivecare job record 1042 copy-size --note "..."'
    assert missing(tmp_path / "b", [*documents, fact("copy-size")]).keys() == set()
    assert missing(tmp_path / "c", [fact("copy-size"), *documents]).keys() == UNPROVEN  # before that copy was made
    assert isinstance(documents[4], Receipt)
    again = msgspec.structs.replace(documents[4], finished="2026-11-25T11:20:00+00:00")
    assert missing(tmp_path / "d", [*documents, fact("copy-size"), again, fact("detached")]).keys() == UNPROVEN
    verified = Verification(method="direct", at="2026-11-25T11:50:00+00:00")
    same = msgspec.structs.replace(documents[4], verification=verified)
    assert missing(tmp_path / "e", [*documents, fact("copy-size"), same, fact("detached")]).keys() == set()


def test_an_image_is_judged_by_the_receipt_it_came_from(tmp_path: Path) -> None:
    """The image is whole, and is of part of the drive."""
    to_image = receipt(device(OLD, "/dev/sdb"), image("/jobs/a.img"))
    to_drive = receipt(
        image("/jobs/a.img"), device(NEW, "/dev/sdc"), parents=("ab" * 32,), unreadable=(), bytes_copied=SIZE
    )
    for number, (size_bytes, names) in enumerate([(SIZE, set[str]()), (4_000_787_030_016, UNPROVEN)]):
        documents = read_as(msgspec.structs.replace(OLD, capacity_bytes=size_bytes))
        documents[4:5] = [to_image, to_drive]
        assert missing(tmp_path / str(number), documents).keys() == names


def part(whole: str = "ab" * 32, chunks: int = 64, chunk: str = "cd" * 32) -> Digest:
    return Digest(whole=whole, chunk_bytes=1 << 20, chunks=(chunk,) * chunks)


SOURCE, TARGET = device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")
NAMELESS = End(path="/dev/sdc", kind="device", size_bytes=SIZE)
CONTRADICTIONS: dict[str, tuple[dict[str, object], str]] = {
    "no chunks": ({"digest": part(chunks=0)}, "holds 0 digests where 64 belong"),
    "a chunk too few": ({"digest": part(chunks=63)}, "holds 63 digests where 64 belong"),
    "one byte and no chunks": (
        {"bytes_total": 1, "bytes_copied": 1, "digest": part(chunks=0), "unreadable": ()},
        "holds 0 digests where 1 belong",
    ),
    "nothing at all": (
        {"bytes_total": 0, "bytes_copied": 0, "digest": part(chunks=0), "unreadable": ()},
        "holds 0 digests where 0 belong",
    ),
    "a digest that is none": ({"digest": part(whole="yes")}, "holds 'yes', which is not a digest"),
    "a chunk that is none": ({"digest": part(chunk="AB" * 32)}, "which is not a digest"),
    "one chunk unlike the whole": (
        {"digest": Digest(whole="ab" * 32, chunk_bytes=1 << 30, chunks=("cd" * 32,))},
        "has one chunk, whose digest is not that of the whole",
    ),
    "a larger source": (
        {"source": msgspec.structs.replace(SOURCE, size_bytes=SIZE + 512)},
        "covers 67,108,864 bytes, but its source has 67,109,376",
    ),
    "a smaller source": (
        {"source": msgspec.structs.replace(SOURCE, size_bytes=SIZE - 512)},
        "covers 67,108,864 bytes, but its source has 67,108,352",
    ),
    "a smaller target": (
        {"target": msgspec.structs.replace(TARGET, size_bytes=SIZE - 512)},
        "covers 67,108,864 bytes, but its target has 67,108,352",
    ),
    "more than all was copied": (
        {"bytes_copied": SIZE},
        "counts 67,108,864 bytes copied and 8,192 unreadable of 67,108,864",
    ),
    "an area beyond the end": (
        {"unreadable": (msgspec.structs.replace(receipt(SOURCE, TARGET).unreadable[0], offset=SIZE - 4096),)},
        "lists areas beyond its 67,108,864 bytes",
    ),
}


@pytest.mark.promise(5)
@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_a_receipt_whose_numbers_do_not_fit_together_is_no_proof(tmp_path: Path, name: str) -> None:
    changes, words = CONTRADICTIONS[name]
    altered = msgspec.structs.replace(receipt(SOURCE, TARGET), **changes)
    assert words in altered.contradiction
    documents = data_route()
    documents[4] = altered
    items = missing(tmp_path, documents)
    assert items.keys() >= UNPROVEN
    assert f"the receipt contradicts itself: it {altered.contradiction}" in items["copy-verified"].evidence


def test_what_was_not_read_yet_is_no_proof_whatever_an_earlier_copy_lost(tmp_path: Path) -> None:
    """Areas lost in an image's own copy were copied here as they stood: they make up for nothing unread."""
    lost = msgspec.structs.replace(receipt(SOURCE, TARGET).unreadable[0], inherited=True)
    documents = data_route()
    documents[4] = receipt(SOURCE, TARGET, unreadable=(lost,), bytes_copied=SIZE - AREA.length)
    assert missing(tmp_path, documents).keys() == UNPROVEN


def test_a_receipt_that_fits_together() -> None:
    assert receipt(SOURCE, TARGET).contradiction == ""
    larger = End(path="/dev/sdc", kind="device", size_bytes=SIZE * 2)
    assert receipt(SOURCE, larger, mismatched=(AREA,), digest=part(chunks=64)).contradiction == ""


def test_what_another_drive_holds_is_a_proof_of_that_drive_alone(tmp_path: Path) -> None:
    """A receipt to the new drive, verified against whatever was attached."""
    documents = data_route()
    copy = receipt(SOURCE, TARGET, verified=False)
    for number, (other, names) in enumerate(
        [(device(OTHER, "/dev/sdc"), UNPROVEN), (NAMELESS, UNPROVEN), (image("/jobs/x.img"), UNPROVEN)]
    ):
        read = as_proof_of(receipt(SOURCE, TARGET), other)
        documents[4:] = [copy, read, fact("unreadable", str(AREA.offset)), fact("detached")]
        assert missing(tmp_path / str(number), documents).keys() == names
    by_its_name = as_proof_of(receipt(SOURCE, NAMELESS), TARGET)  # copied on a dock that hid the name, read on another
    documents[4:] = [receipt(SOURCE, NAMELESS), by_its_name, fact("unreadable", str(AREA.offset)), fact("detached")]
    assert missing(tmp_path / "named", documents).keys() == set()


SAME_SIZE_NO_NAME = {"identity": Identity(), "serial": None, "model": None}


@pytest.mark.promise(5)
@pytest.mark.parametrize(
    ("changes", "own"),
    [
        ({}, True),
        ({"path": "/dev/sdx"}, True),
        (SAME_SIZE_NO_NAME, False),
        ({"identity": Identity(bridge_serial="DOCK123", strength="weak"), "serial": "DOCK123"}, False),
        ({"identity": OTHER.identity, "serial": OTHER.serial}, False),
        ({"identity": Identity(native_serial=NEW.serial, strength="strong")}, True),
    ],
    ids=["itself", "under another path", "nameless", "hidden by a dock", "another drive", "by its number alone"],
)
def test_a_named_target_is_its_own_by_its_name_alone(changes: dict[str, Any], own: bool) -> None:
    assert is_own_target(receipt(SOURCE, TARGET), msgspec.structs.replace(TARGET, **changes)) is own


def test_a_nameless_target_is_its_own_by_its_size_while_nothing_names_either() -> None:
    nameless = receipt(SOURCE, NAMELESS)
    assert is_own_target(nameless, NAMELESS)
    assert not is_own_target(nameless, msgspec.structs.replace(NAMELESS, size_bytes=SIZE + 512))
    assert not is_own_target(nameless, TARGET)


def test_a_copy_from_before_the_job_needs_a_reason(tmp_path: Path) -> None:
    """What the unit wrote since is not on it, however well it is verified today."""
    documents = data_route()
    documents[4] = receipt(SOURCE, TARGET, started="2026-03-18T10:00:00+00:00", finished="2026-03-18T11:00:00+00:00")
    items = missing(tmp_path / "a", documents)
    assert items.keys() == UNPROVEN
    assert "copied before this job was opened, on 18 March 2026" in items["copy-verified"].evidence
    why = fact("earlier-copy", note="the drive has lain here since")
    assert missing(tmp_path / "b", [*documents, why]).keys() == set()
    assert missing(tmp_path / "c", [why, *documents]).keys() == UNPROVEN
    within = receipt(SOURCE, TARGET, started="2026-11-25T08:55:00+00:00")
    assert missing(tmp_path / "d", [*documents[:4], within, *documents[5:]]).keys() == set()
    untimed = receipt(SOURCE, TARGET, started="noon")
    assert missing(tmp_path / "e", [*documents[:4], untimed, *documents[5:]]).keys() == UNPROVEN


@pytest.mark.parametrize(
    ("planned", "words"),
    [
        ({"capacity_bytes": SIZE, "logical_sector_bytes": 512}, ""),
        ({"capacity_bytes": None, "logical_sector_bytes": None}, ""),
        ({"capacity_bytes": SIZE * 2}, "planned with 134,217,728 bytes, read with 67,108,864"),
        ({"logical_sector_bytes": 4096}, "planned with 4,096 bytes per sector, read with 512"),
    ],
)
def test_the_new_drive_is_what_the_plan_took_it_for(tmp_path: Path, planned: dict[str, int], words: str) -> None:
    """A stock list may say more of a drive than it holds."""
    documents = empty_route()
    row = plan().candidates[0]
    documents[3] = plan(migration="unit-initialises", candidates=(msgspec.structs.replace(row, **planned),))
    documents[4] = assessment(msgspec.structs.replace(NEW, logical_sector_bytes=512), "refit", sale="new")
    items = missing(tmp_path, documents)
    assert items.keys() == ({"fitted-is-planned"} if words else set())
    assert not words or words in items["fitted-is-planned"].evidence


REST = AreaContents(offset=8 << 20, length=1 << 20)
FREE = (Hold(kind="free", bytes=REST.length),)


def stopped_at_used(holds: tuple[Hold, ...], **more: object) -> list[Value]:
    """A job whose copy stopped at what is used, but for one area, of which the copy shows what it holds."""
    documents = data_route()
    whole = documents[4]
    assert isinstance(whole, Receipt)
    start, end = AREA.end, whole.bytes_total
    verified = Area.between(0, AREA.offset), Area.between(start, REST.offset), Area.between(REST.end, end)
    stopped = msgspec.structs.replace(
        whole,
        unread=(msgspec.structs.replace(REST, holds=holds),),
        verified_areas=verified,
        bytes_copied=whole.bytes_copied - REST.length,
        digest=msgspec.structs.replace(whole.digest, whole=None),
        verified=False,
        looks=None,
    )
    documents[4] = msgspec.structs.replace(stopped, **more)
    return documents


NOT_FREE: dict[str, tuple[Hold, ...]] = {
    "nobody looked": (),
    "nobody can tell": (Hold(kind="unknown", bytes=REST.length),),
    "a deleted file": (Hold(kind="deleted", bytes=REST.length),),
    "free but for a sector": (Hold(kind="free", bytes=REST.length - 512),),
    "a file": (Hold(kind="free", bytes=REST.length - 512), Hold(kind="file", bytes=512)),
}


@pytest.mark.promise(5)
@pytest.mark.parametrize("name", NOT_FREE)
def test_the_gate_stays_shut_over_an_unread_area_that_is_not_known_to_be_free(tmp_path: Path, name: str) -> None:
    documents = stopped_at_used(NOT_FREE[name])
    items = missing(tmp_path / "a", documents)
    assert items.keys() == {"copy-verified", "unchanged-since"}
    assert "1,048,576 of 67,108,864 bytes are unread, and not known to be free at 8,388,608" in (
        items["copy-verified"].evidence
    )
    assert (items["copy-verified"].next or "").startswith("drivecare copy")
    told = fact("unread", "8388608", areas=(REST,))
    assert missing(tmp_path / "b", [*documents, told]).keys() == set()
    shorter = fact("unread", "8388608", areas=(Area(offset=REST.offset, length=512),))
    assert missing(tmp_path / "c", [*documents, shorter]).keys() == UNPROVEN
    of_another_kind = fact("unreadable", "8388608", areas=(REST,))
    assert missing(tmp_path / "d", [*documents, of_another_kind]).keys() == UNPROVEN


def test_unread_areas_of_free_space_alone_leave_it_open_and_are_told(tmp_path: Path) -> None:
    assert missing(tmp_path / "a", stopped_at_used(FREE)).keys() == set()
    state = load_job_state(filed(tmp_path / "b", stopped_at_used(FREE)).read(), now=NOW)
    assert "all but 1,048,576 bytes that were not read" in state.proof.evidence
    assert state.proof.whole is False
    customer = " ".join([*_what_we_copied(state), *_what_the_copy_lacks(state)])
    assert "We copied 66.1 MB from your old drive, what was in use on it" in customer
    assert "1.05 MB of the old drive were not read, by its own records free space" in customer


@pytest.mark.parametrize("has_digests", [True, False], ids=["all digests", "as of 0.2.0"])
def test_after_a_day_the_gate_asks_for_what_can_be_had(tmp_path: Path, has_digests: bool) -> None:
    """What came across is read back again, where the receipt has the digests of all of it."""
    documents = stopped_at_used(FREE)
    stopped = documents[4]
    assert isinstance(stopped, Receipt)
    chunks = (None,) * 8 + stopped.digest.chunks[8:] if not has_digests else stopped.digest.chunks
    documents[4] = msgspec.structs.replace(stopped, digest=msgspec.structs.replace(stopped.digest, chunks=chunks))
    job = filed(tmp_path, documents)
    items = {item.item: item for item in load_job_state(job.read(), now=NOW + timedelta(days=2)).gate.items}
    command = "drivecare verify " if has_digests else "drivecare job record 1042 unchanged "
    assert (items["unchanged-since"].next or "").startswith(command)


FAULTS: dict[str, dict[str, object]] = {
    "not read back": {"verification": None},
    "read back wrong": {"mismatched": (AreaContents(offset=0, length=512),)},
    "not all of it read back": {"verified_areas": (Area(offset=0, length=512),)},
    "silent": {"target_unreadable": (AreaContents(offset=0, length=512),)},
}


@pytest.mark.promise(5)
@pytest.mark.parametrize("name", FAULTS)
def test_what_was_copied_must_have_been_read_back_all_the_same(tmp_path: Path, name: str) -> None:
    assert "copy-verified" in missing(tmp_path, stopped_at_used(FREE, **FAULTS[name]))


def test_a_receipt_that_is_verified_with_bytes_unread_contradicts_itself() -> None:
    (stopped,) = [document for document in stopped_at_used(FREE) if isinstance(document, Receipt)]
    assert stopped.contradiction == ""
    assert msgspec.structs.replace(stopped, verified=True).contradiction == "is verified with 1,048,576 bytes unread"
    assert "counts" in msgspec.structs.replace(stopped, unread=()).contradiction
    assert "verified" in msgspec.structs.replace(stopped, verified_areas=()).contradiction
