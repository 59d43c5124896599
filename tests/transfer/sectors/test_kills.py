"""kill -9 at random points of a copy between loop devices; every resume gives the identical target.

Thirty points a run; a hundred before a release: DRIVECARE_KILLS=100 pytest -m bench THIS_FILE
"""

from __future__ import annotations

import filecmp
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from drivecare.documents import load
from drivecare.transfer.sectors.receipt import Receipt
from tests.bench.loop import attached

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1500), pytest.mark.usefixtures("loops")]

KILLS = int(os.environ.get("DRIVECARE_KILLS", "30"))
SIZE = 320 << 20
MOST_READ_AGAIN = 256 << 20


@pytest.fixture
def loops() -> None:
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        (pytest.fail if os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1" else pytest.skip)(
            "needs root and loop devices"
        )


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Where the images lie: in memory where there is room, since so many copies and comparisons wait for a disk."""
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and shutil.disk_usage(memory).free > 4 * SIZE
    with tempfile.TemporaryDirectory(dir=memory if roomy else tmp_path) as name:
        yield Path(name)


def bytes_read(device: Path) -> int:
    """What the kernel has read from a device since it was attached (Documentation/block/stat.rst, field 3)."""
    return int((Path("/sys/block") / device.name / "stat").read_text().split()[2]) * 512


def wait_for_journal(process: subprocess.Popen[bytes], journal: Path) -> None:
    while not journal.exists():
        assert process.poll() is None, "it ended without a journal"
        time.sleep(0.002)


def test_kills_at_random_points(folder: Path) -> None:
    """One in ten falls anywhere before the journal is begun, the others anywhere between there and the end."""
    chance = random.Random(6)
    source_image, target_image = folder / "source.img", folder / "target.img"
    source_image.write_bytes(b"".join(chance.randbytes(1 << 20) for _ in range(SIZE >> 20)))
    target_image.write_bytes(b"")
    killed = midway = 0
    before_it = after_it = 0.0  # seconds, of the newest run that was let go so far
    with ExitStack() as stack:
        os.truncate(target_image, SIZE)
        source, target = stack.enter_context(attached(source_image)), stack.enter_context(attached(target_image))
        command: list[str | Path] = [Path(sys.executable).with_name("drivecare"), "copy", source, target]
        journal = folder / f"{target.name}.journal.json"
        while killed < KILLS:
            for old in folder.glob("*.json"):
                old.unlink()
            os.truncate(target_image, 0)
            os.truncate(target_image, SIZE)
            before, began = bytes_read(source), time.monotonic()
            with subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
                early = before_it > 0 and killed % 10 == 0
                if early:
                    time.sleep(chance.uniform(0, before_it))
                else:
                    wait_for_journal(process, journal)
                    before_it = time.monotonic() - began
                    if after_it:
                        time.sleep(chance.uniform(0, after_it))
                    else:
                        process.wait()
                if process.poll() is not None:  # too late
                    if not early:  # there both times are of this very run
                        after_it = time.monotonic() - began - before_it
                    continue
                process.kill()
            killed += 1
            midway += journal.exists()
            done = subprocess.run([*command, "--resume"], cwd=folder, capture_output=True, check=False, text=True)
            assert done.returncode == 0, done.stderr
            assert bytes_read(source) - before < SIZE + MOST_READ_AGAIN
            assert filecmp.cmp(source_image, target_image, shallow=False)
            assert (Path("/sys/block") / source.name / "ro").read_text().strip() == "0"
            assert load(Receipt, folder / f"{target.name}.receipt.json").verified
    assert midway > KILLS // 2
