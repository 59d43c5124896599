"""How quick a shared record is when it is large: `python -m tests.benchmarks.shared_record [JOBS]`.

Starts a PostgreSQL of its own, makes a record of invented jobs (100,000 unless told otherwise) of twelve results each,
and prints how long the first page of the list, a drive's history, an assessment and a filing take over the start of the
tool. The jobs are put there past the checks of the chain's lines, which are what takes longest.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import psycopg

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
    with connection.cursor() as cursor:
        with cursor.copy("COPY drivecare.job (id, filed_at, chained) FROM STDIN") as rows:
            for number, job in enumerate(jobs, first):
                rows.write_row((job.id, NOW.replace(microsecond=number % 1_000_000), True))
        with cursor.copy("COPY drivecare.result (job, number, name, data, token) FROM STDIN") as rows:
            for job in jobs:
                for number, (name, data) in enumerate(job.results, 1):
                    rows.write_row((job.id, number, name, data, uuid.uuid4()))
        with cursor.copy("COPY drivecare.line (job, number, line) FROM STDIN") as rows:
            for job in jobs:
                for number, line in enumerate(job.lines.splitlines(keepends=True), 1):
                    rows.write_row((job.id, number, line))
        with cursor.copy("COPY drivecare.drive (name, job) FROM STDIN") as rows:
            for job in jobs:
                for name in job.drives:
                    rows.write_row((name, job.id))


def measure(folder: Path, bench: ServerAddress) -> Iterator[Figure]:
    """Every figure, the list's once somebody has listed."""
    empty = folder / "empty"
    empty.mkdir()
    page = (TOOL, "job", "list", "--page", "1", "--jobs")
    start = median(*page, empty, times=TIMES).seconds
    median(*page, str(bench), times=1)
    yield Figure(
        "first page of the list over start-up", median(*page, str(bench), times=TIMES).seconds - start, 0.2, " s"
    )
    history = median(TOOL, "history", "KX00-00001", "--jobs", str(bench), times=TIMES)
    yield Figure("history of a drive over start-up", history.seconds - start, 0.2, " s")
    report = folder / "report.txt"
    report.write_text(REPORT.read_text("utf-8").replace("KX25-00417", "KX00-00001").replace("0a1b20417", "000000001"))
    judged = median(TOOL, "assess", report, "--jobs", str(bench), times=TIMES)
    yield Figure("a drive judged and looked for in all jobs, start-up included", judged.seconds, 0.5, " s")
    seconds, record = [], open_record(bench)
    for number in range(50):
        job = record.job(f"{number:05}")
        began = time.perf_counter()
        job.file(fact("detached"))
        seconds.append(time.perf_counter() - began)
    yield Figure("filing on an open connection", statistics.median(seconds), 0.05, " s")


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
            for figure in measure(Path(folder), bench):
                print(f"{figure.what}: {figure.measured:,.3f}{figure.unit} (at most {figure.limit:g}{figure.unit})")
    finally:
        cluster.remove()


if __name__ == "__main__":
    main()
