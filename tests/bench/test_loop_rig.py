"""The loop rig itself: each fault is where a test put it and nowhere else."""

from __future__ import annotations

import errno
import mmap
import os
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.bench.drives import MIB, noise
from tests.bench.faults import Faults
from tests.bench.guest import differing_sectors, read_direct
from tests.bench.loop import LoopRig

pytestmark = [pytest.mark.bench, pytest.mark.usefixtures("loop_rig")]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[LoopRig]:
    with LoopRig(tmp_path) as rig:
        yield rig


def unreadable_sectors(device: Path) -> list[int]:
    unreadable = []
    descriptor = os.open(device, os.O_RDONLY | os.O_DIRECT)
    with mmap.mmap(-1, 512) as buffer:
        for sector in range(os.lseek(descriptor, 0, os.SEEK_END) // 512):
            try:
                os.preadv(descriptor, [buffer], sector * 512)
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
                unreadable.append(sector)
    os.close(descriptor)
    return unreadable


def test_unreadable_sectors_are_exact(rig: LoopRig) -> None:
    device = rig.device("source", noise(1, MIB), unreadable=[0, 7, 8, 2047])
    assert unreadable_sectors(device) == [0, 7, 8, 2047]


def test_a_clean_device_shows_its_content(rig: LoopRig) -> None:
    content = noise(1, 9 * MIB)
    assert read_direct(str(rig.device("clean", content, faults=Faults()))) == content


def test_a_flipped_bit_reads_without_an_error(rig: LoopRig) -> None:
    content = noise(1, 4 * MIB)
    device = rig.device("source", content, faults=Faults(flipped=(1_000_000,)))
    assert differing_sectors(read_direct(str(device)), content) == [1_000_000 // 512]


def write_direct(device: Path, content: bytes) -> None:
    descriptor = os.open(device, os.O_WRONLY | os.O_DIRECT)
    with mmap.mmap(-1, len(content)) as buffer:
        buffer[:] = content
        assert os.pwritev(descriptor, [buffer], 0) == len(content)
    os.fsync(descriptor)
    os.close(descriptor)


def test_a_lost_write_gives_no_error(rig: LoopRig) -> None:
    device = rig.device("target", bytes(8 * MIB), faults=Faults(lost=((4 * MIB, 1024),)))
    content = noise(2, 8 * MIB)
    write_direct(device, content)
    assert differing_sectors(read_direct(str(device)), content) == [8192, 8193]
    assert differing_sectors(rig.backing("target").read_bytes(), content) == [8192, 8193]


def test_a_slow_area_is_slow_and_the_rest_is_not(rig: LoopRig) -> None:
    device = rig.device("source", noise(1, 2 * MIB), faults=Faults(slow=((MIB, 4096, 3.0),)))
    took = []
    for offset in (0, MIB):
        began = time.monotonic()
        descriptor = os.open(device, os.O_RDONLY | os.O_DIRECT)
        with mmap.mmap(-1, MIB) as buffer:
            os.preadv(descriptor, [buffer], offset)
        os.close(descriptor)
        took.append(time.monotonic() - began)
    assert took[0] < 3.0 <= took[1]


@pytest.mark.parametrize("request_bytes", [MIB, 16384])
def test_a_slow_area_takes_its_time_however_its_reading_is_cut(rig: LoopRig, request_bytes: int) -> None:
    """Requests come one by one or, as from a kernel that splits a read, many at a time."""
    device = rig.device("source", noise(1, MIB), faults=Faults(slow=((0, MIB, 2.0),)))

    def read(offset: int) -> None:
        descriptor = os.open(device, os.O_RDONLY | os.O_DIRECT)
        with mmap.mmap(-1, request_bytes) as buffer:
            assert os.preadv(descriptor, [buffer], offset) == request_bytes
        os.close(descriptor)

    for workers in (1, 16):
        began = time.monotonic()
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(read, range(0, MIB, request_bytes)))
        assert 2.0 <= time.monotonic() - began < 10.0


def test_slow_reads_end_when_the_faults_do(rig: LoopRig) -> None:
    device = rig.device("source", noise(1, MIB), faults=Faults(slow=((0, MIB, 600.0),)))
    threading.Timer(1.0, rig.set_faults, ["source", Faults()]).start()
    began = time.monotonic()
    assert read_direct(str(device)) == noise(1, MIB)
    assert 1.0 <= time.monotonic() - began < 60.0


def test_a_device_that_is_gone_gives_errors_and_comes_back(rig: LoopRig) -> None:
    device = rig.device("source", noise(1, MIB), faults=Faults())
    rig.set_faults("source", Faults(gone=True))
    with pytest.raises(OSError, match="No such device"):
        read_direct(str(device))
    rig.set_faults("source", Faults())
    assert read_direct(str(device)) == noise(1, MIB)


def test_reads_hang_while_the_server_is_stopped(rig: LoopRig) -> None:
    device = rig.device("source", noise(1, MIB), unreadable=[2047])
    rig.processes["source"].send_signal(signal.SIGSTOP)
    child = os.fork()
    if child == 0:
        descriptor = os.open(device, os.O_RDONLY | os.O_DIRECT)
        with mmap.mmap(-1, 4096) as buffer:
            os._exit(0 if os.preadv(descriptor, [buffer], 0) == 4096 else 1)
    time.sleep(0.5)
    assert os.waitpid(child, os.WNOHANG) == (0, 0)
    rig.processes["source"].send_signal(signal.SIGCONT)
    assert os.waitpid(child, 0)[1] == 0


def test_a_4096_byte_sector_refuses_smaller_direct_reads(rig: LoopRig) -> None:
    descriptor = os.open(rig.device("source", noise(1, MIB), sector_bytes=4096), os.O_RDONLY | os.O_DIRECT)
    with mmap.mmap(-1, 4096) as buffer:
        with pytest.raises(OSError, match="Invalid argument"):
            os.preadv(descriptor, [memoryview(buffer)[:512]], 512)
        assert os.preadv(descriptor, [buffer], 4096) == 4096
    os.close(descriptor)
