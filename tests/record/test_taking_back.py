"""A mistake is taken back by a new entry: what no longer counts, where it is now, and that both chains stay whole.

Each test runs on the folder store and on the one in memory.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.errors import BadInput, Refused
from drivecare.fit.host_catalogue import load_hosts
from drivecare.job.chain import Audit
from drivecare.job.closing import make_closing
from drivecare.job.copies import copies_made
from drivecare.job.gate import judge_gate
from drivecare.job.history import collect_history, names_of_drives
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.model import Closing, Fact, Gate, ImageLeft, Move, Opening
from drivecare.job.sheet import render_sheet
from drivecare.job.timeline import build_timeline, summarise_job
from drivecare.reading.model import Reading
from drivecare.record.folder import FolderRecord
from drivecare.record.memory import MemoryRecord
from drivecare.record.port import FiledJob, Record
from drivecare.risk.model import Assessment
from drivecare.work.take_back import Author, change_opening, move, withdraw
from tests.job.carried import (
    NEW,
    NOW,
    OLD,
    OPENING,
    OTHER,
    assessment,
    data_route,
    device,
    fact,
    image,
    plan,
    receipt,
    same_route,
)

OPENED_NOW = msgspec.structs.replace(OPENING, tool_version="0.2.0")
AUTHOR = Author(note="a slip", at="2026-11-25T11:50:00+00:00", by="ann")
CLOSING = Closing(at="2026-11-25T11:40:00+00:00", unit_started=True, old_drive="returned", gate_open=True)
STORES: dict[str, Callable[[Path], Record]] = {
    "folder": lambda path: FolderRecord(root=path / "jobs"),
    "memory": lambda _path: MemoryRecord(),
}


@pytest.fixture(params=STORES)
def record(request: pytest.FixtureRequest, tmp_path: Path) -> Record:
    return STORES[request.param](tmp_path)


def job_with(record: Record, documents: list[Value], id: str = "1042") -> FiledJob:
    job = record.create(msgspec.structs.replace(OPENED_NOW, id=id))
    for document in documents:
        job.file(document)
    return job


def state(job: FiledJob) -> JobState:
    return load_job_state(job.read(), now=NOW)


def missing(job: FiledJob) -> set[str]:
    gate: Gate = judge_gate(state(job))
    return {item.item for item in gate.items if not item.holds}


def whole(job: FiledJob) -> bool:
    return job.read().audit() == Audit()


def reading_of(document: Assessment) -> Reading:
    return Reading(read_at=document.read_at, path=document.path, drive=document.drive, values=document.values)


# --- withdraw -------------------------------------------------------------------------------------------------------


def test_a_wrong_fact_no_longer_holds_the_gate_open(record: Record) -> None:
    job = job_with(record, same_route())
    assert missing(job) == set()
    withdraw(job, 2, AUTHOR)
    assert missing(job) == {"consent"}
    assert whole(job)
    assert len(job.results(Fact)) == 0
    entry, *_ = [line for line in build_timeline(state(job)).story if line.number == 2]
    assert (entry.says, entry.withdrawn_by) == ("consent: the customer agreed in writing to the unit being opened and "
        "the drive being read and copied", 4)  # fmt: skip


def test_a_wrong_drive_is_gone_from_gate_sheet_list_and_history(record: Record) -> None:
    wrong = assessment(OTHER, "evacuate")
    job = job_with(record, [*same_route(), reading_of(wrong), wrong])
    assert "old-drive-read" in missing(job)
    withdrawal, _ = withdraw(job, 5, AUTHOR)
    assert [name[:4] for name in withdrawal.files] == ["0004", "0005"]  # the reading goes with its assessment
    assert missing(job) == set()
    assert summarise_job(job.id, job.read).line.serials == (OLD.serial,)
    assert "PM6-999999" not in render_sheet(state(job))
    assert not any("999999" in name for name in names_of_drives(job.read()))
    with pytest.raises(BadInput, match="no job holds a reading"):
        collect_history(str(OTHER.serial), [(job.id, job.read)])


def test_a_reading_of_another_time_stays(record: Record) -> None:
    again = assessment(OLD, "refit", read_at="2026-11-25T11:00:00+00:00")
    job = job_with(record, [fact("consent"), reading_of(again), again, assessment(OLD, "refit")])
    withdraw(job, 3, AUTHOR)
    assert [filed.number for filed in job.results(Assessment)] == [5]


def test_a_withdrawal_is_itself_withdrawn(record: Record) -> None:
    job = job_with(record, same_route())
    withdraw(job, 2, AUTHOR)
    withdraw(job, 4, AUTHOR)
    assert missing(job) == set()
    withdraw(job, 2, AUTHOR)
    assert missing(job) == {"consent"}
    assert [line.says for line in build_timeline(state(job)).story][3:] == [
        "0002 withdrawn: a slip",
        "0004 taken back, what it withdrew counts again: a slip",
        "0002 withdrawn: a slip",
    ]


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (9, r"job 1042: no result is numbered 0009\. See drivecare job show 1042\."),
        (1, r"0001 is the job's opening, which this command does not take back\. Correct it: drivecare job change"),
        (2, r"0002 was already withdrawn, by 0004-withdrawal-"),
    ],
)
def test_what_cannot_be_withdrawn_says_what_to_do(record: Record, number: int, words: str) -> None:
    job = job_with(record, same_route())
    withdraw(job, 2, AUTHOR)
    with pytest.raises(BadInput, match=words):
        withdraw(job, number, AUTHOR)
    assert len(job.result_files()) == 4


@pytest.mark.promise(2)
def test_what_a_withdrawn_copy_wrote_was_written(record: Record) -> None:
    """The older proof of the same drive does not hold again: another copy went over it since."""
    over = receipt(device(OTHER, "/dev/sdb"), device(NEW, "/dev/sdc"), started="2026-11-25T11:10:00+00:00")
    job = job_with(record, [*data_route()[:5], over])
    withdraw(job, 7, AUTHOR)
    copied = next(item for item in judge_gate(state(job)).items if item.item == "copy-verified")
    assert not copied.holds
    assert "was withdrawn, but it wrote to Petrel PM-500 PM6-311842 after the copy that counts" in copied.evidence
    job.file(receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc")))  # verified once more
    assert "copy-verified" not in missing(job)


def test_a_second_verification_withdrawn_leaves_the_first(record: Record) -> None:
    copy = receipt(device(OLD, "/dev/sdb"), device(NEW, "/dev/sdc"))
    job = job_with(record, [*data_route(), copy])
    withdraw(job, len(job.result_files()), AUTHOR)
    assert "copy-verified" not in missing(job)


def test_the_image_of_a_withdrawn_receipt_is_still_to_be_forgotten(record: Record, tmp_path: Path) -> None:
    path = tmp_path / "old.img"
    job = job_with(record, [*same_route(), receipt(device(OLD, "/dev/sdb"), image(str(path)), job="1042")])
    withdraw(job, 4, AUTHOR)
    assert [copy.path for copy in copies_made(state(job))] == [path]


# --- move -----------------------------------------------------------------------------------------------------------


def test_a_result_of_the_wrong_job_moves_with_both_chains_whole(record: Record) -> None:
    wrong = assessment(OTHER, "refit")
    job = job_with(record, [*same_route(), reading_of(wrong), wrong])
    other = job_with(record, [fact("consent")], "1043")
    before = {file.kind: job.read().data(file) for file in job.result_files()[3:]}
    withdrawal, _ = move(job, 4, other, AUTHOR)
    assert withdrawal.moved_to == "1043"
    assert whole(job)
    assert whole(other)
    assert missing(job) == set()
    assert missing(other) == set()
    assert {file.kind: other.read().data(file) for file in other.result_files()[2:4]} == before
    assert [line.says for line in build_timeline(state(other)).story][-1] == "0003 and 0004 came from job 1042: a slip"
    with pytest.raises(BadInput, match="0005 was already moved to job 1043"):
        withdraw(job, 5, AUTHOR)
    with pytest.raises(BadInput, match=r"its results were moved to job 1043\. Move them back: drivecare job move 1043"):
        withdraw(job, 6, AUTHOR)


def test_a_move_is_moved_back(record: Record) -> None:
    job, other = job_with(record, same_route()), job_with(record, [fact("consent")], "1043")
    move(job, 3, other, AUTHOR)
    assert "old-drive-read" in missing(job)
    move(other, 3, job, AUTHOR)
    assert missing(job) == set()
    assert "old-drive-read" in missing(other)
    assert [filed.document.jobs for filed in job.results(Move)] == [("1042", "1043")]


def test_an_interrupted_move_goes_on_where_it_stopped(record: Record) -> None:
    wrong = assessment(OTHER, "refit")
    job = job_with(record, [*same_route(), reading_of(wrong), wrong])
    other = job_with(record, [fact("consent")], "1043")
    file = job.result_files()[3]
    other.file_bytes(job.read().data(file), file.kind)  # as a kill after the first result leaves it
    move(job, 5, other, AUTHOR)
    assert [result.kind for result in other.result_files()] == ["opening", "fact", "reading", "assessment", "move"]
    assert missing(other) == set()


def test_the_image_of_a_moved_receipt_belongs_to_the_other_job(record: Record, tmp_path: Path) -> None:
    path = tmp_path / "old.img"
    job = job_with(record, [*same_route(), receipt(device(OLD, "/dev/sdb"), image(str(path)), job="1042")])
    other, third = job_with(record, [], "1043"), job_with(record, [], "1044")
    move(job, 4, other, AUTHOR)
    assert [copy.path for copy in copies_made(state(job))] == []
    assert [copy.path for copy in copies_made(state(other))] == [path]
    move(other, 2, third, AUTHOR)
    assert [copy.path for copy in copies_made(state(other))] == []
    assert [copy.path for copy in copies_made(state(third))] == [path]


@pytest.mark.parametrize("number", [1, 4])
def test_what_tells_of_the_job_itself_is_not_moved(record: Record, number: int) -> None:
    job, other = job_with(record, same_route()), job_with(record, [], "1043")
    change_opening(job, label=None, complaint="slow", reference=None, hosts=(), note=None, at=AUTHOR.at, by="ann")
    with pytest.raises(BadInput, match="which this command does not take back"):
        move(job, number, other, AUTHOR)
    with pytest.raises(BadInput, match="is the job that the result is in"):
        move(job, 2, job, AUTHOR)
    assert len(other.result_files()) == 1


# --- change ---------------------------------------------------------------------------------------------------------


def test_a_wrong_host_is_corrected_for_gate_and_sheet(record: Record) -> None:
    documents = [plan(host="corvane-hearth-21") if document == plan() else document for document in data_route()]
    job = job_with(record, documents)
    assert missing(job) == {"plan"}
    change, _ = change_opening(
        job,
        label="CH-2103",
        complaint=None,
        reference="blue tag",
        hosts=load_hosts().hosts,
        note=None,
        at=AUTHOR.at,
        by="ann",
    )
    assert missing(job) == set()
    assert whole(job)
    opening = job.read().opening()
    assert (opening.host, opening.label, opening.reference) == ("corvane-hearth-21", "CH-2103", "blue tag")
    assert opening.complaint == OPENED_NOW.complaint
    assert opening.built_for is not None
    assert job.results(Opening)[0].document == OPENED_NOW
    assert str(change.host_name) in render_sheet(state(job))


def test_a_change_is_withdrawn(record: Record) -> None:
    job = job_with(record, [])
    change_opening(job, label=None, complaint="slow", reference=None, hosts=(), note=None, at=AUTHOR.at, by="ann")
    assert job.read().opening().complaint == "slow"
    withdraw(job, 2, AUTHOR)
    assert job.read().opening() == OPENED_NOW


# --- closed and reopened --------------------------------------------------------------------------------------------


def test_a_closed_job_refuses_new_results_until_it_is_reopened(record: Record) -> None:
    job, other = job_with(record, [*same_route(), CLOSING]), job_with(record, same_route(), "1043")
    for act in (
        lambda: job.file(fact("detached")),
        lambda: withdraw(job, 2, AUTHOR),
        lambda: move(job, 2, other, AUTHOR),
        lambda: move(other, 2, job, AUTHOR),
        job.refuse_if_closed,
    ):
        with pytest.raises(Refused, match=r"is closed, by 0004-closing-.* drivecare job reopen 1042 --note") as refusal:
            act()
        assert refusal.value.exit_code == 22
    assert (len(job.result_files()), len(other.result_files())) == (4, 3)
    job.reopen(note="came back", at=AUTHOR.at, by="ann")
    assert state(job).closing is None
    assert build_timeline(state(job)).state == "open"
    job.file(fact("detached"))
    job.file(CLOSING)
    assert build_timeline(state(job)).state == "closed"
    assert whole(job)


def test_what_is_not_closed_is_not_reopened(record: Record) -> None:
    job = job_with(record, same_route())
    with pytest.raises(BadInput, match="job 1042: is not closed"):
        job.reopen(note="?", at=AUTHOR.at, by="ann")


def test_a_reopening_is_undone_by_closing_again(record: Record) -> None:
    job = job_with(record, [CLOSING])
    job.reopen(note="came back", at=AUTHOR.at, by="ann")
    with pytest.raises(BadInput, match=r"it reopened the job\. Close it again: drivecare job close 1042"):
        withdraw(job, 3, AUTHOR)


def test_a_copy_removed_at_the_first_closing_was_removed_at_the_second(record: Record, tmp_path: Path) -> None:
    path = tmp_path / "old.img"
    first = msgspec.structs.replace(CLOSING, images=(ImageLeft(path=str(path), fate="removed"),))
    copy = receipt(device(OLD, "/dev/sdb"), image(str(path)), job="1042")
    job = job_with(record, [*same_route(), copy, first])
    job.reopen(note="came back", at=AUTHOR.at, by="ann")
    now = state(job)
    closing = make_closing(now, copies_made(now), unit_started=True, old_drive="kept", fates={}, at=AUTHOR.at)
    assert closing.images == first.images
