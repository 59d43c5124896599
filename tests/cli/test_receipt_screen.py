"""What a person reads of a receipt: how much is across comes first, and no word sounds like success where none was."""

from __future__ import annotations

import io

import msgspec
import pytest

from drivecare.cli.receipt_screen import show_receipt
from drivecare.cli.screen import Screen
from drivecare.transfer.areas import Area
from drivecare.transfer.counted import Counted
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.sectors.receipt import Digest, End, Receipt, Unreadable, Verification

MIB = 1 << 20
SIZE = 16 * MIB
ALL = Unreadable(offset=0, length=SIZE)
ONE = Unreadable(offset=MIB, length=512)


def receipt(*unreadable: Unreadable, **more: object) -> Receipt:
    lost = sum(one.length for one in unreadable if not one.inherited)
    proven = Receipt(
        source=End(path="/dev/sdb", kind="device", size_bytes=SIZE, logical_sector_bytes=512),
        target=End(path="t.img", kind="image", size_bytes=SIZE),
        bytes_total=SIZE,
        bytes_copied=SIZE - lost,
        digest=Digest(whole="ab" * 32, chunk_bytes=MIB, chunks=("cd" * 32,) * 16),
        unreadable=unreadable,
        fill="text",
        verified=True,
        verification=Verification(method="direct", at="2026-11-25T12:00:00+00:00"),
        started="",
        finished="",
        tool_version="0",
    )
    return msgspec.structs.replace(proven, **more)


def shown(of: Receipt) -> str:
    """The screen in one line, however it was wrapped."""
    stream = io.StringIO()
    show_receipt(Screen(file=stream, width=400, highlight=False, markup=False), of)
    return " ".join(stream.getvalue().split())


@pytest.mark.parametrize(
    ("of", "lines"),
    [
        (
            receipt(),
            ["VERIFIED: all 16,777,216 bytes (16.8 MB) were read back past this machine's cache and agree."],
        ),
        (
            receipt(ONE),
            [
                "16,776,704 of 16,777,216 bytes (16.8 MB) could be read: all but 1 unreadable area.",
                "VERIFIED: the target holds every byte that could be read; all of it was read back past this machine's "
                "cache and agrees.",
            ],
        ),
        (
            receipt(ALL),
            [
                "NOTHING COPIED: 0 of 16,777,216 bytes (16.8 MB) could be read.",
                "The target holds nothing but the text that marks unreadable places; all of it was read back past this "
                "machine's cache.",
            ],
        ),
        (
            receipt(msgspec.structs.replace(ALL, inherited=True)),
            ["NOTHING COPIED: 0 of 16,777,216 bytes (16.8 MB) could be read."],
        ),
        (
            receipt(ONE, verified=False, verification=None, mismatched=(AreaContents.between(0, MIB),)),
            [
                "16,776,704 of 16,777,216 bytes (16.8 MB) could be read: all but 1 unreadable area.",
                "NOT VERIFIED: the target does not hold what it must, in 1 area (1,048,576 bytes in all).",
            ],
        ),
        (
            receipt(verified=False, verification=None, target_unreadable=(AreaContents.between(0, 4 * MIB),)),
            ["NOT VERIFIED: 4.19 MB of the target could not be read back; the rest agrees."],
        ),
        (receipt(verified=False, verification=None), ["NOT VERIFIED: the target was not read back in full."]),
        (
            receipt(
                verified=False,
                verification=None,
                mismatched=(AreaContents.between(8 * MIB, 9 * MIB),),
                target_unreadable=(AreaContents.between(0, 8 * MIB),),
            ),
            ["NOT VERIFIED: the target does not hold what it must, in 1 area (1,048,576 bytes in all)."],
        ),
    ],
    ids=["whole", "one area lost", "all lost", "all lost before", "wrong", "not read back", "not verified yet", "both"],
)
def test_the_first_lines(of: Receipt, lines: list[str]) -> None:
    assert shown(of).startswith(" ".join(lines))


def test_nothing_that_failed_sounds_like_success() -> None:
    text = shown(receipt(ALL))
    assert "VERIFIED" not in text
    assert "agree" not in text
    assert "sha256" not in text


@pytest.mark.promise(5)
def test_a_copy_that_stopped_at_what_is_used_says_first_that_it_is_not_whole() -> None:
    free = Hold(kind="free", partition=1, bytes=MIB)
    rest = AreaContents(offset=4 * MIB, length=MIB, holds=(free,))
    stopped = receipt(
        ONE,
        verified=False,
        verification=None,
        unread=(rest,),
        verified_areas=(Area(offset=0, length=MIB),),
        bytes_copied=15 * MIB - 512,
    )
    text = shown(stopped)
    assert text.startswith(
        "NOT WHOLE: the copy stopped at what is used, as asked. 1,048,576 of 16,777,216 bytes (1.05 MB, in 1 "
        "area) were not read, and nothing was written there: the target holds what it held before."
    )
    assert "Copy with --resume and without --until used" in text
    assert "All of that is free space by the file systems' own records" in text
    assert "or lies in no partition. 1 area could not be read. " in text
    assert "Of the 15,728,128 bytes that were copied, 1,048,576 agree." in text
    assert "VERIFIED" not in text
    assert "not read: 1,048,576 bytes" not in text
    agreeing = msgspec.structs.replace(
        stopped,
        verification=Verification(method="direct", at="2026-11-25T12:00:00+00:00"),
        verified_areas=(Area(offset=0, length=stopped.bytes_copied),),
    )
    proof = "All 15,728,128 bytes that were copied were read back past this machine's cache and agree."
    assert proof in shown(agreeing)
    unknown = msgspec.structs.replace(stopped, unread=(AreaContents(offset=4 * MIB, length=MIB),))
    assert "not read: 1,048,576 bytes at byte 4,194,304" in shown(unknown)
    assert "free space" not in shown(unknown)


def test_losses_named_twice_count_once() -> None:
    assert receipt(ONE, ONE).bytes_across == SIZE - 512
    assert receipt(ALL, Unreadable(offset=0, length=9 * SIZE)).bytes_across == 0


def test_what_lies_in_an_unreadable_area_stands_below_it() -> None:
    holds = (
        Hold(kind="file", partition=1, path="/a\nb.jpg", size_bytes=5000, bytes=512),
        Hold(kind="file", partition=1, size_bytes=70, bytes=7),
    )
    text = shown(receipt(Unreadable(offset=MIB, length=1024, holds=holds)))
    assert (
        "unreadable: 1,024 bytes at byte 1,048,576, LBA 2,048 file /a\\x0ab.jpg: 512 of 5,000 bytes "
        "file (its name is not kept here): 7 of 70 bytes" in text
    )


def test_what_was_counted_on_the_copy_is_one_line_and_what_was_not_another() -> None:
    counted = (
        Counted(partition=1, file_system="NTFS", files=48_211),
        Counted(partition=2, file_system="LUKS", encrypted=True, reason="it is encrypted"),
    )
    text = shown(receipt(counted=counted))
    assert text.endswith(
        "Counted on the copy: 48,211 files in 1 partition. Partition 2 (LUKS) was not counted: it is encrypted."
    )


@pytest.mark.parametrize(("began", "told"), [("0.1.9", True), ("0", False), (None, False)])
def test_two_versions_that_worked_on_a_copy_are_both_named(began: str | None, told: bool) -> None:
    assert ("Begun by drivecare 0.1.9, ended by 0." in shown(receipt(begun_by_version=began))) is told
