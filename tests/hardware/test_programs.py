"""Which program uses a drive: by its open files, and of our own by its locks, which a plain user sees too."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivecare.clock import format_time
from drivecare.hardware import worker
from drivecare.hardware.blockdev import inspect_drive
from drivecare.hardware.in_use import find_user
from tests.bench.loop import attached
from tests.hardware.sysfs import Tree

BOOT = datetime(2026, 11, 27, 8, tzinfo=UTC)
COPY = "python3\0/usr/bin/drivecare\0copy\0/dev/sda\0/dev/sdb\0--job\0" + "1042\0"
WORKER = f"python3\0-I\0-S\0{worker.__file__}\0" + "7\0"


def at(minutes: int) -> str:
    return format_time(datetime.fromtimestamp(BOOT.timestamp() + 60 * minutes, UTC))


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """A drive, and nothing that uses it."""
    tree = Tree(tmp_path)
    tree.drive("sda")
    tree.write("dev/sda", "")
    tree.write("proc/stat", f"cpu 1 2\nbtime {int(BOOT.timestamp())}\n")
    return tree


def process(
    tree: Tree, number: int, parent: int, words: str, *, minutes: int = 90, writes_to: str | None = None
) -> None:
    """A process as proc(5) shows it; field 22 of stat is when it started."""
    folder, ticks = f"proc/{number}", minutes * 60 * os.sysconf("SC_CLK_TCK")
    tree.write(f"{folder}/cmdline", words)
    tree.write(f"{folder}/comm", "python3\n")
    tree.write(f"{folder}/status", f"Name:\tpython3\nPPid:\t{parent}\n")
    tree.write(f"{folder}/stat", f"{number} (a) b) S {parent} " + "0 " * 17 + f"{ticks} 0\n")
    if writes_to is not None:
        tree.write(f"{folder}/fdinfo/5", "flags:\t0100002\n")
        (tree.root / folder / "fd").mkdir()
        (tree.root / folder / "fd/5").symlink_to(writes_to)


def lock(tree: Tree, number: int, kind: str) -> None:
    status = (tree.root / "dev/sda").stat()
    place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    tree.write(
        "proc/locks",
        f"1: POSIX  ADVISORY  WRITE 900 00:06:1 0 EOF\n2: FLOCK  ADVISORY  {kind} {number} {place} 0 EOF\n",
    )


def in_use(tree: Tree) -> tuple[str, ...]:
    return inspect_drive("/dev/sda", root=tree.root).in_use


def test_a_copy_that_writes_to_it_is_named_with_its_job(tree: Tree) -> None:
    """The medium's own process has it open too; what started that one knows the job."""
    process(tree, 4242, 1, COPY, writes_to="/dev/sda")
    process(tree, 4100, 4242, WORKER, minutes=95, writes_to="/dev/sda")
    assert in_use(tree) == (f"/dev/sda open for writing in drivecare (process 4242, job 1042, since {at(95)})",)
    tree.write("proc/4242/cmdline", "python3\0/usr/bin/drivecare\0next\0--do\0")
    tree.write("proc/4100/environ", "HOME=/root\0DRIVECARE_JOB=77\0")
    assert "drivecare (process 4242, job 77, " in in_use(tree)[0]
    (tree.root / "proc/4242/cmdline").unlink()  # it ends while it is looked at
    assert "drivecare (process 4242, job 77, " in in_use(tree)[0]


@pytest.mark.parametrize(("kind", "use"), [("READ", "reading"), ("WRITE", "writing")])
def test_a_copy_of_another_user_is_seen_by_its_lock(tree: Tree, kind: str, use: str) -> None:
    """What root's programs have open a plain user may not see. It runs since 9:30 and has it open since 10:10."""
    process(tree, 4242, 1, COPY)
    process(tree, 4100, 4242, WORKER, minutes=130)
    process(tree, 4101, 1, WORKER, minutes=10)  # of another copy
    lock(tree, 4242, kind)
    assert in_use(tree) == (f"/dev/sda open for {use} in drivecare (process 4242, job 1042, since {at(130)})",)


def test_a_lock_of_another_program_or_our_own_is_no_use(tree: Tree) -> None:
    """udev locks a drive for a moment while it looks what is on it."""
    process(tree, 700, 1, "/usr/lib/systemd/systemd-udevd\0")
    process(tree, os.getpid(), 1, COPY)
    for number in (700, os.getpid()):
        lock(tree, number, "READ")
        assert in_use(tree) == ()


def test_what_a_killed_copy_left_is_no_use(tree: Tree) -> None:
    """Its worker lets go when its last call comes back, and opening waits for that: a resume is not refused."""
    process(tree, 4100, 1, WORKER, writes_to="/dev/sda")
    lock(tree, 4242, "WRITE")  # by a process that is no more
    assert in_use(tree) == ()


@pytest.fixture
def drives(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    if os.geteuid() != 0:
        pytest.skip("needs root")
    for name in ("s.img", "t.img"):
        (tmp_path / name).write_bytes(bytes(8 << 20))
    with attached(tmp_path / "s.img") as source, attached(tmp_path / "t.img") as target:
        yield source, target


def wait_for(condition: Callable[[], object]) -> None:
    until = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


@pytest.mark.bench
def test_both_drives_of_a_real_copy_are_in_use_until_it_is_killed(drives: tuple[Path, Path]) -> None:
    """As root and as a plain user. After the kill a stopped worker holds both, as one whose drive hangs does."""
    source, target = drives
    script = (
        "import sys, time; from drivecare.hardware.media import BufferPool; "
        "from drivecare.hardware.opening import hold_source, hold_target; pool = BufferPool(count=2)\n"
        "with hold_source(sys.argv[2], pool), hold_target(sys.argv[3], pool): print('held', flush=True); time.sleep(60)"
    )
    started = ["-c", script, "drivecare", source, target]
    shell = ["sh", "-c", '"$@" & echo $!; wait', "sh", sys.executable, *map(str, started)]
    with subprocess.Popen(shell, stdout=subprocess.PIPE, text=True) as copy:
        assert copy.stdout is not None
        leader = int(copy.stdout.readline())
        assert copy.stdout.readline() == "held\n"
        children = Path(f"/proc/{leader}/task/{leader}/children").read_text().split()
        for child in children:
            os.kill(int(child), signal.SIGSTOP)
        try:
            for user in (0, 65534):
                os.seteuid(user)
                try:
                    (use,) = inspect_drive(source).in_use
                finally:
                    os.seteuid(0)
                assert f"{source} open for reading in drivecare (process {leader}, since " in use
            assert "open for writing in drivecare" in inspect_drive(target).in_use[0]
            os.kill(leader, signal.SIGKILL)
            wait_for(lambda: not Path(f"/proc/{leader}").exists())
            assert (inspect_drive(source).in_use, inspect_drive(target).in_use) == ((), ())
            assert "its command has ended" in str(find_user(str(source)))
        finally:
            for child in children:
                os.kill(int(child), signal.SIGCONT)
    wait_for(lambda: find_user(str(source)) is None)
