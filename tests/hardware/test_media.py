"""Real media on files: direct and not, odd sizes, holes, held against a second copy, workers that hang or die."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import random
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.hardware import opening
from drivecare.hardware.endpoints import examine_source, examine_target
from drivecare.hardware.media import STOP_PATIENCE_SECONDS, BufferPool, Patience, RealMedium
from drivecare.hardware.opening import hold_for_reading, hold_source, hold_target
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Medium, Stuck
from drivecare.transfer.sectors.engine import copy_and_prove
from drivecare.transfer.sectors.whole_transfers import read_fully, write_fully
from tests.transfer.sectors.fake_medium import MemoryStore, fresh_journal

MIB = 1 << 20


@pytest.fixture
def pool() -> BufferPool:
    return BufferPool(count=4, size=MIB)


def image(folder: Path, size: int, name: str = "source.img", seed: int = 1) -> Path:
    path = folder / name
    path.write_bytes(random.Random(seed).randbytes(size))
    return path


@pytest.mark.parametrize("size", [1, 511, 4096, MIB + 1, 3 * MIB + 777])
def test_images_of_any_size(tmp_path: Path, pool: BufferPool, size: int) -> None:
    source, target = image(tmp_path, size), tmp_path / "target.img"
    with (
        hold_source(str(source), pool) as read,
        hold_target(str(target), pool, image_bytes=size, exists=False) as written,
    ):
        medium: Medium = read
        assert medium.size_bytes == size
        ends = examine_source(str(source)).end, examine_source(str(source)).end
        receipt = copy_and_prove(read, written, fresh_journal(*ends), MemoryStore(), pool.buffers)
    assert receipt.exit_code == 0
    assert target.read_bytes() == source.read_bytes()


def test_holes_are_holes_on_the_disk(tmp_path: Path, pool: BufferPool) -> None:
    source, target = tmp_path / "source.img", tmp_path / "target.img"
    source.write_bytes(b"x" * MIB + bytes(14 * MIB) + b"y" * MIB)
    target.write_bytes(b"z" * 16 * MIB)
    end = examine_source(str(source)).end
    with hold_source(str(source), pool) as read, hold_target(str(target), pool, image_bytes=16 * MIB) as written:
        copy_and_prove(read, written, fresh_journal(end, end), MemoryStore(), pool.buffers)
    assert target.read_bytes() == source.read_bytes()
    assert target.stat().st_blocks * 512 < 4 * MIB


@pytest.mark.promise(1)
def test_a_source_is_never_opened_for_writing(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, MIB)
    with hold_source(str(path), pool) as medium, pytest.raises(OSError, match="Bad file descriptor"):
        medium.write(0, pool.buffers[0], 0, 4096)


def test_two_copies_do_not_share_a_target(tmp_path: Path, pool: BufferPool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opening, "HELD_SECONDS", 0.1)
    path = image(tmp_path, MIB)
    with hold_target(str(path), pool, image_bytes=MIB), pytest.raises(Refused) as caught:  # noqa: SIM117
        with hold_target(str(path), pool, image_bytes=MIB):
            pass
    assert caught.value.guard == "in-use"


def test_what_a_killed_copy_still_holds_for_a_moment_is_waited_for(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, MIB)
    holder = os.open(path, os.O_RDONLY)
    fcntl.flock(holder, fcntl.LOCK_EX)
    threading.Timer(0.3, os.close, [holder]).start()
    with hold_target(str(path), pool, image_bytes=MIB) as medium:
        assert medium.size_bytes == MIB


@pytest.mark.promise(2)
def test_what_the_worker_reads_comes_past_our_own_cache(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, MIB)
    with hold_for_reading(str(path), pool) as medium:
        method = medium.bypass_cache()
        assert method == ("direct" if medium.direct else "cache-dropped")
        assert read_fully(medium, Area.between(0, MIB), pool.buffers[1]) == (MIB, None)
        assert bytes(pool.buffers[1].view) == path.read_bytes()


def test_without_direct_transfers_the_cache_is_dropped(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, 3 * MIB)
    descriptor = os.open(path, os.O_RDONLY)
    medium = RealMedium(str(path), descriptor, descriptor, pool)
    try:
        assert medium.direct is False
        assert medium.bypass_cache() == "cache-dropped"
        assert read_fully(medium, Area.between(4096, 4096 + 700), pool.buffers[0]) == (700, None)
        assert bytes(pool.buffers[0].view[:700]) == path.read_bytes()[4096:4796]
    finally:
        medium.close()


@contextlib.contextmanager
def hanging_medium(folder: Path, pool: BufferPool) -> Iterator[RealMedium]:
    """An open source that answers nothing until the test is over, and that is soon given up."""
    with hold_source(str(image(folder, MIB)), pool) as medium:
        medium.patience = Patience(seconds=0.2)
        os.kill(medium._worker.pid, signal.SIGSTOP)
        try:
            yield medium
        finally:
            os.kill(medium._worker.pid, signal.SIGCONT)


def test_a_worker_that_does_not_answer_is_left_behind(tmp_path: Path, pool: BufferPool) -> None:
    with hanging_medium(tmp_path, pool) as medium:
        with pytest.raises(Stuck, match="has not come back") as caught:
            medium.read(0, pool.buffers[0], 4096)
        assert caught.value.pid == medium._worker.pid


@pytest.mark.parametrize(
    ("patience", "waited", "over"),
    [
        (Patience(seconds=300), 299, False),
        (Patience(seconds=300), 300, True),
        (Patience(seconds=300, stop_reason=lambda: "stopped by SIGINT"), STOP_PATIENCE_SECONDS - 1, False),
        (Patience(seconds=300, stop_reason=lambda: "stopped by SIGINT"), STOP_PATIENCE_SECONDS, True),
        (Patience(seconds=5, stop_reason=lambda: "stopped by SIGINT"), 5, True),
    ],
    ids=["slow", "hangs", "slow and stopped", "hangs and stopped", "little patience"],
)
def test_a_stop_makes_a_hanging_call_be_given_up_sooner(patience: Patience, waited: float, over: bool) -> None:
    assert patience.is_over(waited) is over


def test_while_we_were_stopped_ourselves_no_drive_was_late(tmp_path: Path, pool: BufferPool) -> None:
    """Ctrl-Z and fg an hour later: the time is over, and the answer was there all along."""
    path = image(tmp_path, MIB)

    class StoppedMeanwhile(Future[int]):
        looks = 0

        def result(self, timeout: float | None = None) -> int:
            self.looks += 1
            if self.looks == 1:
                time.sleep(0.6)
                raise TimeoutError
            return super().result(timeout)

    with hold_for_reading(str(path), pool) as medium:
        medium.patience = Patience(seconds=0.6)
        answer = StoppedMeanwhile()
        answer.set_result(4096)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(medium._worker, "send", lambda *_: answer)
            assert medium.read(0, pool.buffers[0], 4096) == 4096
        assert answer.looks == 2


def test_a_medium_that_hung_once_is_not_waited_for_again(tmp_path: Path, pool: BufferPool) -> None:
    with hanging_medium(tmp_path, pool) as medium:
        with pytest.raises(Stuck):
            medium.read(0, pool.buffers[0], 4096)
        medium.patience = Patience(seconds=60)
        began = time.monotonic()
        with pytest.raises(Stuck, match=r"reading .* has not come back for 0 s"):
            medium.flush()
        assert time.monotonic() - began < 5


def test_a_worker_that_died_reads_like_a_device_that_went(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, MIB)
    with hold_source(str(path), pool) as medium:
        os.kill(medium._worker.pid, signal.SIGKILL)
        os.waitpid(medium._worker.pid, 0)
        with pytest.raises(OSError, match="has ended") as caught:
            medium.read(0, pool.buffers[0], 4096)
        assert caught.value.errno == errno.ENODEV


def test_workers_end_when_the_program_is_killed(tmp_path: Path) -> None:
    path = image(tmp_path, MIB)
    program = (
        "import sys, time\nfrom drivecare.hardware.media import BufferPool\n"
        "from drivecare.hardware.opening import hold_source\n"
        "with hold_source(sys.argv[1], BufferPool()) as medium:\n"
        "    print(medium._worker.pid, flush=True)\n    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", program, path], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        worker = int(process.stdout.readline())
        process.kill()
    for _ in range(100):
        try:
            state = Path(f"/proc/{worker}/stat").read_text().rpartition(")")[2].split()[0]
        except FileNotFoundError:
            return
        if state == "Z":
            return
        time.sleep(0.05)
    raise AssertionError("the worker is still there")


def test_a_file_that_was_cut_or_deleted_is_not_present(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, MIB)
    with hold_source(str(path), pool) as medium:
        assert medium.is_present()
        os.truncate(path, 4096)
        assert not medium.is_present()
        os.truncate(path, MIB)
        assert medium.is_present()
        path.unlink()
        assert not medium.is_present()


def test_a_full_file_system_is_an_error_of_the_write(tmp_path: Path, pool: BufferPool) -> None:
    path = tmp_path / "target.img"
    with hold_target(str(path), pool, image_bytes=0, exists=False) as medium:
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        pid = medium._worker.pid
        pool.buffers[0].view[:4096] = b"x" * 4096
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (MIB, limits[1]))
        with pytest.raises(OSError, match="File too large") as caught:
            write_fully(medium, Area(offset=2 * MIB, length=4096), pool.buffers[0])
        assert caught.value.errno == errno.EFBIG


def test_transfers_pass_the_cache_by(tmp_path: Path, pool: BufferPool) -> None:
    path = image(tmp_path, MIB)
    with hold_source(str(path), pool) as medium:
        if not medium.direct:
            pytest.skip("this file system knows no direct transfers")
        assert fcntl.fcntl(medium._descriptor, fcntl.F_GETFL) & os.O_DIRECT


@pytest.mark.parametrize(
    ("find", "make", "error", "words"),
    [
        (examine_source, lambda p: p, BadInput, "no such file or device"),
        (examine_source, lambda p: p.mkdir(), BadInput, "is a folder"),
        (examine_source, lambda p: p.touch(), BadInput, "is empty"),
        (examine_source, os.mkfifo, BadInput, "neither a drive nor an image file"),
        (examine_target, lambda p: p.mkdir(), BadInput, "is a folder"),
    ],
    ids=["missing", "directory", "empty", "pipe", "target is a directory"],
)
def test_what_cannot_be_a_side(tmp_path: Path, find: object, make: object, error: type[Exception], words: str) -> None:
    path = tmp_path / "thing"
    make(path)  # type: ignore[operator]
    with pytest.raises(error, match=words):
        find(str(path))  # type: ignore[operator]


def test_a_device_that_is_not_there_does_not_become_a_file() -> None:
    with pytest.raises((BadInput, Unavailable)):
        examine_target("/dev/sdzz99")


def test_hard_links_are_one_thing(tmp_path: Path) -> None:
    path = image(tmp_path, MIB)
    os.link(path, tmp_path / "other.img")
    (tmp_path / "soft.img").symlink_to(path)
    sides = [examine_source(str(tmp_path / name)) for name in ("source.img", "other.img", "soft.img")]
    assert len({side.marks for side in sides}) == 1
