"""The chain: what of a job's results was removed, renamed, altered or added is named, and nothing mends it but a word.

SHA-256 is that of coreutils' sha256sum; the kills are real ones (SIGKILL to a process of its own).
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.job import chain
from drivecare.job.attestations import make_fact
from drivecare.job.chain import (
    CHAIN,
    NOTHING_BEFORE,
    Audit,
    DigestedFile,
    hex_sha256,
    lines_for,
    missing_numbers,
    next_number,
    parse_chain,
)
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Fact, GateItem
from drivecare.job.timeline import build_timeline, summarise_job
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import JobFolder
from tests.job.carried import NOW, OPENING, data_route, fact, filed, same_route

OPENED_NOW = msgspec.structs.replace(OPENING, tool_version="0.2.0")


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    """Six results: the opening, consent, an assessment and three facts."""
    return filed(tmp_path, [*same_route(), fact("detached"), fact("unchanged"), fact("left-out")], opening=OPENED_NOW)


def records(job: JobFolder) -> GateItem:
    """The gate's item, which `job show` must agree with."""
    state = load_job_state(job.read(), now=NOW)
    assert build_timeline(state).faults == state.audit.sentences
    return judge_gate(state).items[0]


def file_of(job: JobFolder, number: int) -> Path:
    return next(entry.path for entry in job.result_files() if entry.number == number)


def lines(job: JobFolder) -> list[bytes]:
    return (job.path / CHAIN).read_bytes().splitlines(keepends=True)


def mending(note: str = "power cut") -> Fact:
    return make_fact("chain-mended", None, note=note, at="2026-11-25T12:00:00+00:00", by="ann")


# --- the file ---------------------------------------------------------------------------------------------------------


@pytest.mark.promise(10)
def test_a_line_for_each_result_that_coreutils_can_check(job: JobFolder) -> None:
    before = NOTHING_BEFORE
    for number, line in enumerate(lines(job), 1):
        path = file_of(job, number)
        digest = subprocess.run(["sha256sum", path], capture_output=True, text=True, check=True).stdout.split()[0]
        assert line.decode() == f"{number:04} {path.name} {digest} {before}\n"
        before = subprocess.run(["sha256sum"], input=line, capture_output=True, check=True).stdout.split()[0].decode()
    assert len(lines(job)) == len(job.result_files()) == 6
    assert (job.path / CHAIN).stat().st_mode & 0o077 == 0


def test_a_job_left_alone_holds(job: JobFolder) -> None:
    assert records(job) == GateItem(item="records", holds=True, evidence="every filed result is there, unaltered")
    assert job.read().audit() == Audit()


@pytest.mark.promise(10)
def test_a_line_is_on_the_disk_before_filing_ends_and_after_its_result(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushed: list[str] = []

    def flush(descriptor: int) -> None:
        flushed.append(str(Path(f"/proc/self/fd/{descriptor}").readlink()))

    monkeypatch.setattr(os, "fsync", flush)
    job.file(fact("detached"))
    assert flushed[0].endswith(".part")  # the result, before it takes its name
    assert flushed[1:] == [str(job.path), str(job.path / CHAIN)]


# --- what is done to results ------------------------------------------------------------------------------------------


def _alter(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b'"ann"', b'"bob"'))


def _spoil(path: Path) -> None:
    path.write_bytes(b"{")


def _rename_kind(path: Path) -> None:
    path.rename(path.with_name(path.name.replace("-fact-", "-receipt-")))


def _rename_to_no_kind(path: Path) -> None:
    path.rename(path.with_name(path.name.replace("-fact-", "-fakt-")))


def _rename_number(path: Path) -> None:
    path.rename(path.with_name("0007" + path.name[4:]))


def _hide(path: Path) -> None:
    path.rename(path.with_suffix(".txt"))


def _link(path: Path) -> None:
    kept = path.with_name("kept")
    path.rename(kept)
    path.symlink_to(kept)


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


NAME = "{number:04}-fact-20261125T120000Z.json"


@pytest.mark.promise(10)
@pytest.mark.parametrize("number", [4, 6], ids=["in the middle", "the newest"])
@pytest.mark.parametrize(
    ("change", "evidence"),
    [
        (Path.unlink, f"{NAME} is gone"),
        (_hide, f"{NAME} is gone"),
        (_alter, f"{NAME} was altered since it was filed"),
        (_spoil, f"{NAME} was altered since it was filed"),
        (_rename_kind, f"{NAME} was renamed to {NAME.replace('fact', 'receipt')}"),
        (_rename_to_no_kind, f"{NAME} was renamed to {NAME.replace('fact', 'fakt')}"),
        (_rename_number, f"{NAME} was renamed to 0007-fact-20261125T120000Z.json"),
        (_link, f"{NAME} is a link, not a file"),
        (_pipe, f"{NAME} is not a regular file"),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_whatever_is_done_to_a_result_is_named(
    job: JobFolder, number: int, change: Callable[[Path], None], evidence: str
) -> None:
    change(file_of(job, number))
    item = records(job)
    assert not item.holds
    assert item.evidence == evidence.format(number=number)
    assert item.next == "drivecare job show 1042"
    with pytest.raises(Refused, match="only results at the end"):
        job.mend_chain(mending())
    job.file(fact("detached"))
    assert not records(job).holds


@pytest.mark.promise(10)
@pytest.mark.parametrize("name", ["0004-fact-20261125T120001Z.json", "0012-receipt-20261125T120001Z.json"])
def test_a_result_brought_in_is_named_until_it_is_gone(job: JobFolder, name: str) -> None:
    (job.path / name).write_bytes(file_of(job, 4).read_bytes() + b"\n")
    assert records(job).evidence == f"{name} was added: it has no line in the chain"
    with pytest.raises(Refused, match="was added"):
        job.mend_chain(mending())
    assert job.file(fact("consent")).name.startswith("0007-")  # one that is far off does not carry others along
    (job.path / name).unlink()
    assert records(job).holds


def test_a_link_in_place_of_the_next_result_is_not_taken_for_one(job: JobFolder) -> None:
    """As another result without a line would lie there after a kill."""
    name = NAME.format(number=7)
    (job.path / name).symlink_to(file_of(job, 4))
    assert records(job).evidence == f"{name} is a link, not a file"
    with pytest.raises(Refused, match="is a link, not a file"):
        job.mend_chain(mending())


@pytest.mark.promise(10)
def test_a_removed_number_is_not_given_again(job: JobFolder) -> None:
    file_of(job, 6).unlink()
    assert job.file(fact("detached")).name.startswith("0007-")
    assert records(job).evidence == f"{NAME.format(number=6)} is gone"


def test_many_faults_are_counted(job: JobFolder) -> None:
    for _ in range(5):
        job.file(fact("detached"))
    for number in range(4, 12):
        _alter(file_of(job, number))
    evidence = records(job).evidence
    assert evidence.endswith(f"{NAME.format(number=8)} was altered since it was filed and 3 more")


def test_a_list_and_the_gate_agree_about_an_altered_result(job: JobFolder) -> None:
    assert summarise_job(job.id, job.read, now=NOW).line.gate_open
    _alter(file_of(job, 4))
    assert summarise_job(job.id, job.read, now=NOW).line.gate_open is False
    assert not judge_gate(load_job_state(job.read(), now=NOW)).open
    file_of(job, 4).unlink()
    assert summarise_job(job.id, job.read, now=NOW).line.gate_open is False


# --- what is done to the chain ----------------------------------------------------------------------------------------


def _drop_line(place: int) -> Callable[[Path], None]:
    def drop(path: Path) -> None:
        kept = path.read_bytes().splitlines(keepends=True)
        del kept[place - 1]
        path.write_bytes(b"".join(kept))

    return drop


def _other_digest(path: Path) -> None:
    kept = path.read_bytes().splitlines(keepends=True)
    kept[3] = kept[3].replace(kept[3].split()[2], b"0" * 64)
    path.write_bytes(b"".join(kept))


def _linked_chain(path: Path) -> None:
    path.rename(path.with_name("elsewhere"))
    path.symlink_to("elsewhere")


def _huge(path: Path) -> None:
    os.truncate(path, 1 << 40)


@pytest.mark.promise(10)
@pytest.mark.parametrize(
    ("change", "evidence"),
    [
        (Path.unlink, "chain is missing: the job was opened with one"),
        (_drop_line(1), "chain line 1 is numbered 0002: lines were added or removed; "),
        (_drop_line(4), "chain line 4 is numbered 0005: lines were added or removed; "),
        (_other_digest, "chain line 5 does not follow from the line before it; "),
        (_linked_chain, "chain is a link, not a file; "),
        (_pipe, "chain is not a regular file; "),
        (_huge, "chain is larger than 67,108,864 bytes; "),
        (lambda path: path.write_bytes(b"\0\xff\n" * 1000), "chain line 1 is not a line of a chain; "),
    ],
    ids=["gone", "first line", "line", "digest", "link", "pipe", "huge", "junk"],
)
def test_whatever_is_done_to_the_chain_is_named(job: JobFolder, change: Callable[[Path], None], evidence: str) -> None:
    change(job.path / CHAIN)
    item = records(job)
    assert not item.holds
    assert item.evidence.startswith(evidence)
    with pytest.raises(Refused):
        job.mend_chain(mending())
    notices: list[str] = []
    path = JobFolder(path=job.path, notify=notices.append).file(fact("detached"))
    assert path.exists()  # what a person was told or a drive has shown is never lost for the chain's sake
    assert not records(job).holds


def test_a_job_of_0_1_0_is_read_as_ever_and_gets_no_chain(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route())
    (job.path / CHAIN).unlink()
    item = records(job)
    assert item.holds
    assert item.evidence == (
        "no number is missing; the job was opened before results were chained, so a changed result or the loss of the "
        "newest would not show"
    )
    assert judge_gate(load_job_state(job.read(), now=NOW)).open
    job.file(fact("detached"))
    assert not (job.path / CHAIN).exists()  # one that began here would seem to speak for what lay there before
    with pytest.raises(BadInput, match="opened before there were any"):
        job.mend_chain(mending())
    for number in (3, 5, 6):
        file_of(job, number).unlink()
    assert records(job).evidence == "0003 once filed and now gone; 0005 to 0006 once filed and now gone"


# --- kills ------------------------------------------------------------------------------------------------------------


class KilledBeforeTheLine(JobFolder):
    """Dies as from a power cut between the result and its line, with `written` bytes of the line on the disk."""

    written = 0

    def _append(self, lines: bytes, *, fragment: int = 0) -> None:
        with (self.path / CHAIN).open("ab") as stream:
            stream.write(lines[: self.written])
        os.kill(os.getpid(), signal.SIGKILL)


def _file_and_die(path: Path, written: int) -> None:
    KilledBeforeTheLine.written = written
    KilledBeforeTheLine(path=path, now=lambda: NOW).file(fact("unchanged", note="the last one"))


def killed(job: JobFolder, written: int = 0) -> None:
    process = multiprocessing.get_context("fork").Process(target=_file_and_die, args=(job.path, written))
    process.start()
    process.join(30)
    assert process.exitcode == -signal.SIGKILL


@pytest.mark.parametrize("written", [0, 1, 40, 150])
def test_a_kill_between_result_and_line_is_told_and_taken_up_by_a_word(job: JobFolder, written: int) -> None:
    killed(job, written)
    name = NAME.format(number=7)
    item = records(job)
    assert (item.holds, item.evidence) == (False, f"{name} has no line in the chain, as after an interruption")
    assert item.next == 'drivecare job record 1042 chain-mended --note "..."'
    notices: list[str] = []
    after = JobFolder(path=job.path, notify=notices.append, now=lambda: NOW).file(fact("detached"))
    assert after.name == NAME.format(number=8)
    assert notices == [
        f"{after.name} has no line in the chain, since "
        + ("the chain is cut short or broken" if written else "a result before it has none")
        + ". The gate stays shut until somebody looks at it: drivecare gate 1042"
    ]
    assert len(job.read().audit().unlined) == 2
    mended = job.mend_chain(mending())
    assert mended.file.path.name == NAME.format(number=9)
    assert mended == job.results(Fact)[-1]
    assert mended.document.about == "0007-0008"
    assert records(job).holds
    assert records(job).evidence.endswith("is there, unaltered; 0007-0008 taken up: power cut")
    assert [line.split()[1].decode() for line in lines(job)] == [entry.path.name for entry in job.result_files()]
    job.file(fact("detached"))
    assert len(lines(job)) == 10
    with pytest.raises(BadInput, match="has every line; there is nothing to mend"):
        job.mend_chain(mending())


def test_a_length_without_bytes_is_taken_for_a_power_cut(job: JobFolder) -> None:
    killed(job, 30)
    os.truncate(job.path / CHAIN, (job.path / CHAIN).stat().st_size + 4000)  # what some file systems leave: zeros
    assert not records(job).holds
    job.mend_chain(mending())
    assert records(job).holds
    assert lines(job)[-1].endswith(b"\n")


def test_a_kill_while_mending_leaves_it_to_be_mended(job: JobFolder) -> None:
    killed(job)
    child = multiprocessing.get_context("fork").Process(
        target=lambda: KilledBeforeTheLine(path=job.path, now=lambda: NOW).mend_chain(mending("first try"))
    )
    child.start()
    child.join(30)
    assert child.exitcode == -signal.SIGKILL
    assert [result.number for result in job.read().audit().unlined] == [
        7,
        8,
    ]  # the fact of it, too: nothing is taken up unsaid
    job.mend_chain(mending("second try"))
    assert records(job).holds


def test_an_alteration_is_not_taken_up_along_with_a_cut_line(job: JobFolder) -> None:
    """Whoever shortens the last line and alters its result is found out by what is left of the line."""
    whole = (job.path / CHAIN).read_bytes()
    (job.path / CHAIN).write_bytes(whole[:-1])
    assert len(job.read().audit().unlined) == 1
    _alter(file_of(job, 6))
    assert "chain ends with a line that was cut short and matches no result" in records(job).evidence
    with pytest.raises(Refused):
        job.mend_chain(mending())
    file_of(job, 6).unlink()
    with pytest.raises(Refused):
        job.mend_chain(mending())


def test_a_result_missing_among_those_without_a_line_is_not_taken_up(job: JobFolder) -> None:
    killed(job)
    job.file(fact("detached"))
    file_of(job, 7).unlink()
    assert records(job).evidence == "0008-fact-20261125T120000Z.json was added: it has no line in the chain"
    with pytest.raises(Refused):
        job.mend_chain(mending())


def test_a_full_disk_leaves_the_chain_whole_and_the_result_filed(job: JobFolder) -> None:
    """Linux: a file limit stands in for the full disk; the write then fails with EFBIG after some bytes."""
    import resource

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        limit = (job.path / CHAIN).stat().st_size + 50
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        notices: list[str] = []
        JobFolder(path=job.path, now=lambda: NOW, notify=notices.append).file(fact("detached"))
        os._exit(7 if "since it cannot be written: File too large" in notices[0] else 8)

    before = (job.path / CHAIN).read_bytes()
    child = multiprocessing.get_context("fork").Process(target=limited)
    child.start()
    child.join(30)
    assert child.exitcode == 7
    assert (job.path / CHAIN).read_bytes() == before
    assert [result.number for result in job.read().audit().unlined] == [7]


def test_the_opening_itself_may_lack_its_line(tmp_path: Path) -> None:
    job = FolderRecord(root=tmp_path).create(OPENED_NOW)
    (job.path / CHAIN).write_bytes(b"")
    assert [result.number for result in job.read().audit().unlined] == [1]
    job.mend_chain(mending())
    assert records(job).holds


# --- two at once ------------------------------------------------------------------------------------------------------


def _file_many(path: Path) -> None:
    notices: list[str] = []
    for _ in range(15):
        JobFolder(path=path, notify=notices.append).file(fact("detached"))
    os._exit(len(notices))


def test_two_processes_share_one_chain_and_a_reader_sees_it_whole(tmp_path: Path) -> None:
    job = FolderRecord(root=tmp_path).create(OPENED_NOW)
    context = multiprocessing.get_context("spawn")
    processes = [context.Process(target=_file_many, args=(job.path,)) for _ in range(2)]
    for process in processes:
        process.start()
    audits = set()
    while any(process.is_alive() for process in processes):
        audits.add(job.read().audit())
    for process in processes:
        process.join(60)
    assert [process.exitcode for process in processes] == [0, 0]
    assert audits == {Audit()}
    assert job.read().audit() == Audit()
    assert len(lines(job)) == 31


def test_where_nothing_can_be_locked_jobs_are_read_and_not_filed_into(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some network file systems keep no locks."""

    def no_locks(descriptor: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("fcntl.flock", no_locks)
    assert records(job).holds
    with pytest.raises(Unavailable, match=r"1042: cannot be locked: No locks available\. Keep the jobs"):
        job.file(fact("detached"))


# --- the parts --------------------------------------------------------------------------------------------------------


def test_gaps_are_counted_without_counting_up_to_them() -> None:
    assert missing_numbers([]) == ()
    assert missing_numbers([1, 2, 3]) == ()
    assert missing_numbers([3, 4, 99_999]) == ((1, 2), (5, 99_998))
    assert missing_numbers([10**30]) == ((1, 10**30 - 1),)


def test_the_next_number_is_the_first_free_one_after_the_chain() -> None:
    assert next_number(0, []) == 1
    assert next_number(4, [1, 2, 3]) == 5
    assert next_number(4, [1, 2, 3, 4, 5, 6, 9]) == 7


def test_reading_a_chain_ends_where_it_breaks() -> None:
    results = [DigestedFile(number=number, file=f"{number:04}-x", digest=hex_sha256(b"x")) for number in (1, 2, 3)]
    data = lines_for(results, NOTHING_BEFORE)
    whole = parse_chain(data)
    assert [link.number for link in whole.links] == [1, 2, 3]
    assert whole.continuable
    assert parse_chain(data[:-1]).fragment == data.splitlines()[-1]
    assert not parse_chain(data[:-1]).continuable
    assert parse_chain(b"").end == NOTHING_BEFORE
    broken = parse_chain(data.replace(b"0002 ", b"0003 "))
    assert len(broken.links) == 1
    assert [fault.problem for fault in broken.faults] == ["line 2 is numbered 0003: lines were added or removed"]
    assert chain.audit_results(whole, results) == Audit()


def test_opening_by_its_id_files_into_the_same_chain(job: JobFolder) -> None:
    FolderRecord(root=job.path.parent).job("1042").file(fact("detached"))
    assert len(lines(job)) == 7
