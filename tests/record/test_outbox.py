"""While the record's server is away nothing is lost, nothing is called filed, and the gate is shut."""

from __future__ import annotations

import json
import stat
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import encode
from drivecare.errors import BadInput, RecordAway
from drivecare.job.chain import Audit
from drivecare.job.file_names import with_names
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import load_job_state
from drivecare.job.model import Closing, Fact
from drivecare.record.address import ServerAddress
from drivecare.record.location import bench_folder, open_record
from drivecare.record.outbox import Outbox
from drivecare.record.shared_job import SharedJob
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work.take_back import Author, move, withdraw
from tests.cli.test_job import drivecare
from tests.job.carried import NOW, data_route, fact
from tests.job.test_file_names import NAMING
from tests.postgres import Cluster
from tests.proxy import Proxy, way_to
from tests.record.test_port import OPENED_NOW

WHY = Author(note="wrong drive", at="2026-11-25T12:00:00+00:00", by="ann")


def test_what_is_put_into_an_outbox_comes_out_in_order(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox")
    assert outbox.waiting() == ()
    token = uuid.uuid4()
    for number in range(12):
        outbox.put(b"%d" % number, job=f"10-{number % 2}", kind="fact", token=token)
    assert [result.read() for result in outbox.waiting()] == [b"%d" % number for number in range(12)]
    assert [result.number for result in outbox.waiting("10-1")] == [2, 4, 6, 8, 10, 12]
    first = outbox.waiting()[0]
    assert (first.job, first.kind, first.token) == ("10-0", "fact", token)
    outbox.remove(first)
    assert outbox.waiting()[0].number == 2
    assert (tmp_path / "outbox").stat().st_mode & 0o077 == 0
    assert first.path.with_name("notes.txt").write_text("not ours")
    assert len(outbox.waiting()) == 11


@pytest.fixture
def direct(cluster: Cluster) -> ServerAddress:
    return cluster.empty_record()


@pytest.fixture
def proxy(cluster: Cluster) -> Iterator[Proxy]:
    with way_to(cluster.folder) as proxy:
        yield proxy


@pytest.fixture
def bench(direct: ServerAddress, proxy: Proxy) -> ServerAddress:
    """A bench that reaches the record through the proxy, with a job it has read."""
    bench = proxy.address(direct)
    job = open_record(bench).create(OPENED_NOW)
    for document in data_route():
        job.file(document)
    assert judge_gate(load_job_state(open_record(bench).job("1042").read(), now=NOW)).open
    return bench


pytest_server = pytest.mark.server


@pytest_server
def test_a_result_waits_and_is_filed_once_the_server_is_there(
    direct: ServerAddress, bench: ServerAddress, proxy: Proxy
) -> None:
    before = len(open_record(direct).job("1042").result_files())
    proxy.cut()
    job = open_record(bench).job("1042")
    waiting = [job.file(document) for document in (fact("consent"), fact("detached"))]
    assert all(path.is_file() and path.parent == bench_folder(bench) / "outbox" for path in waiting)
    assert job.describe_filing(waiting[0]).startswith("NOT FILED YET: the record's server is away")
    assert open_record(bench).push().waiting[0].reason.startswith(str(bench))
    assert open_record(bench).push().waiting[0].away
    assert len(open_record(direct).job("1042").result_files()) == before
    proxy.mend()
    push = open_record(bench).push()
    assert [result.file[:4] for result in push.filed] == [f"{before + 1:04}", f"{before + 2:04}"]
    assert push.waiting == ()
    contents = open_record(direct).job("1042").read()
    assert [filed.document.fact for filed in contents.documents(Fact)][-2:] == ["consent", "detached"]
    assert contents.audit() == Audit()
    assert open_record(bench).push().filed == ()


@pytest_server
@pytest.mark.promise(11)
def test_names_of_files_wait_beside_the_job_and_never_go_to_the_server(
    direct: ServerAddress, bench: ServerAddress, proxy: Proxy
) -> None:
    proxy.cut()
    job = open_record(bench).job("1042")
    waiting = job.file(NAMING)
    (names,) = job.path.glob("names-*")
    token = uuid.UUID(hex=waiting.stem.rpartition("-")[2])
    assert (names.name, stat.S_IMODE(names.stat().st_mode)) == (f"names-waiting-{token}.json", 0o600)
    assert b"Ana" not in waiting.read_bytes()
    proxy.mend()
    assert len(open_record(bench).push().filed) == 1
    receipt = open_record(bench).job("1042").results(Receipt)[-1].document
    assert with_names(receipt, job.path).unreadable == NAMING.unreadable
    contents = open_record(direct).job("1042").read()
    assert not [file.path for file in contents.files if b"Ana" in contents.data(file)]
    assert [path.name for path in job.path.glob("names-*")] == [names.name]


@pytest_server
def test_a_result_that_arrived_before_the_push_was_killed_is_filed_once(
    direct: ServerAddress, bench: ServerAddress, cluster: Cluster
) -> None:
    database = direct.uri.split("/")[3].partition("?")[0]
    before = len(open_record(direct).job("1042").result_files())
    job = open_record(bench).job("1042")
    assert isinstance(job, SharedJob)
    outbox = Outbox(bench_folder(bench) / "outbox")
    token = uuid.uuid4()
    path = outbox.put(encode(fact("consent")), job="1042", kind="fact", token=token)
    result = outbox.waiting()[0]
    job.push(result)  # and killed before the outbox heard of it
    assert path.exists()
    push = open_record(bench).push()
    assert [pushed.file[:4] for pushed in push.filed] == [f"{before + 1:04}"]
    assert len(open_record(direct).job("1042").result_files()) == before + 1
    rows = cluster.run(f"SELECT count(*) FROM drivecare.result WHERE token = '{token}'", database)
    assert rows == [(1,)]


@pytest_server
def test_an_answer_lost_on_the_way_is_never_called_filed(
    direct: ServerAddress, bench: ServerAddress, proxy: Proxy
) -> None:
    job = open_record(bench).job("1042")
    before = len(job.result_files())
    proxy.lose_answers(to=b"COMMIT")
    path = job.file(fact("detached"))
    assert path.parent == bench_folder(bench) / "outbox"
    deadline = time.monotonic() + 30
    while len(open_record(direct).job("1042").result_files()) == before and time.monotonic() < deadline:
        time.sleep(0.01)  # the server took it
    proxy.cut()
    proxy.mend()
    open_record(bench).push()
    assert len(open_record(direct).job("1042").result_files()) == before + 1


@pytest_server
def test_without_the_server_the_gate_is_shut_unless_somebody_vouches(
    direct: ServerAddress, bench: ServerAddress, proxy: Proxy
) -> None:
    proxy.cut()
    job = open_record(bench).job("1042")
    shut = judge_gate(load_job_state(job.read(), now=NOW))
    assert not shut.open
    (records,) = [item for item in shut.items if not item.holds]
    assert records.item == "records"
    assert records.evidence.startswith("judged without the record: its server is away; the job is as this bench had it")
    assert records.next == 'drivecare job record 1042 server-away --note "..."'
    job.file(fact("server-away", note="bench 2 has not touched it"))
    contents = job.read()
    assert contents.audit() == Audit()
    vouched = judge_gate(load_job_state(contents, now=NOW))
    assert vouched.open
    assert vouched.items[0].evidence.startswith(
        "JUDGED WITHOUT THE RECORD (bench 2 has not touched it): its server is away; the job is as this bench had it "
    )
    assert "1 result waits on this bench" in vouched.items[0].evidence
    proxy.mend()
    open_record(bench).push()
    proxy.cut()
    assert not judge_gate(load_job_state(open_record(bench).job("1042").read(), now=NOW)).open  # that absence is over


@pytest_server
def test_what_is_refused_waits_with_all_that_follows_in_its_job(
    direct: ServerAddress, bench: ServerAddress, proxy: Proxy
) -> None:
    there = open_record(direct)
    there.create(msgspec.structs.replace(OPENED_NOW, id="1043"))
    proxy.cut()
    here = open_record(bench)
    for id in ("1042", "1043", "1042"):
        here.job(id).file(fact("consent"))
    here.job("1044").file(fact("consent"))
    there.job("1042").file(Closing(at="2026-11-25T12:00:00+00:00", unit_started=True, old_drive="kept", gate_open=True))
    proxy.mend()
    push = open_record(bench).push()
    assert [result.job for result in push.filed] == ["1043"]
    assert [
        (result.job, result.reason.partition(": ")[2].partition(",")[0].partition(" job")[0]) for result in push.waiting
    ] == [
        ("1042", "is closed"),
        ("1042", "is closed"),
        ("1044", "there is no"),
    ]
    state = load_job_state(open_record(bench).job("1042").read(), now=NOW)
    assert judge_gate(state).items[0].evidence == "judged without the record: 2 results wait on this bench"
    assert judge_gate(state).items[0].next == "drivecare records push"
    there.job("1042").reopen(note="more to file", at="2026-11-25T13:00:00+00:00", by="ann")
    assert [result.job for result in open_record(bench).push().filed] == ["1042", "1042"]


@pytest_server
def test_nothing_is_taken_back_without_the_record(direct: ServerAddress, bench: ServerAddress, proxy: Proxy) -> None:
    """Such an entry names results, and those that wait have no lasting name yet."""
    open_record(direct).create(msgspec.structs.replace(OPENED_NOW, id="1043"))
    proxy.cut()
    job, other = (open_record(bench).job(id) for id in ("1042", "1043"))
    for act in (lambda: withdraw(job, 2, WHY), lambda: move(job, 2, other, WHY)):
        with pytest.raises(RecordAway, match="cannot be taken back from without the record: its server is away"):
            act()
    assert Outbox(bench_folder(bench) / "outbox").waiting() == ()


@pytest_server
def test_a_new_job_needs_the_server(bench: ServerAddress, proxy: Proxy) -> None:
    proxy.cut()
    with pytest.raises(RecordAway, match="A new job needs it"):
        open_record(bench).create(msgspec.structs.replace(OPENED_NOW, id="1050"))
    with pytest.raises(BadInput, match="has no opening of a job: its server is away; this bench never read the job"):
        load_job_state(open_record(bench).job("1051").read())


@pytest_server
def test_the_screens_of_a_bench_without_its_server(
    direct: ServerAddress, bench: ServerAddress, proxy: Proxy, tmp_path: Path
) -> None:
    proxy.cut()
    record = drivecare("job", "record", "1042", "consent", jobs=bench)
    assert record.returncode == 0
    assert "Working without the record." in record.stderr
    assert "NOT FILED YET" in record.stderr
    assert "filed as" not in record.stderr
    gate = drivecare("gate", "1042", "--json", jobs=bench)
    assert gate.returncode == 40
    assert json.loads(gate.stdout)["items"][0]["evidence"].startswith("judged without the record")
    listed = drivecare("job", "list", jobs=bench)
    assert listed.returncode == 3
    assert "Not filed yet, until the record's server is there again: 1 result." in listed.stderr
    assert listed.stderr.count("server is away") == 1
    export = drivecare("job", "export", "1042", "--output", str(tmp_path / "1042.tar.gz"), jobs=bench)
    assert export.returncode == 0
    assert drivecare("records", "push", jobs=bench).returncode == 23
    proxy.mend()
    push = drivecare("records", "push", "--json", jobs=bench)
    assert push.returncode == 0
    assert len(json.loads(push.stdout)["filed"]) == 1
    proxy.cut()
    drivecare("assess", "fixtures/demo/failing-drive.txt", "--job", "1042", jobs=bench)
    proxy.mend()
    shown = drivecare("job", "show", "1042", jobs=bench)
    assert "2 results that waited on this bench: filed in the record." in shown.stderr
