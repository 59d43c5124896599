from __future__ import annotations

import hashlib
import itertools
import random
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from blake3 import blake3

from drivecare.documents import decode
from drivecare.errors import BadInput, Interrupted
from drivecare.exit_codes import ExitCode
from drivecare.transfer.areas import Area, merge, overlap, uncovered
from drivecare.transfer.holds import AreaContents
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.digests import Algorithm
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.looking import Findings
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.verify import verify_target
from drivecare.transfer.sectors.worth import UsedSpace
from tests.transfer.sectors.fake_medium import FakeMedium, MemoryStore, buffers, end_of, fresh_journal

MIB = 1 << 20
HASHES: dict[Algorithm, Callable[[bytes | bytearray], Any]] = {"sha256": hashlib.sha256, "blake3": blake3}


@pytest.fixture
def copied() -> tuple[Receipt, FakeMedium]:
    source = FakeMedium(random.Random(1).randbytes(4 * MIB + 512), bad=[Area.between(MIB, MIB + 512)])
    target = FakeMedium(bytes(5 * MIB))
    receipt = copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(MIB))
    return receipt, target


def check(receipt: Receipt, target: FakeMedium, **more: bool) -> Receipt:
    return verify_target(receipt, target, buffers(MIB), Watch(), **more)


def test_what_was_proven_is_proven_again(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    again = check(receipt, target)
    assert (again.verified, again.exit_code, again.digest) == (True, 20, receipt.digest)
    assert again.verification is not None
    assert again.verification.method == "direct"


def test_a_power_cycle_is_the_users_word(copied: tuple[Receipt, FakeMedium]) -> None:
    verification = check(*copied, after_power_cycle=True).verification
    assert verification is not None
    assert verification.method == "after-power-cycle"


@pytest.mark.promise(2)
@pytest.mark.parametrize("at", [0, MIB - 1, MIB + 100, 3 * MIB, 4 * MIB + 511])
def test_any_flipped_byte_is_found_and_its_area_named(copied: tuple[Receipt, FakeMedium], at: int) -> None:
    receipt, target = copied
    target.data[at] ^= 0x10
    again = check(receipt, target)
    assert (again.verified, again.verification, again.exit_code) == (False, None, 21)
    assert [area.offset <= at < area.end for area in again.mismatched] == [True]
    assert again.digest.whole is None


UNREAD = (Area.between(MIB // 2, MIB), Area.between(2 * MIB, 3 * MIB + 4096), Area.between(4 * MIB, 4 * MIB + 512))


@pytest.fixture
def stopped() -> tuple[Receipt, FakeMedium]:
    """A copy that stopped at what is used, with a bad sector in it: chunks used whole, in part and not at all."""
    source = FakeMedium(random.Random(1).randbytes(4 * MIB + 512), bad=[Area.between(MIB, MIB + 512)])
    target = FakeMedium(bytes(5 * MIB))
    used = uncovered(UNREAD, Area(offset=0, length=source.size_bytes))
    settings = CopySettings(policy=DamagePolicy(until_used=True, piece_bytes=512))
    receipt = copy_and_prove(
        source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(MIB // 4), settings,
        surveyor=lambda path, missing, seconds: Findings(used_space=UsedSpace(used=used)),
    )  # fmt: skip
    assert receipt.unread
    return receipt, target


def test_what_came_across_of_a_copy_that_stopped_at_what_is_used_is_proven_again(
    stopped: tuple[Receipt, FakeMedium],
) -> None:
    receipt, target = stopped
    for area in receipt.unread:  # whatever lies there
        target.data[area.offset : area.end] = b"x" * area.length
    again = check(receipt, target)
    assert (again.verified, again.agrees, again.exit_code) == (False, True, ExitCode.INTERRUPTED)
    assert (again.digest, again.verified_areas, again.unread) == (
        receipt.digest,
        receipt.verified_areas,
        receipt.unread,
    )
    assert again.contradiction == ""


@pytest.mark.promise(2)
@pytest.mark.parametrize("at", [0, MIB // 2 - 1, MIB + 511, 2 * MIB - 1, 4 * MIB - 1])
def test_a_flipped_byte_of_what_came_across_is_found_and_mending_it_proves_it_again(
    stopped: tuple[Receipt, FakeMedium], at: int
) -> None:
    receipt, target = stopped
    target.data[at] ^= 0x10
    again = check(receipt, target)
    assert (again.agrees, again.verification, again.exit_code) == (False, None, ExitCode.MISMATCH)
    assert [area.offset <= at < area.end for area in again.mismatched] == [True]
    assert not any(overlap(area, bad) for area in receipt.unread for bad in again.mismatched)
    others = merge((*again.mismatched, *again.unread, *again.unreadable))
    assert again.verified_areas == uncovered(others, Area(offset=0, length=receipt.bytes_total))
    target.data[at] ^= 0x10
    assert check(again, target).verified_areas == receipt.verified_areas


def test_without_the_digests_of_all_that_came_across_nothing_is_proven(stopped: tuple[Receipt, FakeMedium]) -> None:
    """As 0.2.0 wrote them: none of a chunk that was used in part."""
    receipt, target = stopped
    whole_only = (None, *receipt.digest.chunks[1:])
    assert receipt.can_be_verified
    older = msgspec.structs.replace(receipt, digest=msgspec.structs.replace(receipt.digest, chunks=whole_only))
    assert not older.can_be_verified
    with pytest.raises(BadInput, match="does not hold the digests of all that was copied"):
        check(older, target)


@pytest.mark.promise(2)
def test_the_whole_is_proven_again_once_every_chunk_agrees(copied: tuple[Receipt, FakeMedium]) -> None:
    """As after a cable that read wrong was changed."""
    receipt, target = copied
    target.data[0] ^= 1
    failed = check(receipt, target)
    target.data[0] ^= 1
    assert check(failed, target).digest == receipt.digest


@pytest.mark.parametrize(("algorithm", "whole_algorithm"), [*itertools.product(HASHES, repeat=2)])
def test_a_receipt_is_checked_with_the_digests_it_names(algorithm: Algorithm, whole_algorithm: Algorithm) -> None:
    source, target = FakeMedium(random.Random(2).randbytes(4 * MIB + 512)), FakeMedium(bytes(4 * MIB + 512))
    journal = msgspec.structs.replace(
        fresh_journal(end_of(source), end_of(target)), algorithm=algorithm, whole_algorithm=whole_algorithm
    )
    receipt = copy_and_prove(source, target, journal, MemoryStore(), buffers(MIB))
    assert receipt.digest.chunks[4] == HASHES[algorithm](source.data[4 * MIB :]).hexdigest()
    assert receipt.digest.whole == HASHES[whole_algorithm](source.data).hexdigest()
    assert check(receipt, target).digest == receipt.digest
    target.data[5] ^= 1
    assert not check(receipt, target).verified


def test_a_receipt_of_0_1_0_is_still_a_proof() -> None:
    """As 0.1.0 wrote it: SHA-256 throughout, and no name of the whole's algorithm."""
    content = b"0.1.0" * 100
    text = f"""{{"schema": "drivecare/receipt-1",
        "source": {{"path": "a.img", "kind": "image", "size_bytes": 500}},
        "target": {{"path": "b.img", "kind": "image", "size_bytes": 500}},
        "bytes_total": 500, "bytes_copied": 500, "fill": "", "verified": true,
        "verification": {{"method": "direct", "at": "2026-11-25T10:00:09+01:00"}},
        "digest": {{"algorithm": "sha256", "chunk_bytes": 1048576,
            "whole": "{hashlib.sha256(content).hexdigest()}", "chunks": ["{hashlib.sha256(content).hexdigest()}"]}},
        "started": "2026-11-25T10:00:00+01:00", "finished": "2026-11-25T10:00:09+01:00", "tool_version": "0.1.0"}}"""
    receipt = decode(Receipt, text.encode(), origin="kept")
    assert check(receipt, FakeMedium(content)).verified
    assert not check(receipt, FakeMedium(content[:-1] + b"?")).verified


def test_bytes_behind_the_copy_do_not_count(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    target.data[-1] ^= 1
    assert check(receipt, target).verified


def test_a_target_cut_short_is_a_mismatch_where_it_ends(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    again = check(receipt, FakeMedium(target.data[: 2 * MIB + 700]))
    assert again.mismatched == (AreaContents.between(2 * MIB, 4 * MIB + 512),)
    assert again.exit_code == 21


def test_a_target_that_cannot_be_read_is_not_called_wrong(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    target.bad = [Area.between(2 * MIB, 2 * MIB + 512)]
    again = check(receipt, target)
    assert again.mismatched == ()
    assert again.target_unreadable == (AreaContents.between(2 * MIB, 2 * MIB + 512),)
    assert again.exit_code == 21


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"chunks": ()}, "0 digests where 5 belong"),
        ({"chunks": (None,) * 5}, "never proven"),
        ({"whole": "0" * 64}, "contradicts itself"),
        ({"chunks": ("zz",) * 5}, "not a digest"),
    ],
    ids=["no chunks", "unproven", "wrong whole", "no hex"],
)
def test_a_receipt_that_cannot_be_checked(
    copied: tuple[Receipt, FakeMedium], change: dict[str, object], words: str
) -> None:
    receipt, target = copied
    digest = msgspec.structs.replace(receipt.digest, **change)
    with pytest.raises(BadInput, match=words):
        check(msgspec.structs.replace(receipt, digest=digest), target)


def test_a_stop_proves_nothing(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    with pytest.raises(Interrupted):
        verify_target(receipt, target, buffers(MIB), Watch(stop_reason=lambda: "stopped by SIGTERM"))
