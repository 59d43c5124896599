"""A note about the customer lies apart from the results, and an entry that says so erases it, on every store."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import msgspec
import psycopg
import pytest

from drivecare.documents import decode
from drivecare.errors import BadInput, RecordAway
from drivecare.hardware.held_folder import LocalFileSystem
from drivecare.job.chain import Audit
from drivecare.job.closing import check_closing, make_closing
from drivecare.job.copies import CustomerCopy, copies_made
from drivecare.job.customer_notes import CustomerNote, notes_kept
from drivecare.job.export import export_job
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Closing, Fact, Withdrawal
from drivecare.job.sheet import make_sheet
from drivecare.record.address import ServerAddress
from drivecare.record.copy_record import copy_record
from drivecare.record.folder import FolderRecord
from drivecare.record.location import open_record
from drivecare.record.port import FiledJob, Record
from drivecare.work.take_back import Author, move, withdraw
from tests.cli.test_job import drivecare
from tests.job.carried import NOW, fact
from tests.postgres import Cluster
from tests.proxy import way_to
from tests.record.test_port import OPENED_NOW, STORES

WORDS = "rings at the neighbour's, Quillfeather"
NOTE = fact("customer-note", note=WORDS)
AUTHOR = Author(note="wrong job", at="2026-11-25T12:00:00+00:00", by="ann")


@pytest.fixture(params=[*STORES, pytest.param("shared", marks=pytest.mark.server)])
def record(request: pytest.FixtureRequest, tmp_path: Path) -> Record:
    if request.param == "shared":
        return open_record(request.getfixturevalue("cluster").empty_record())
    return STORES[request.param](tmp_path)


@pytest.fixture
def job(record: Record) -> FiledJob:
    job = record.create(OPENED_NOW)
    job.file(NOTE)
    return job


def words_of(job: FiledJob) -> list[str | None]:
    return [note.words for note in notes_kept(job.read())]


def notes_to_forget(job: FiledJob) -> list[CustomerCopy]:
    return [copy for copy in copies_made(load_job_state(job.read(), now=NOW)) if copy.kind == "note" and copy.exists]


def close(job: FiledJob, *, forget: bool) -> Closing:
    state = load_job_state(job.read(), now=NOW)
    copies = copies_made(state)
    check_closing(state, copies, LocalFileSystem(), anyway="x", forget=forget, fates={})
    removed = tuple(copy.path for copy in copies if copy.exists) if forget else ()
    closing = make_closing(
        state, copies, unit_started=True, old_drive="kept", fates={}, removed=removed, anyway="x", at=AUTHOR.at
    )
    job.file(closing)
    return closing


@pytest.mark.promise(11)
def test_no_result_holds_the_words_and_they_are_found_again(job: FiledJob) -> None:
    contents = job.read()
    assert not [file for file in contents.files if b"Quillfeather" in contents.data(file)]
    (filed,) = job.results(Fact)
    assert (filed.document.fact, filed.document.note) == ("customer-note", None)
    assert words_of(job) == [WORDS]
    assert contents.audit() == Audit()


def test_openssl_computes_the_same_digest(job: FiledJob, tmp_path: Path) -> None:
    contents = job.read()
    content = contents.fetch(contents.path / "note-0002.json")
    (tmp_path / "note").write_bytes(content)
    key = decode(CustomerNote, content, origin="note").key
    words = ["openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", f"hexkey:{key}", str(tmp_path / "note")]
    printed = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    (filed,) = job.results(Fact)
    assert filed.document.words is not None
    assert (printed.split()[-1], len(content)) == (filed.document.words.digest, filed.document.words.length)


def test_the_sheet_does_not_show_it(job: FiledJob) -> None:
    html = make_sheet(load_job_state(job.read(), now=NOW), Path("sheet.html"), shop=None)[1]
    assert "Quillfeather" not in html
    assert "customer-note" not in html


@pytest.mark.promise(11)
@pytest.mark.parametrize("asked_for", [False, True])
def test_an_export_leaves_it_out_unless_it_is_asked_for(job: FiledJob, tmp_path: Path, asked_for: bool) -> None:
    archive = export_job(job.read(), tmp_path / "1042.tar.gz", images=True, names=asked_for)
    left_out = [(left.file, left.reason) for left in archive.left_out]
    assert left_out == ([] if asked_for else [("note-0002.json", "a note about the customer")])
    assert ("note-0002.json" in archive.files) is asked_for


@pytest.mark.promise(11)
def test_the_closing_that_forgets_erases_it_and_says_so(job: FiledJob) -> None:
    job.file(fact("customer-note", note="second"))
    withdraw(job, 3, AUTHOR)
    closing = close(job, forget=True)
    assert closing.erased == (2, 3)
    assert [(image.kind, image.fate) for image in closing.images] == [("note", "removed"), ("note", "removed")]
    assert words_of(job) == [None, None]
    assert job.read().audit() == Audit()
    job.reopen(note="it came back", at=AUTHOR.at, by="ann")
    job.file(fact("customer-note", note="third"))
    again = close(job, forget=False)
    assert [image.fate for image in again.images] == ["removed", "removed", "kept"]
    assert again.erased == ()
    assert words_of(job) == [None, None, "third"]


def test_it_moves_with_its_fact(job: FiledJob, record: Record) -> None:
    other = record.create(msgspec.structs.replace(OPENED_NOW, id="1043"))
    other.file(fact("consent"))
    withdrawal, _ = move(job, 2, other, AUTHOR)
    assert withdrawal.erased == (2,)
    assert (words_of(other), words_of(job)) == ([WORDS], [None])
    assert (notes_to_forget(job), [note.path.name for note in notes_to_forget(other)]) == ([], ["note-0003.json"])
    assert (job.read().audit(), other.read().audit()) == (Audit(), Audit())


def test_one_that_another_command_has_moved_halfway_keeps_its_words(job: FiledJob, record: Record) -> None:
    """Its fact arrived there and its words did not: they are not erased here."""
    other = record.create(msgspec.structs.replace(OPENED_NOW, id="1043"))
    contents = job.read()
    other.file_bytes(contents.data(contents.files[1]), "fact")
    withdrawal, _ = move(job, 2, other, AUTHOR)
    assert withdrawal.erased == ()
    assert words_of(job) == [WORDS]


def test_all_jobs_of_a_record_take_their_notes_along(job: FiledJob, record: Record, tmp_path: Path) -> None:
    other = FolderRecord(root=tmp_path / "other")
    copy_record(record, other)
    assert words_of(other.job("1042")) == [WORDS]
    assert (tmp_path / "other/1042/note-0002.json").stat().st_mode & 0o077 == 0
    assert job.id == "1042"


@pytest.mark.server
def test_a_folder_with_closed_jobs_goes_to_the_server_with_their_notes(tmp_path: Path, cluster: Cluster) -> None:
    shop = FolderRecord(root=tmp_path / "jobs")
    job = shop.create(OPENED_NOW)
    for words in ("first", "second"):
        job.file(fact("customer-note", note=words))
        if words == "first":
            close(job, forget=True)
            job.reopen(note="more", at=AUTHOR.at, by="ann")
    there = open_record(cluster.empty_record())
    copy_record(shop, there)
    assert words_of(there.job("1042")) == [None, "second"]
    assert there.job("1042").read().audit() == Audit()


def test_words_that_are_not_those_that_were_filed_are_not_shown_and_not_erased(tmp_path: Path) -> None:
    job = FolderRecord(root=tmp_path / "jobs").create(OPENED_NOW)
    job.file(NOTE)
    path = job.path / "note-0002.json"
    path.write_bytes(path.read_bytes().replace(b"Quill", b"Goose"))
    assert words_of(job) == [None]
    with pytest.raises(BadInput, match="does not hold the words that were filed there"):
        close(job, forget=True)
    assert path.exists()


def test_the_command_line_shows_and_forgets_it(tmp_path: Path) -> None:
    jobs = tmp_path / "jobs"
    FolderRecord(root=jobs).create(OPENED_NOW)
    assert drivecare("job", "record", "1042", "customer-note", jobs=jobs).returncode == 3
    recorded = drivecare("job", "record", "1042", "customer-note", "--note", WORDS, jobs=jobs)
    assert recorded.returncode == 0
    shown = drivecare("job", "show", "1042", "--full", jobs=jobs).stdout
    assert f"about the customer: {WORDS}" in " ".join(shown.split())
    assert "Quillfeather" not in drivecare("job", "show", "1042", "--json", jobs=jobs).stdout
    words = ("job", "close", "1042", "--started", "--old-drive", "kept", "--anyway", "x", "--forget", "--json")
    closed = drivecare(*words, jobs=jobs, typed="1042\n")
    assert f"note 0002   note about the customer, {WORDS}" in closed.stderr
    assert json.loads(closed.stdout)["erased"] == [2]
    shown = drivecare("job", "show", "1042", "--full", jobs=jobs).stdout
    assert "about the customer: the words are not here any more" in " ".join(shown.split())
    assert not list(jobs.rglob("note-*"))


@pytest.mark.server
@pytest.mark.promise(10)
class TestOnTheServer:
    """What the server itself holds to."""

    @pytest.fixture
    def address(self, cluster: Cluster) -> ServerAddress:
        address = cluster.empty_record()
        open_record(address).create(OPENED_NOW).file(NOTE)
        return address

    @pytest.mark.parametrize(
        "act", ["DELETE FROM drivecare.note", "TRUNCATE drivecare.note", "UPDATE drivecare.note SET data = ''"]
    )
    def test_no_bench_erases_or_changes_words_itself(self, address: ServerAddress, act: str) -> None:
        with psycopg.connect(address.uri) as connection, pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute(act.encode())

    @pytest.mark.parametrize("kind", ["fact", "receipt"])
    def test_only_an_entry_of_a_kind_that_says_so_erases(self, address: ServerAddress, kind: str) -> None:
        name = f"0003-{kind}-20261125T100000Z.json"
        with psycopg.connect(address.uri) as connection, pytest.raises(psycopg.errors.RaiseException):
            connection.execute(
                "SELECT drivecare.file_and_erase('1042', 3, %s, %s, gen_random_uuid())", [name, b'{"erased": [2]}']
            )

    def test_the_entry_is_filed_by_the_bench_and_erases_no_more_than_it_says(
        self, address: ServerAddress, cluster: Cluster
    ) -> None:
        record = open_record(address)
        record.create(msgspec.structs.replace(OPENED_NOW, id="1043")).file(NOTE)
        job = record.job("1042")
        job.file(fact("customer-note", note="second"))
        job.file(Withdrawal(files=(), erased=(2,), note="x", at=AUTHOR.at))
        assert [words_of(record.job(id)) for id in ("1042", "1043")] == [[None, "second"], [WORDS]]
        query = "SELECT bench FROM drivecare.result WHERE job = '1042' AND number = 4"
        assert cluster.run(query, "template_shop") == [("bench1",)]

    def test_the_words_never_wait_on_a_bench(self, address: ServerAddress, cluster: Cluster, tmp_path: Path) -> None:
        with way_to(cluster.folder) as proxy:
            record = open_record(proxy.address(address))
            job = record.job("1042")
            assert words_of(job) == [WORDS]
            proxy.cut()
            with pytest.raises(RecordAway, match="a note about the customer is kept there alone"):
                record.job("1042").file(NOTE)
            assert not [path for path in tmp_path.rglob("*") if path.is_file() and b"Quillfeather" in path.read_bytes()]
            (note,) = notes_kept(job.read())
            assert (note.words, note.exists) == (None, True)
            closing = close(record.job("1042"), forget=True)
            assert closing.erased == (2,)
            proxy.mend()
            push = open_record(proxy.address(address)).push()
        assert len(push.filed) == 1
        assert words_of(open_record(address).job("1042")) == [None]
