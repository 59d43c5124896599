from __future__ import annotations

import random

import msgspec
import pytest

from drivecare.errors import BadInput, Interrupted
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.engine import copy_and_prove
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.verify import verify_target
from tests.transfer.sectors.fake_medium import FakeMedium, MemoryStore, buffers, end_of, fresh_journal

MIB = 1 << 20


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


def test_bytes_behind_the_copy_do_not_count(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    target.data[-1] ^= 1
    assert check(receipt, target).verified


def test_a_target_cut_short_is_a_mismatch_where_it_ends(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    again = check(receipt, FakeMedium(target.data[: 2 * MIB + 700]))
    assert again.mismatched == (Area.between(2 * MIB, 4 * MIB + 512),)
    assert again.exit_code == 21


def test_a_target_that_cannot_be_read_is_not_called_wrong(copied: tuple[Receipt, FakeMedium]) -> None:
    receipt, target = copied
    target.bad = [Area.between(2 * MIB, 2 * MIB + 512)]
    again = check(receipt, target)
    assert again.mismatched == ()
    assert again.target_unreadable == (Area.between(2 * MIB, 2 * MIB + 512),)
    assert again.exit_code == 21


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"chunks": ()}, "0 digests where 5 belong"),
        ({"whole": None}, "never proven"),
        ({"whole": "0" * 64}, "contradicts itself"),
        ({"chunks": ("zz",) * 5}, "not a SHA-256 digest"),
    ],
    ids=["no chunks", "no whole", "wrong whole", "no hex"],
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
