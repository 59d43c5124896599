"""A record on a PostgreSQL server: what benches may do there, what the server itself holds to, how it is set up."""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest

from drivecare.errors import BadInput, RecordAway, Unavailable
from drivecare.job.chain import Audit
from drivecare.job.timeline import JobFilter
from drivecare.record.address import ServerAddress, parse_address
from drivecare.record.location import open_record
from drivecare.record.shared_setup import setup_record
from tests.cli.test_job import drivecare
from tests.job.carried import OLD, assessment, fact
from tests.postgres import Cluster
from tests.record.test_port import OPENED_NOW

pytestmark = pytest.mark.server
TABLES = ("job", "result", "line", "drive", "summary", "note", "migration")


@pytest.fixture
def address(cluster: Cluster) -> ServerAddress:
    return cluster.empty_record()


def database_of(address: ServerAddress) -> str:
    return address.uri.split("/")[3].partition("?")[0]


def as_bench(address: ServerAddress, statement: str) -> None:
    with psycopg.connect(address.uri, autocommit=True) as connection:
        connection.execute(statement.encode())


@pytest.mark.promise(10)
@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("act", ["DELETE FROM {}", "TRUNCATE {}", "DROP TABLE {}", "UPDATE {} SET job = job"])
def test_no_bench_can_change_or_remove_what_is_filed(address: ServerAddress, table: str, act: str) -> None:
    if table in ("job", "migration"):
        act = act.replace("job = job", "id = id" if table == "job" else "number = number")
    open_record(address).create(OPENED_NOW)
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_bench(address, act.format(f"drivecare.{table}"))


def test_who_filed_and_when_is_the_servers_word(address: ServerAddress, cluster: Cluster) -> None:
    open_record(address).create(OPENED_NOW)
    database = database_of(address)
    open_record(cluster.address(database, "bench2")).job("1042").file(fact("consent"))
    rows = cluster.run("SELECT number, bench, arrived_at <= now() FROM drivecare.result ORDER BY number", database)
    assert rows == [(1, "bench1", True), (2, "bench2", True)]
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_bench(
            address,
            "INSERT INTO drivecare.result (job, number, name, data, token, bench) "
            "VALUES ('1042', 3, 'x', '', gen_random_uuid(), 'bench2')",
        )


@pytest.mark.parametrize(
    "line",
    [
        "line",  # given twice
        "replace(line, '0001', '0003')",
        "replace(line, '0000000000', '1111111111')",
    ],
    ids=["of a result that has one", "of no result", "that follows another"],
)
def test_the_server_itself_refuses_a_line_that_forks_the_chain(address: ServerAddress, line: str) -> None:
    open_record(address).create(OPENED_NOW)
    number = 3 if "0003" in line else 1
    expression = line.replace("line", "convert_from(line, 'UTF8')")
    with pytest.raises((psycopg.IntegrityError, psycopg.errors.RaiseException)):
        as_bench(
            address,
            f"INSERT INTO drivecare.line SELECT job, {number}, convert_to({expression}, 'UTF8') FROM drivecare.line",
        )


def test_a_job_is_opened_whole_or_not_at_all(cluster: Cluster) -> None:
    address = cluster.new_record()
    database = database_of(address)
    record = open_record(address)
    cluster.run("REVOKE INSERT ON drivecare.line FROM template_shop_bench", database)
    with pytest.raises(Unavailable, match="you may not do that there"):
        record.create(OPENED_NOW)
    assert record.ids() == ()


def test_two_benches_on_one_job_number_it_together(address: ServerAddress) -> None:
    open_record(address).create(OPENED_NOW)

    def file_ten(_: int) -> None:
        job = open_record(address).job("1042")
        for _ in range(10):
            job.file(fact("detached"))

    with ThreadPoolExecutor(4) as benches:
        list(benches.map(file_ten, range(4)))
    contents = open_record(address).job("1042").read()
    assert [file.number for file in contents.files] == list(range(1, 42))
    assert contents.audit() == Audit()


def test_a_list_is_worked_out_once_and_again_after_another_result(address: ServerAddress, cluster: Cluster) -> None:
    database = database_of(address)
    record = open_record(address)
    job = record.create(OPENED_NOW)
    for _ in range(2):
        assert [line.verdict for line in record.list_jobs(JobFilter(), page=1).jobs] == [None]
    job.file(assessment(OLD, "evacuate"))
    for page in (1, None):
        assert [line.verdict for line in record.list_jobs(JobFilter(), page=page).jobs] == ["evacuate"]
    assert cluster.run("SELECT results FROM drivecare.summary ORDER BY results", database) == [(1,), (2,)]


def test_pages_count_from_the_newest(address: ServerAddress, cluster: Cluster) -> None:
    database = database_of(address)
    record = open_record(address)
    record.create(OPENED_NOW)
    cluster.run(
        "INSERT INTO drivecare.job SELECT 'j' || n, now() + n * interval '1 s', true FROM generate_series(1, 60) n",
        database,
    )
    first, second = (record.list_jobs(JobFilter(), page=page) for page in (1, 2))
    assert [line.id for line in first.jobs] == [f"j{number}" for number in range(11, 61)]
    assert [line.id for line in second.jobs] == ["1042", *(f"j{number}" for number in range(1, 11))]
    assert (first.total, first.pages) == (61, 2)


def test_setup_is_done_once_and_says_who_lets_the_benches_in(cluster: Cluster) -> None:
    cluster.run("CREATE DATABASE fresh")
    address = cluster.address("fresh", "owner")
    first, again = setup_record(address), setup_record(address)
    assert (first.applied, again.applied) == ((1, 2), ())
    assert first.administrator[0] == 'CREATE ROLE "bench1" LOGIN IN ROLE "fresh_bench";'
    assert first.owner == "owner"


def test_who_may_not_set_up_is_told_what_the_administrator_runs(cluster: Cluster) -> None:
    cluster.run("CREATE DATABASE foreign_shop")
    with pytest.raises(Unavailable) as refusal:
        setup_record(cluster.address("foreign_shop", "bench1"))
    assert str(refusal.value).endswith(
        'As the administrator: CREATE ROLE "foreign_shop_bench" NOLOGIN; '
        'GRANT CREATE ON DATABASE "foreign_shop" TO "bench1"; Then do the same again.'
    )


def test_a_database_without_a_record_says_how_to_make_one(cluster: Cluster) -> None:
    cluster.run("CREATE DATABASE bare")
    with pytest.raises(BadInput, match=r"holds no record of drivecare .* makes one: drivecare records setup\."):
        open_record(cluster.address("bare", "owner")).ids()


def test_a_record_of_a_newer_drivecare_is_left_alone(cluster: Cluster) -> None:
    address = cluster.new_record()
    database = database_of(address)
    cluster.run("INSERT INTO drivecare.migration VALUES (99)", database)
    with pytest.raises(BadInput, match="was set up by a newer drivecare"):
        open_record(address).ids()
    with pytest.raises(BadInput, match="was set up by a newer drivecare"):
        setup_record(cluster.address(database, "owner"))


def test_a_server_that_does_not_answer_is_away() -> None:
    with pytest.raises(RecordAway, match=r"the record's server is away"):
        open_record(parse_address("postgresql:///shop?host=/nonexistent")).ids()


def test_a_whole_job_on_the_command_line(cluster: Cluster, tmp_path: Path) -> None:
    cluster.run("CREATE DATABASE lantern")
    setup = drivecare("records", "setup", str(cluster.address("lantern", "owner")), "--json", jobs=tmp_path)
    assert json.loads(setup.stdout)["bench_role"] == "lantern_bench"
    cluster.run("GRANT lantern_bench TO bench1")
    jobs = cluster.address("lantern", "bench1")
    opened = drivecare("job", "new", "1042", "--host", "CH-2103", "--complaint", "hangs", jobs=jobs)
    assert opened.returncode == 0, opened.stderr
    assert "in the record; images and sheets of this bench are in" in " ".join(opened.stdout.split())
    assert drivecare("job", "record", "1042", "consent", jobs=jobs).returncode == 0
    assert drivecare("assess", "fixtures/demo/failing-drive.txt", "--job", "1042", jobs=jobs).returncode == 12
    assert drivecare("gate", "1042", jobs=jobs).returncode == 40
    listed = json.loads(drivecare("job", "list", "--json", jobs=jobs).stdout)
    assert [line["verdict"] for line in listed["jobs"]] == ["evacuate"]
    history = drivecare("history", "KX25-00417", jobs=jobs)
    assert history.returncode == 0
    assert drivecare("handover", "1042", jobs=jobs).returncode == 0


def test_a_bench_without_the_packages_is_told_what_to_install() -> None:
    script = "import sys; sys.modules['psycopg'] = None; from drivecare.cli.main import main; sys.argv[1:] = {}; main()"
    away = subprocess.run(
        [sys.executable, "-c", script.format(["job", "list", "--jobs", "postgresql:///shop"])],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert away.returncode == 3
    assert away.stderr.endswith('Run: pip install "drivecare[shared]"\n')
