"""A copy half done is part of its job: how far it is, since when, and how to go on."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import encode
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.next_step import find_next_step
from drivecare.job.timeline import build_timeline, summarise_job
from drivecare.job.unfinished import tell_progress, tell_unfinished
from drivecare.transfer.areas import Area
from drivecare.transfer.files.bag import BAG_JOURNAL
from drivecare.transfer.files.bag_journal import BegunBag
from drivecare.transfer.holds import AreaContents
from drivecare.transfer.sectors.journal import Journal, new_journal, pack
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import End, Receipt
from drivecare.transfer.sectors.segments import Segment
from tests.job.carried import (
    NEW,
    NOW,
    OLD,
    OTHER,
    SIZE,
    assessment,
    bag,
    data_route,
    device,
    empty_route,
    fact,
    filed,
    image,
    plan,
    receipt,
)
from tests.job.test_proof import FREE, stopped_at_used

BEGUN = "2026-11-25T11:15:00+00:00"  # after the copy of `data_route` was verified
RESUME = "drivecare copy /dev/sdb /dev/sdc --resume --job 1042"


def journal(target: End, *, started: str = BEGUN, across: int = SIZE // 4, **facts: object) -> Journal:
    fresh = new_journal(device(OLD, "/dev/sdb"), target, started=started)
    segment = Segment(Area.between(0, across), bytes(32 * (across >> 20)))
    return msgspec.structs.replace(fresh, job="1042", copied=pack([segment], fresh.chunk_bytes), **facts)


def state_with(folder: Path, journal: Journal, documents: list | None = None) -> JobState:  # type: ignore[type-arg]
    job = filed(folder, data_route() if documents is None else documents)
    JournalFile(job.path / "sdc.journal.json").save(journal)
    return load_job_state(job.read(), now=NOW)


def copied(state: JobState) -> tuple[bool, str, str | None]:
    item = next(item for item in judge_gate(state).items if item.item == "copy-verified")
    return item.holds, item.evidence, item.next


def test_how_far_since_when_and_how_to_go_on(tmp_path: Path) -> None:
    state = state_with(tmp_path, journal(device(NEW, "/dev/sdc")), data_route()[:4])
    (copy,) = build_timeline(state).unfinished
    assert (copy.bytes_copied, copy.bytes_total, copy.resume) == (SIZE // 4, SIZE, RESUME)
    says = tell_unfinished(copy)
    assert says.startswith(
        "Kestrel KD-500 KX25-00417 (/dev/sdb) to Petrel PM-500 PM6-311842 (/dev/sdc): 25 % copied, 16.8 MB of 67.1 MB; "
        "begun 25 Nov 2026"
    )
    assert copied(state) == (False, f"not finished: {says}", RESUME)
    assert build_timeline(state).next == RESUME
    assert summarise_job("1042", lambda: state.contents).line.unfinished == (copy,)


def test_a_copy_that_stopped_before_months_of_damage_goes_on_only_to_the_end(tmp_path: Path) -> None:
    state = state_with(tmp_path, journal(device(NEW, "/dev/sdc"), rest_seconds=9.5e7), data_route()[:4])
    (copy,) = state.unfinished
    onward = RESUME.replace("--resume", "--resume --to-the-end")
    assert copy.resume == copied(state)[2] == find_next_step(state).command == build_timeline(state).next == onward
    extent = "25 % copied, 16.8 MB of 67.1 MB, and to try the rest takes 3.0 years; begun"
    assert all(extent in says for says in (tell_unfinished(copy), copied(state)[1], find_next_step(state).why))
    assert tell_progress(copy, datetime.fromisoformat(str(copy.saved_at))) == "25 %, 3.0 years left"


@pytest.mark.promise(2)
def test_a_copy_begun_over_a_verified_one_overtakes_its_proof(tmp_path: Path) -> None:
    assert copied(state_with(tmp_path / "a", journal(device(OTHER, "/dev/sdc"))))[0]
    assert copied(state_with(tmp_path / "b", journal(image("/srv/old.img"))))[0]
    assert copied(state_with(tmp_path / "c", journal(device(NEW, "/dev/sdc"), started="2026-11-24T10:00:00+00:00")))[0]
    assert copied(state_with(tmp_path / "d", journal(device(NEW, "/dev/sdc"), phase="done")))[0]
    assert not copied(state_with(tmp_path / "e", journal(device(NEW, "/dev/sdc"))))[0]
    nameless = End(path="/dev/sdc", kind="device", size_bytes=SIZE)
    assert not copied(state_with(tmp_path / "f", journal(nameless)))[0]


def test_a_copy_that_goes_on_after_it_was_verified_is_not_proven(tmp_path: Path) -> None:
    same = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")).started
    assert copied(state_with(tmp_path, journal(device(NEW, "/dev/sdc"), started=same)))[2] == RESUME


@pytest.mark.promise(2)
def test_the_receipt_of_a_copy_that_stopped_at_what_is_used_counts_until_the_rest_is_begun(tmp_path: Path) -> None:
    started = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")).started
    to_new, documents = device(NEW, "/dev/sdc"), stopped_at_used(FREE)
    assert copied(state_with(tmp_path / "a", journal(to_new, started=started), documents))[0]
    gone_on = state_with(tmp_path / "b", journal(to_new, started=started, sessions=2), documents)
    assert (copied(gone_on)[0], copied(gone_on)[2]) == (False, RESUME)
    in_doubt = state_with(tmp_path / "c", journal(to_new, started=started), stopped_at_used(()))
    assert (copied(in_doubt)[0], copied(in_doubt)[2]) == (False, RESUME)


def test_a_copy_that_stopped_at_what_is_used_says_so_and_is_not_half_done(tmp_path: Path) -> None:
    started = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")).started
    stopped = journal(device(NEW, "/dev/sdc"), started=started)
    in_doubt = state_with(tmp_path / "a", stopped, stopped_at_used(()))
    (copy,) = in_doubt.unfinished
    assert "stopped at what is used, as asked: 25 % copied, 16.8 MB of 67.1 MB" in tell_unfinished(copy)
    assert tell_progress(copy, NOW) == "25 %, stopped at what is used"
    step = find_next_step(in_doubt)
    assert step.command == RESUME
    assert step.why.startswith("a copy is not whole: ")
    enough = state_with(tmp_path / "b", stopped, stopped_at_used(FREE))
    assert find_next_step(enough).state == "gate-open"
    assert (enough.copies_to_finish, summarise_job("1042", lambda: enough.contents).line.unfinished) == ((), ())
    assert [copy.stopped_at_used for copy in build_timeline(enough).unfinished] == [True]


def test_the_rest_of_an_image_is_read_before_a_drive_is_made_from_it(tmp_path: Path) -> None:
    documents = stopped_at_used(FREE, target=image("/srv/old.img"))
    to_drive = receipt(image("/srv/old.img"), device(NEW, "/dev/sdc"), unreadable=(), bytes_copied=SIZE)
    documents.insert(5, to_drive)
    stopped = journal(image("/srv/old.img"), started=to_drive.started)
    resume = "drivecare copy /dev/sdb /srv/old.img --resume --job 1042"
    state = state_with(tmp_path, stopped, documents)
    assert (copied(state)[0], copied(state)[2]) == (False, resume)
    assert "/srv/old.img, which stopped at what is used" in copied(state)[1]
    assert find_next_step(state).command == resume
    read = receipt(device(OLD, "/dev/sdb"), image("/srv/old.img"))
    since = state_with(tmp_path / "since", msgspec.structs.replace(stopped, phase="done"), [*documents, read])
    assert "/srv/old.img, but not of the bytes that its own receipt proves (0010-receipt" in copied(since)[1]
    assert copied(since)[2] == find_next_step(since).command == "drivecare copy /srv/old.img /dev/sdc --job 1042"


def unlike(*offsets: int) -> Receipt:
    return receipt(
        device(OLD, "/dev/sdb"),
        device(NEW, "/dev/sdc"),
        verified=False,
        verification=None,
        mismatched=tuple(AreaContents(offset=offset, length=4096) for offset in offsets),
    )


def test_what_did_not_read_back_is_told_by_the_receipt(tmp_path: Path) -> None:
    bad = unlike(0)
    state = state_with(tmp_path, journal(device(NEW, "/dev/sdc"), started=bad.started), [*data_route()[:4], bad])
    assert copied(state)[1].startswith("1 area did not read back as it should")
    assert copied(state)[2] == RESUME


def test_a_finished_copy_that_no_longer_agrees_is_mended_by_its_journal(tmp_path: Path) -> None:
    bad = unlike(0, 8192)
    done = journal(device(NEW, "/dev/sdc"), started=bad.started, phase="done")
    state = state_with(tmp_path / "a", done, [*data_route()[:4], bad])
    assert copied(state)[1].startswith("2 areas did not read back as they should")
    assert copied(state)[2] == build_timeline(state).next == RESUME


def test_a_copy_whose_journal_lies_elsewhere_is_made_again(tmp_path: Path) -> None:
    other = journal(device(NEW, "/dev/sdc"), started="2026-11-24T10:00:00+00:00", phase="done")
    state = state_with(tmp_path, other, [*data_route()[:4], unlike(0)])
    assert copied(state)[2] == "drivecare copy /dev/sdb /dev/sdc --job 1042"


def test_an_image_half_made_is_on_its_way(tmp_path: Path) -> None:
    state = state_with(tmp_path, journal(image("/srv/old.img"), phase="reading-back"), data_route()[:4])
    assert "all is copied, but not read back yet" in copied(state)[1]
    assert copied(state)[2] == "drivecare copy /dev/sdb /srv/old.img --resume --job 1042"


def test_journals_of_other_jobs_and_damaged_ones_are_none_of_this_job(tmp_path: Path) -> None:
    other = msgspec.structs.replace(journal(device(NEW, "/dev/sdc")), job="7")
    assert state_with(tmp_path / "a", other).unfinished == ()
    job = filed(tmp_path / "b", data_route())
    (job.path / "sdc.journal.json").write_bytes(b"{")
    assert load_job_state(job.read(), now=NOW).unfinished == ()


def test_a_closed_job_has_nothing_to_go_on_with(tmp_path: Path) -> None:
    from tests.record.test_taking_back import CLOSING

    assert state_with(tmp_path, journal(device(NEW, "/dev/sdc")), [*data_route(), CLOSING]).unfinished == ()


def test_a_file_copy_half_done(tmp_path: Path) -> None:
    documents = [
        fact("consent"),
        fact("route", "new-drive-data"),
        assessment(OLD, "replace"),
        plan(migration="unit-initialises"),
        assessment(NEW, "refit", sale="new"),
        bag(),
    ]
    assert len(empty_route()) == 5
    job = filed(tmp_path / "jobs", documents)
    assert copied(load_job_state(job.read(), now=NOW))[0]
    target = tmp_path / "bag"
    begun = BegunBag(source="/mnt/old", target=str(target), started=BEGUN)
    (job.path / "bag.bag-begun.json").write_bytes(encode(begun))
    command = f"drivecare copy-files /mnt/old {target} --resume --job 1042"
    state = load_job_state(job.read(), now=NOW)
    assert copied(state)[2] == command
    assert "how much is across is not known here" in copied(state)[1]
    target.mkdir()
    lines = [b'{"schema": "drivecare/bag-journal-1", "source": "/mnt/old"}']
    lines += [
        b'{"path": "%s", "bytes": 700, "mtime_ns": 1, "ctime_ns": 1, "sha256": "00"}' % name for name in (b"a", b"b")
    ]
    (target / BAG_JOURNAL).write_bytes(b"\n".join(lines) + b'\n{"path": "torn')
    assert "2 files, 1.4 kB copied" in copied(load_job_state(job.read(), now=NOW))[1]
