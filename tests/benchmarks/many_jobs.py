"""How quick the record is when it is large: `python -m tests.benchmarks.many_jobs [JOBS] [--hold]`.

Makes a folder of invented jobs (10,000 unless told otherwise) of twelve results each, last touched long ago, and prints
how long the first page of the list, a drive's history, an assessment and a filing take, how many jobs a second go into
a new index, and how much more memory that takes than with a tenth of the jobs. With --hold it ends with 1 where a
figure is FAR times as bad as its limit or worse, since machines differ and are busy with other things at times.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

import msgspec

from drivecare.job.chain import CHAIN, NOTHING_BEFORE, DigestedFile, hex_sha256, lines_for
from drivecare.reading.decode import decode_report
from drivecare.reading.identity import DriveId, Identity, called_names
from drivecare.record.folder import FolderRecord
from drivecare.record.index import INDEX
from tests.benchmarks.table import ROOT, TOOL, Run, median, run
from tests.job.carried import NEW, NOW, OLD, OPENING, data_route, fact

FAR = 2
TIMES = 5
RESULTS = 12
REPORT = ROOT / "fixtures/demo/failing-drive.txt"
TOUCHED = 1_767_312_000  # 2 January 2026: a folder touched a moment ago is compared more closely


class Figure(NamedTuple):
    """One measure and its limit; `most` says whether more would be worse."""

    what: str
    measured: float
    limit: float
    unit: str
    most: bool = True

    @property
    def held(self) -> bool:
        """Whether it is within reach of its limit."""
        return self.measured <= self.limit * FAR if self.most else self.measured >= self.limit / FAR

    def __str__(self) -> str:
        limit = f"{'at most' if self.most else 'at least'} {self.limit:g}{self.unit}"
        return f"{self.what}: {self.measured:,.3f}{self.unit} ({limit})"


class InventedJob(NamedTuple):
    """A job: its results by name, the lines of its chain, and the names that its drives are looked up by."""

    id: str
    results: list[tuple[str, bytes]]
    lines: bytes
    drives: tuple[str, ...]


def write_jobs(root: Path, count: int) -> None:
    """Make a folder of jobs."""
    root.mkdir()
    for job in invent_jobs(count):
        _write_job(root / job.id, job)


def invent_jobs(count: int) -> Iterator[InventedJob]:
    """Jobs that differ in their drives and nothing else; every third drive comes back in another job."""
    assert OLD.serial
    assert NEW.serial
    assert OLD.identity.wwn
    assert NEW.identity.wwn
    with tempfile.TemporaryDirectory() as folder:
        reading = msgspec.structs.replace(decode_report(REPORT.read_text("utf-8")), drive=OLD)
        job = FolderRecord(root=Path(folder), now=lambda: NOW).create(
            msgspec.structs.replace(OPENING, tool_version="0.2.0")
        )
        for document in (*data_route(), reading, reading, fact("left-out"), fact("copy-size")):
            job.file(document)
        template = [(file.path.name, file.path.read_bytes()) for file in job.result_files()]
    assert len(template) == RESULTS
    for number in range(count):
        drive = number % (count * 3 // 4 or 1)
        changes = {
            OLD.serial: f"KX{drive // 100_000:02}-{drive % 100_000:05}",
            NEW.serial: f"PM6-{number:06}",
            OLD.identity.wwn: f"50c0ffe0{drive:08x}",
            NEW.identity.wwn: f"50c0ffe1{number:08x}",
            f'"id": "{OPENING.id}"': f'"id": "{number:05}"',
        }
        yield _invent_job(f"{number:05}", template, changes)


def _invent_job(id: str, template: list[tuple[str, bytes]], changes: dict[str, str]) -> InventedJob:
    results, lined = [], []
    for number, (name, data) in enumerate(template, 1):
        for old, new in changes.items():
            name, data = name.replace(old, new), data.replace(old.encode(), new.encode())
        results.append((name, data))
        lined.append(DigestedFile(number=number, file=name, digest=hex_sha256(data)))
    drives = [
        DriveId(serial=changes[str(drive.serial)], identity=Identity(wwn=changes[str(drive.identity.wwn)]))
        for drive in (OLD, NEW)
    ]
    return InventedJob(
        id, results, lines_for(lined, NOTHING_BEFORE), tuple({name for drive in drives for name in called_names(drive)})
    )


def _write_job(folder: Path, job: InventedJob) -> None:
    folder.mkdir()
    for name, data in job.results:
        (folder / name).write_bytes(data)
    (folder / CHAIN).write_bytes(job.lines)
    for path in (*folder.iterdir(), folder):
        os.utime(path, (TOUCHED, TOUCHED))


def list_first_page(root: Path) -> tuple[str | Path, ...]:
    """The command that prints the first page."""
    return (TOOL, "job", "list", "--page", "1", "--jobs", root)


def index_anew(root: Path) -> Run:
    """List without an index, which makes one."""
    (root / INDEX).unlink(missing_ok=True)
    return run(*list_first_page(root))


def time_filing(root: Path) -> float:
    """What a filing takes besides its fsync: the median of fifty, each into another job."""
    spent, fsync = [0.0], os.fsync

    def timed(descriptor: Any) -> None:
        began = time.perf_counter()
        fsync(descriptor)
        spent[0] += time.perf_counter() - began

    seconds = []
    record = FolderRecord(root=root)
    with mock.patch.object(os, "fsync", timed):
        for number in range(50):
            spent[0], began = 0.0, time.perf_counter()
            record.job(f"{number:05}").file(fact("detached"))
            seconds.append(time.perf_counter() - began - spent[0])
    return statistics.median(seconds)


def measure(folder: Path, count: int) -> Iterator[Figure]:
    """Every figure, the quick ones of an index that is there."""
    few, many, empty = folder / "few", folder / "many", folder / "empty"
    empty.mkdir()
    write_jobs(few, count // 10)
    write_jobs(many, count)
    start = median(*list_first_page(empty), times=TIMES).seconds
    tenth, whole = index_anew(few), index_anew(many)
    yield Figure("jobs indexed a second", count / (whole.seconds - start), 800, "", most=False)
    yield Figure("memory of that over a tenth of the jobs", whole.mib - tenth.mib, 32, " MiB")
    page = median(*list_first_page(many), times=TIMES)
    yield Figure("first page of the list over start-up", page.seconds - start, 0.2, " s")
    history = median(TOOL, "history", "KX00-00001", "--jobs", many, times=TIMES)
    yield Figure("history of a drive over start-up", history.seconds - start, 0.2, " s")
    report = folder / "report.txt"  # of a drive that two jobs know
    report.write_text(REPORT.read_text("utf-8").replace("KX25-00417", "KX00-00001").replace("0a1b20417", "000000001"))
    judged = median(TOOL, "assess", report, "--jobs", many, times=TIMES)
    yield Figure("a drive judged and looked for in all jobs, start-up included", judged.seconds, 0.35, " s")
    yield Figure("filing over its fsync", time_filing(many), 0.05, " s")


def main() -> None:
    """Print the figures as they come."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("jobs", type=int, nargs="?", default=10_000)
    parser.add_argument("--hold", action="store_true")
    options = parser.parse_args()
    print(f"{options.jobs:,} jobs of {RESULTS} results, load average {os.getloadavg()[0]:.1f}", flush=True)
    missed = []
    with tempfile.TemporaryDirectory(dir=ROOT) as folder:
        for figure in measure(Path(folder), options.jobs):
            print(figure, flush=True)
            missed += [] if figure.held else [figure.what]
    if options.hold and missed:
        sys.exit(f"{FAR} times worse than the limit: {', '.join(missed)}")


if __name__ == "__main__":
    main()
