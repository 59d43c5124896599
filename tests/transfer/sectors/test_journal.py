from __future__ import annotations

import hashlib
import itertools
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.documents import MOST_CHUNKS, decode, encode
from drivecare.errors import Refused
from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.sectors.journal import CopiedRun, Journal, Ledger, new_journal, pack, sealed, unpack
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import End, Receipt, chunk_bytes_for
from drivecare.transfer.sectors.segments import Segment
from drivecare.transfer.sectors.stages import FAILED_PIECE

CHUNK = 16


def journal(**more: object) -> Journal:
    end = End(path="disk.img", kind="image", size_bytes=100)
    return msgspec.structs.replace(
        new_journal(end, end, started="2026-11-25T10:00:00+00:00"), chunk_bytes=CHUNK, **more
    )


def segments(*areas: Area) -> list[Segment]:
    return [Segment(area, bytes([area.offset % 251]) * 32) for area in areas]


@given(st.sets(st.integers(0, 99), max_size=6))
def test_what_is_packed_is_unpacked(cuts: set[int]) -> None:
    edges = sorted({0, 100, *cuts})
    parts = [p for start, end in itertools.pairwise(edges) for p in pieces(Area.between(start, end), CHUNK)]
    some = segments(*parts[::2])
    assert unpack(pack(some, CHUNK), CHUNK) == some
    assert unpack(pack(segments(*parts), CHUNK), CHUNK) == segments(*parts)


def test_whole_chunks_in_a_row_are_one_run() -> None:
    assert len(pack(segments(*pieces(Area.between(0, 96), CHUNK)), CHUNK)) == 1


def test_a_journal_comes_back_as_it_was(tmp_path: Path) -> None:
    file = JournalFile(tmp_path / "t.journal.json")
    assert file.load() is None
    ledger = Ledger(journal())
    ledger.add(segments(Area.between(16, 32), Area.between(32, 48)))
    ledger.stages.assign(Area.between(0, 8), FAILED_PIECE)
    file.save(ledger.snapshot("copying", 5, 2)())
    loaded = file.load()
    assert loaded is not None
    again = Ledger(loaded)
    assert again.in_order() == ledger.in_order()
    assert list(again.stages.runs()) == list(ledger.stages.runs())
    assert (loaded.reads, loaded.failed_reads) == (5, 2)


def test_a_dropped_segment_is_read_again() -> None:
    ledger = Ledger(journal())
    ledger.add(segments(Area.between(16, 32), Area.between(32, 48)))
    ledger.drop(segments(Area.between(16, 32)))
    assert [s.area for s in ledger.in_order()] == [Area.between(32, 48)]
    assert ledger.stages.areas(0) == [Area.between(0, 32), Area.between(48, 100)]


@pytest.mark.promise(6)
@pytest.mark.parametrize("at", [10, 200, -40], ids=["schema", "middle", "check sum"])
def test_any_flipped_bit_is_refused_with_a_way_on(tmp_path: Path, at: int) -> None:
    file = JournalFile(tmp_path / "t.journal.json")
    file.save(journal())
    data = bytearray(file.path.read_bytes())
    data[at] ^= 1
    file.path.write_bytes(data)
    with pytest.raises(Refused, match="journal is damaged") as caught:
        file.load()
    assert caught.value.guard == "journal-damaged"
    assert caught.value.exit_code == 22
    assert "Move it away" in caught.value.message()


RUN = CopiedRun(offset=16, length=32, digests=bytes(64))


@pytest.mark.parametrize(
    "run",
    [
        CopiedRun(offset=16, length=0, digests=b""),
        CopiedRun(offset=80, length=32, digests=bytes(64)),
        CopiedRun(offset=16, length=32, digests=bytes(32)),
        CopiedRun(offset=16, length=32, digests=bytes(96)),
        CopiedRun(offset=16, length=32, digests=bytes(65)),
        CopiedRun(offset=16, length=32, digests=b""),
    ],
    ids=["empty", "past the end", "a digest short", "a digest over", "a byte over", "no digest"],
)
def test_a_journal_that_contradicts_itself_is_refused_though_its_seal_is_whole(tmp_path: Path, run: CopiedRun) -> None:
    """Its own check sum agrees: it was written so, by a fault or on purpose."""
    file = JournalFile(tmp_path / "t.journal.json")
    file.save(journal(copied=(RUN,)))
    assert file.load() is not None
    for copied in ((run,), (RUN, run), (run, RUN)):
        file.save(journal(copied=copied))
        with pytest.raises(Refused, match="journal is damaged"):
            file.load()


@pytest.mark.parametrize("data", [b"", b"{}", b"not json", b"\xff\xfe\x00", b"[]"])
def test_what_is_no_journal_is_refused(tmp_path: Path, data: bytes) -> None:
    file = JournalFile(tmp_path / "t.journal.json")
    file.path.write_bytes(data)
    with pytest.raises(Refused, match="journal is damaged"):
        file.load()


def test_a_journal_of_0_1_0_is_gone_on_with(tmp_path: Path) -> None:
    """As 0.1.0 wrote it, without the fields that came later: its seal is over its own bytes."""
    data = Path(__file__).with_name("journal-0.1.0.json").read_bytes()
    file = JournalFile(tmp_path / "t.journal.json")
    file.path.write_bytes(data)
    loaded = file.load()
    assert loaded is not None
    assert (loaded.reads, loaded.job, loaded.target.path) == (3, None, "/srv/old.img")
    assert loaded.tool_version is None
    file.save(loaded)
    assert file.load() == sealed(loaded)
    for place in range(0, len(data), 7):
        altered = bytearray(data)
        altered[place] ^= 1
        file.path.write_bytes(altered)
        with pytest.raises(Refused):
            file.load()


def test_half_a_journal_is_refused(tmp_path: Path) -> None:
    file = JournalFile(tmp_path / "t.journal.json")
    file.save(journal())
    data = file.path.read_bytes()
    file.path.write_bytes(data[: len(data) // 2])
    with pytest.raises(Refused):
        file.load()


def test_a_seal_covers_every_field() -> None:
    original = sealed(journal())
    for change in ({"bytes_total": 101}, {"phase": "done"}, {"source_was_read_only": True}, {"sessions": 2}):
        assert sealed(msgspec.structs.replace(original, **change)).check != original.check


@pytest.mark.promise(7)
@pytest.mark.parametrize(
    "size", [1, 1 << 20, (1 << 36) + 1, 1_000_204_886_016, 24_000_277_250_048, 1 << 60], ids=lambda n: f"{n}"
)
def test_at_most_65536_chunks_whatever_the_size(size: int) -> None:
    chunk = chunk_bytes_for(size)
    assert -(-size // chunk) <= MOST_CHUNKS
    assert chunk & (chunk - 1) == 0
    assert chunk == 1 << 20 or -(-size // (chunk // 2)) > MOST_CHUNKS


def test_a_receipt_of_a_later_version_is_read(tmp_path: Path) -> None:
    """Filed jobs outlive versions: fields this version does not know are passed over."""
    text = (
        b'{"schema":"drivecare/receipt-1","source":{"path":"a","kind":"image","size_bytes":1,"new":1},'
        b'"target":{"path":"b","kind":"image","size_bytes":1},"bytes_total":1,"bytes_copied":1,'
        b'"digest":{"algorithm":"sha256","whole":null,"chunk_bytes":1048576,"chunks":[]},"fill":"",'
        b'"started":"","finished":"","tool_version":"9","something":{"more":true}}'
    )
    receipt = decode(Receipt, text, origin="later")
    assert receipt.exit_code == 21
    assert decode(Receipt, encode(receipt), origin="again") == receipt


def test_a_journal_of_version_0_1_0_with_a_direction_mark_in_a_name_is_read(tmp_path: Path) -> None:
    """That version wrote such characters as they are."""
    old = journal(source=End(path="\u202edisk.img\x9b", kind="image", size_bytes=100))
    blank = msgspec.json.format(msgspec.json.encode(old), indent=2) + b"\n"
    kept = msgspec.structs.replace(old, check=hashlib.sha256(blank).hexdigest())
    data = msgspec.json.format(msgspec.json.encode(kept), indent=2) + b"\n"
    file = JournalFile(tmp_path / "t.journal.json")
    file.path.write_bytes(data)
    assert file.load() == kept
    file.save(kept)
    assert file.path.read_bytes().isascii()
    assert file.load() == sealed(kept)
