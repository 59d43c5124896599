"""How fast the whole is, in one table: `python -m tests.benchmarks.table [ROWS ...]`.

Start-up times, readings decoded and rows judged a second, memory, and the ratios of a verified copy against `dd`, each
with the command that made it. ROWS are some of start, decode, rows, copy, ratio; all of them by default. `ratio` needs
root and makes loop devices of its own. It asserts nothing: the limits are in the tests.
"""

from __future__ import annotations

import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from tests.benchmarks.invented_day import write_day

ROOT = Path(__file__).resolve().parents[2]
TOOL = Path(sys.executable).with_name("drivecare")
REPORTS = sorted((ROOT / "fixtures" / "reports").glob("*.txt"))
TABLE_ROWS = 300_000
IMAGE_MIB = 1024


class Run(NamedTuple):
    """One whole process: seconds on the clock and of the processor, and the MiB resident in its largest process."""

    seconds: float
    processor: float
    mib: float


class Row(NamedTuple):
    """A line of the table, as printed."""

    what: str
    measured: str
    processor: str
    mib: str
    command: str


def run(*words: str | Path) -> Run:
    """Run a command to its end. A drive's verdict is an exit code, so only a crash or an earlier error ends the run."""
    began = time.perf_counter()
    with subprocess.Popen([str(word) for word in words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        complaints = process.stderr.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - began
    if process.returncode in (1, 2, 3) or process.returncode < 0:
        sys.exit(f"{words}: {complaints.decode()}")
    return Run(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def median(*words: str | Path, times: int) -> Run:
    """The median of each measure."""
    return Run(*(statistics.median(column) for column in zip(*(run(*words) for _ in range(times)), strict=True)))


def start(folder: Path) -> Iterator[Row]:
    """What a person waits for before anything else."""
    saved = folder / "saved.json"
    run(TOOL, "assess", ROOT / "fixtures/demo/failing-drive.txt", "--save", saved)
    for what, words in (("help", ["--help"]), ("judge a saved reading", ["assess", str(saved)])):
        result = median(TOOL, *words, times=15)
        command = " ".join(["drivecare", *words]).replace(f"{folder}/", "")
        yield Row(what, f"{result.seconds:.3f} s", f"{result.processor:.3f} s", f"{result.mib:.0f} MiB", command)


def decode(_: Path) -> Iterator[Row]:
    """Every report of fixtures/reports, in one process that is already running."""
    from drivecare.reading.decode import decode_report
    from drivecare.risk.assess import assess

    texts = [path.read_text("utf-8") for path in REPORTS]
    readings = [decode_report(text) for text in texts]
    for what, once in (
        ("decode a report", lambda: [decode_report(text) for text in texts]),
        ("judge a reading", lambda: [assess(reading) for reading in readings]),
    ):
        rates = []
        for _time in range(15):
            began = time.process_time()
            once()
            rates.append(len(texts) / (time.process_time() - began))
        yield Row(what, f"{statistics.median(rates):,.0f} a second", "", "", "python -m tests.benchmarks.table decode")


def rows(folder: Path) -> Iterator[Row]:
    """A table like one day of open drive statistics, the whole process."""
    day = folder / "day.csv"
    write_day(day, TABLE_ROWS)
    judged = folder / "judged.csv"
    result = median(TOOL, "assess-table", day, "--output", judged, "--allow-overwrite", judged, times=3)
    yield Row(
        f"judge a table of {TABLE_ROWS:,} rows",
        f"{TABLE_ROWS / result.seconds:,.0f} rows a second",
        f"{result.processor:.1f} s",
        f"{result.mib:.0f} MiB",
        "drivecare assess-table day.csv --output judged.csv",
    )


def copy(folder: Path) -> Iterator[Row]:
    """How much memory a copy takes; it does not depend on the size."""
    source, target = folder / "source.img", folder / "target.img"
    with source.open("wb") as image:
        image.truncate(IMAGE_MIB << 20)
    words = (TOOL, "copy", source, target, "--allow-overwrite", target)
    result = median(*words, times=3)
    yield Row(
        f"copy and verify an image of {IMAGE_MIB:,} MiB (holes)",
        f"{result.seconds:.1f} s",
        f"{result.processor:.1f} s",
        f"{result.mib:.0f} MiB",
        "drivecare copy source.img target.img",
    )


def ratio(_: Path) -> Iterator[Row]:
    """The two ratios of copy_ratio.py, which says how they are made."""
    command = [sys.executable, "-m", "tests.benchmarks.copy_ratio", "--pairs", "5"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(done.stderr)
    _, _, throttled, _, own = re.findall(r"ratio ([\d.]+) \(at most", done.stdout)
    shown = "sudo python -m tests.benchmarks.copy_ratio"
    yield Row("verified copy against `dd` and `dd`, media held at 200 MB/s", f"{throttled} times", "", "", shown)
    yield Row("the same on this machine's own disk", f"{own} times", "", "", shown)


MEASURES = {"start": start, "decode": decode, "rows": rows, "copy": copy, "ratio": ratio}


def main(names: list[str]) -> None:
    """Print the table as it goes."""
    if unknown := set(names) - MEASURES.keys():
        sys.exit(f"no such rows: {', '.join(sorted(unknown))}; there are {', '.join(MEASURES)}")
    load = " ".join(f"{average:.1f}" for average in os.getloadavg())
    print(f"{datetime.now():%d %b %Y %H:%M}, {os.cpu_count()} cores, load average {load}", end=", ")
    print(f"Linux {platform.release()}, Python {platform.python_version()}, medians\n")
    print("| what | measured | processor | memory | command |\n|---|--:|--:|--:|---|")
    with tempfile.TemporaryDirectory(dir=ROOT) as folder:
        for name in names or MEASURES:
            for row in MEASURES[name](Path(folder)):
                print(f"| {row.what} | {row.measured} | {row.processor} | {row.mib} | `{row.command}` |", flush=True)
    print(f"\nload average at the end {' '.join(f'{average:.1f}' for average in os.getloadavg())}")


if __name__ == "__main__":
    main(sys.argv[1:])
