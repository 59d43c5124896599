"""Copies between image files, by the function that the command calls."""

from __future__ import annotations

import dataclasses
import os
import random
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from drivecare.documents import load
from drivecare.errors import Interrupted, Refused, Unavailable
from drivecare.hardware.media import BUFFER_BYTES
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Progress, Watch
from drivecare.transfer.sectors import guards
from drivecare.transfer.sectors.guards import Consent
from drivecare.transfer.sectors.journal import CopiedRun, Journal, pack
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import End, Receipt
from drivecare.transfer.sectors.segments import Segment
from drivecare.work import copy_paperwork, copy_plan, copy_sectors
from drivecare.work.copy_paperwork import CopyRequest
from tests.transfer.sectors.fake_medium import fresh_journal
from tests.work.copies import elsewhere, run

SIZE = 1 << 20
CONTENT = random.Random(3).randbytes(SIZE)


def begun(folder: Path, *, copied: tuple[CopiedRun, ...] = ()) -> CopyRequest:
    """What a copy leaves that was killed after its journal was written; the request to go on."""
    source, target = folder / "source.img", folder / "target.img"
    source.write_bytes(CONTENT)
    ends = [End(path=str(path), kind="image", size_bytes=SIZE) for path in (source, target)]
    begun = msgspec.structs.replace(fresh_journal(*ends), copied=copied, source_modified_ns=source.stat().st_mtime_ns)
    request = CopyRequest(source=str(source), target=str(target), resume=True)
    JournalFile(request.journal_path).save(begun)
    return request


def test_a_copy_killed_before_its_image_was_made_may_get_another_name(tmp_path: Path) -> None:
    assert run(elsewhere(begun(tmp_path), target=tmp_path / "other.img")).verified


@pytest.mark.parametrize("target_exists", [False, True])
def test_a_copy_killed_before_its_image_had_a_size_goes_on(tmp_path: Path, target_exists: bool) -> None:
    request = begun(tmp_path)
    if target_exists:
        (tmp_path / "target.img").touch()
    assert run(request).verified
    assert (tmp_path / "target.img").read_bytes() == CONTENT


def test_an_image_that_was_moved_away_is_not_begun_anew(tmp_path: Path) -> None:
    """Its journal may be all that tells what of a dying drive lies in it."""
    chunk = fresh_journal(*[End(path="x", kind="image", size_bytes=SIZE)] * 2).chunk_bytes
    request = begun(tmp_path, copied=tuple(pack([Segment(Area.between(0, 4096), bytes(32))], chunk)))
    with pytest.raises(Refused, match="there is no such file, and this copy had begun to write it"):
        run(request)


def request_for(folder: Path, **more: Any) -> CopyRequest:
    source, target = folder / "source.img", folder / "target.img"
    if not source.exists():
        source.write_bytes(CONTENT)
    request = CopyRequest(source=str(source), target=str(target))
    return dataclasses.replace(request, **more)


def stopped_midway(folder: Path, *, size: int = 3 * BUFFER_BYTES) -> CopyRequest:
    """What a copy leaves that was stopped after its first large read; the request to go on."""
    source = folder / "source.img"
    source.write_bytes(random.Random(4).randbytes(size))
    far: list[Progress] = []
    watch = Watch(
        on_progress=far.append,
        stop_reason=lambda: "stopped" if far and far[-1].done else None,
        overlap=False,
    )
    request = request_for(folder)
    with pytest.raises(Interrupted):
        run(request, watch=watch)
    copied = load(Journal, request.journal_path).copied
    assert 0 < sum(run.length for run in copied) < size
    return dataclasses.replace(request, resume=True)


@pytest.mark.promise(1)
@pytest.mark.parametrize("paper", ["copy.json", "copy.journal.json"])
@pytest.mark.parametrize("side", ["source", "target", "a link to the source"])
def test_paperwork_never_takes_the_place_of_a_side(tmp_path: Path, paper: str, side: str) -> None:
    source = tmp_path / (paper if side == "source" else "source.img")
    target = tmp_path / (paper if side == "target" else "target.img")
    source.write_bytes(CONTENT)
    if side == "a link to the source":
        (tmp_path / paper).symlink_to(source.name)
    names = sorted(path.name for path in tmp_path.iterdir())
    with pytest.raises(Refused) as caught:
        run(CopyRequest(source=str(source), target=str(target), receipt=tmp_path / "copy.json"))
    assert caught.value.guard == "receipt-place"
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    assert source.read_bytes() == CONTENT


def test_a_receipt_takes_the_place_of_no_special_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(Refused, match="files of their own"):
        run(request_for(tmp_path, receipt=tmp_path / "pipe"))
    assert (tmp_path / "pipe").is_fifo()


@pytest.mark.promise(6)
@pytest.mark.parametrize("place", [0, 2 * BUFFER_BYTES + 5])
@pytest.mark.parametrize("time_kept", [True, False])
def test_a_source_that_changed_since_is_not_gone_on_with(tmp_path: Path, place: int, time_kept: bool) -> None:
    """A changed first byte is found though somebody put the file's time back; any change by the time alone."""
    request = stopped_midway(tmp_path)
    source = tmp_path / "source.img"
    times = source.stat().st_atime_ns, source.stat().st_mtime_ns
    before = source.read_bytes()
    source.write_bytes(before[:place] + bytes([before[place] ^ 1]) + before[place + 1 :])
    if time_kept:
        os.utime(source, ns=times)
        if place:  # not copied yet, so nothing contradicts it
            assert run(request).verified
            return
    with pytest.raises(Refused) as caught:
        run(request)
    assert caught.value.guard == "source-changed"


def test_a_source_written_to_meanwhile_is_said_in_the_receipt(tmp_path: Path) -> None:
    request = request_for(tmp_path)
    touched: list[None] = []

    def meddle(_: Progress) -> None:
        if not touched:
            touched.append(None)
            os.utime(request.source, ns=(1, 1))

    receipt = run(request, watch=Watch(on_progress=meddle))
    assert [note.code for note in receipt.notes if note.code == "source-changed"] == ["source-changed"]


def test_a_resumed_copy_tells_todays_names(tmp_path: Path) -> None:
    request = stopped_midway(tmp_path)
    for name in ("source.img", "target.img"):
        (tmp_path / name).rename(tmp_path / f"moved-{name}")
    receipt = run(elsewhere(request, source=tmp_path / "moved-source.img", target=tmp_path / "moved-target.img"))
    assert (receipt.source.path, receipt.target.path) == (
        str(tmp_path / "moved-source.img"),
        str(tmp_path / "moved-target.img"),
    )
    assert load(Receipt, request.receipt_path) == receipt


@pytest.mark.promise(5)
def test_nothing_of_a_target_changes_before_the_guards_have_seen_it_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between plan and open another file takes the target's name: it keeps its bytes."""
    target = tmp_path / "target.img"
    target.write_bytes(b"old")

    def swap(*sides: Any) -> None:
        guards.check_guards(*sides)
        if target.read_bytes() == b"old":
            target.unlink()
            target.write_bytes(b"precious")

    monkeypatch.setattr(copy_plan, "check_guards", swap)
    with pytest.raises(Refused) as caught:
        run(request_for(tmp_path, consent=Consent(allow_overwrite=str(target))))
    assert caught.value.guard == "path-moved"
    assert target.read_bytes() == b"precious"


def test_a_target_that_came_meanwhile_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "target.img"
    monkeypatch.setattr(copy_sectors, "warn_of_room", lambda *_: target.write_bytes(b"precious"))
    with pytest.raises(Refused) as caught:
        run(request_for(tmp_path))
    assert caught.value.guard == "path-moved"
    assert target.read_bytes() == b"precious"


def test_a_receipt_that_cannot_be_written_stops_what_can_be_gone_on_with(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, _: bytes, *, replace: bool) -> None:
        raise Unavailable("cannot be written: No space left on device", location=str(path))

    request = request_for(tmp_path)
    monkeypatch.setattr(copy_paperwork, "write_file", full)
    with pytest.raises(Interrupted, match="all is copied, but the receipt cannot be written"):
        run(request)
    monkeypatch.undo()
    assert run(dataclasses.replace(request, resume=True)).verified


@pytest.mark.parametrize(("blocks", "warned"), [(0, True), (1 << 30, False)])
def test_too_little_room_is_said_before_the_first_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, blocks: int, warned: bool
) -> None:
    room = os.statvfs(tmp_path)
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_bavail=blocks, f_frsize=room.f_frsize))
    sentences: list[str] = []
    assert run(request_for(tmp_path), notify=sentences.append).verified
    assert any(f"may need {SIZE:,} bytes and has room for 0" in sentence for sentence in sentences) == warned
