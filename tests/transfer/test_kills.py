"""kill -9 at a hundred random points of a copy between loop devices; every resume gives the identical target."""

from __future__ import annotations

import filecmp
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from drivecare.documents import load
from drivecare.transfer.receipt import Receipt

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1500), pytest.mark.usefixtures("loops")]

KILLS = 100
SIZE = 320 << 20
MOST_READ_AGAIN = 256 << 20


@pytest.fixture
def loops() -> None:
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        (pytest.fail if os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1" else pytest.skip)(
            "needs root and loop devices"
        )


@contextmanager
def loop(path: Path) -> Iterator[Path]:
    command: list[str | Path] = ["losetup", "-f", "--show", "--direct-io=on", path]
    device = subprocess.run(command, capture_output=True, check=True, text=True).stdout.strip()
    try:
        yield Path(device)
    finally:
        subprocess.run(["losetup", "-d", device], check=True)


def bytes_read(device: Path) -> int:
    """What the kernel has read from a device since it was attached (Documentation/block/stat.rst, field 3)."""
    return int((Path("/sys/block") / device.name / "stat").read_text().split()[2]) * 512


def test_a_hundred_kills(tmp_path: Path) -> None:
    chance = random.Random(6)
    one, other = tmp_path / "source.img", tmp_path / "target.img"
    one.write_bytes(b"".join(chance.randbytes(1 << 20) for _ in range(SIZE >> 20)))
    other.write_bytes(b"")
    os.truncate(other, SIZE)
    killed = midway = 0
    with ExitStack() as held:
        source, target = held.enter_context(loop(one)), held.enter_context(loop(other))
        command: list[str | Path] = [Path(sys.executable).with_name("drivecare"), "copy", source, target]
        longest = 2.0
        while killed < KILLS:
            for old in tmp_path.glob("*.json"):
                old.unlink()
            os.truncate(other, 0)
            os.truncate(other, SIZE)
            before = bytes_read(source)
            began = time.monotonic()
            with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
                time.sleep(chance.uniform(0.2, longest))
                if process.poll() is not None:  # too late
                    longest = time.monotonic() - began
                    continue
                process.kill()
            killed += 1
            midway += (tmp_path / f"{target.name}.journal.json").exists()
            done = subprocess.run([*command, "--resume"], cwd=tmp_path, capture_output=True, check=False, text=True)
            assert done.returncode == 0, done.stderr
            assert bytes_read(source) - before < SIZE + MOST_READ_AGAIN
            assert filecmp.cmp(one, other, shallow=False)
            assert (Path("/sys/block") / source.name / "ro").read_text().strip() == "0"
            assert load(Receipt, tmp_path / f"{target.name}.receipt.json").verified
    assert midway > KILLS // 2
