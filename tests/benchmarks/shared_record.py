"""How quick a shared record is when it is large: `python -m tests.benchmarks.shared_record [JOBS]`.

Starts a PostgreSQL of its own, makes a record of invented jobs (100,000 unless told otherwise) of twelve results each,
and prints how long the first page of the list, a drive's history, an assessment and a filing take over the start of the
tool, and what looks at every job: a filtered list, the shop's report. The jobs are put there past the checks of the
chain's lines, which are what takes longest.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
import uuid
from collections.abc import Iterable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import LiteralString

import psycopg
from psycopg import sql

from drivecare.record.address import ServerAddress
from drivecare.record.location import open_record
from tests.benchmarks.many_jobs import REPORT, RESULTS, TIMES, Figure, InventedJob, invent_jobs
from tests.benchmarks.table import TOOL, median
from tests.job.carried import NOW, fact
from tests.postgres import Cluster, find_programs

_BATCH = 1000


def fill_record(address: ServerAddress, count: int) -> None:
    """Put the jobs there."""
    with psycopg.connect(address.uri, autocommit=True) as connection:
        connection.execute("SET session_replication_role = replica")
        batch: list[InventedJob] = []
        for number, job in enumerate(invent_jobs(count), 1):
            batch.append(job)
            if len(batch) == _BATCH or number == count:
                _put(connection, batch, number - len(batch))
                batch.clear()
        connection.execute("ANALYZE")


def _put(connection: psycopg.Connection[tuple[object, ...]], jobs: list[InventedJob], first: int) -> None:
    """Put a batch of jobs there, each table by one COPY."""
    numbered = [
        (job, number, result, line)
        for job in jobs
        for number, (result, line) in enumerate(zip(job.results, job.lines.splitlines(keepends=True), strict=True), 1)
    ]
    filed_at = {job.id: NOW + timedelta(seconds=number) for number, job in enumerate(jobs, first)}
    _copy(
        connection,
        "job",
        "id text, filed_at timestamptz, chained bool",
        ((id, at, True) for id, at in filed_at.items()),
    )
    _copy(
        connection,
        "result",
        "job text, number int4, name text, data bytea, token uuid",
        ((job.id, number, name, data, uuid.uuid4()) for job, number, (name, data), _ in numbered),
    )
    _copy(
        connection,
        "line",
        "job text, number int4, line bytea",
        ((job.id, number, line) for job, number, _, line in numbered),
    )
    _copy(connection, "drive", "name text, job text", ((name, job.id) for job in jobs for name in job.drives))


def _copy(
    connection: psycopg.Connection[tuple[object, ...]],
    table: LiteralString,
    columns: LiteralString,
    rows: Iterable[tuple[object, ...]],
) -> None:
    names, types = zip(*(column.split() for column in columns.split(", ")), strict=True)
    statement = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT BINARY)").format(
        sql.Identifier("drivecare", table), sql.SQL(", ").join(map(sql.Identifier, names))
    )
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        copy.set_types(types)
        for row in rows:
            copy.write_row(row)


def measure(folder: Path, bench: ServerAddress, count: int) -> Iterator[Figure]:
    """Every figure, the list's once somebody has listed."""
    empty = folder / "empty"
    empty.mkdir()
    start = median(TOOL, "job", "list", "--page", "1", "--jobs", empty, times=TIMES).seconds
    shared = ("--jobs", str(bench))
    page = (TOOL, "job", "list", "--page", "1", *shared)
    median(*page, times=1)
    yield Figure("first page of the list over start-up", median(*page, times=TIMES).seconds - start, 0.2, " s")
    history = median(TOOL, "history", "KX00-00001", *shared, times=TIMES)
    yield Figure("history of a drive over start-up", history.seconds - start, 0.2, " s")
    report = folder / "report.txt"
    report.write_text(REPORT.read_text("utf-8").replace("KX25-00417", "KX00-00001").replace("0a1b20417", "000000001"))
    judged = median(TOOL, "assess", report, *shared, times=TIMES)
    yield Figure("a drive judged and looked for in all jobs, start-up included", judged.seconds, 0.5, " s")
    seconds, record = [], open_record(bench)
    for number in range(50):
        job = record.job(f"{number:05}")
        began = time.perf_counter()
        job.file(fact("detached"))
        seconds.append(time.perf_counter() - began)
    yield Figure("filing on an open connection", statistics.median(seconds), 0.05, " s")
    filtered = (TOOL, "job", "list", "--verdict", "evacuate", "--page", "1", *shared)
    yield Figure(
        "jobs a second worked out for the first filtered list",
        count / median(*filtered, times=1).seconds,
        300,
        "",
        most=False,
    )
    for what, command in (("a filtered list", filtered), ("the shop's report", (TOOL, "shop", "report", *shared))):
        yield Figure(f"{what} over start-up", median(*command, times=TIMES).seconds - start, 3, " s")


def main() -> None:
    """Print the figures as they come."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("jobs", type=int, nargs="?", default=100_000)
    count = parser.parse_args().jobs
    programs = find_programs()
    assert programs is not None, "no PostgreSQL is installed: apt install postgresql"
    cluster = Cluster(programs)
    print(f"{count:,} jobs, {count * RESULTS:,} results, load average {os.getloadavg()[0]:.1f}", flush=True)
    try:
        cluster.create()
        bench = cluster.empty_record()
        began = time.perf_counter()
        fill_record(cluster.empty_record("owner"), count)
        print(f"made in {time.perf_counter() - began:,.0f} s", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            os.environ["XDG_DATA_HOME"] = folder
            for figure in measure(Path(folder), bench, count):
                print(figure, flush=True)
    finally:
        cluster.remove()


if __name__ == "__main__":
    main()
