"""Which program has a device or a file open: its name, since when it runs, and of drivecare itself for which job.

Each medium of ours is touched by a process of its own (`hardware.worker`), which counts as the one that started it.
What a program has open the kernel tells its own user and root alone; who holds which lock it tells everybody (proc(5)).
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from drivecare.clock import format_time
from drivecare.documents import Value
from drivecare.hardware import worker
from drivecare.hardware.naming import read_text
from drivecare.shell import JOB_VARIABLE

OURS = "drivecare"
_FLOCK = re.compile(r"^\d+: FLOCK +\S+ +(READ|WRITE) +(\d+) +(\S+) ", re.MULTILINE)
_START_TICKS = 19  # place of `starttime` in /proc/PID/stat, counted from the state on (proc(5))


class Program(Value, frozen=True, kw_only=True):
    """A program that runs.

    Known of drivecare alone: `job`, the job that it works for; `opened`, when it opened what it has open; `left_over`,
    its command has ended, and what is left lets go as soon as its last call on the medium comes back.
    """

    name: str
    process: int
    started: datetime | None = None
    opened: datetime | None = None
    job: str | None = None
    left_over: bool = False

    def __str__(self) -> str:
        facts = [f"process {self.process}"]
        if self.left_over:
            facts.append("its command has ended")
        if self.job is not None:
            facts.append(f"job {self.job}")
        if self.opened is not None:
            facts.append(f"since {format_time(self.opened)}")
        elif self.started is not None:
            facts.append(f"running since {format_time(self.started)}")
        return f"{self.name} ({', '.join(facts)})"


class Lock(Value, frozen=True, kw_only=True):
    """A lock of a program of ours, on a device or an image."""

    program: Program
    for_writing: bool


def find_programs(key_of: Callable[[str, str], str | None], root: Path = Path("/")) -> dict[str, Program]:
    """Find the program behind each key that `key_of` gives to the path of an open file and its fdinfo; None: no matter.

    Ourselves and our children (the SMART reader) are left out.
    """
    ours = {str(os.getpid())}
    openers: dict[str, list[Path]] = {}
    for name in list_names(root / "proc"):
        folder = root / "proc" / name
        if not name.isdigit() or name in ours:
            continue
        keys = {key for path, fdinfo in _open_files(str(folder)) if (key := key_of(path, fdinfo)) is not None}
        if keys and _parent_process(folder) not in ours:
            for key in keys:
                openers.setdefault(key, []).append(folder)
    return {key: _describe(folders, root) for key, folders in openers.items()}


def find_our_locks(root: Path = Path("/")) -> dict[str, Lock]:
    """Find the locks of other programs of ours, each by `lock_key` of what it lies on."""
    locks: dict[str, Lock] = {}
    for kind, process, key in _FLOCK.findall(read_text(root / "proc/locks") or ""):
        folder = root / "proc" / process
        if process != str(os.getpid()) and _is_ours(folder):
            program = _describe([folder, *_find_workers(process, root)], root)
            locks[key] = Lock(program=program, for_writing=kind == "WRITE")
    return locks


def lock_key(path: Path) -> str | None:
    """How the kernel's list of locks names a file or a device's node: the device it lies on, and its number there."""
    try:
        status = path.stat()
    except OSError:
        return None
    return f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"


def is_for_writing(fdinfo: str) -> bool:
    """Whether an open file may be written to."""
    match = re.search(r"flags:\s*([0-7]+)", read_text(Path(fdinfo)) or "")
    return match is not None and bool(int(match[1], 8) & (os.O_WRONLY | os.O_RDWR))


def list_names(folder: Path) -> list[str]:
    """The names in a folder of the kernel's, sorted; none where it cannot be read."""
    try:
        return sorted(os.listdir(folder))  # noqa: PTH208  names are what is needed
    except OSError:
        return []


def _describe(folders: list[Path], root: Path) -> Program:
    """Describe several processes that share an open file as the one that started the others."""
    numbers = {folder.name for folder in folders}
    leader = next((folder for folder in folders if _parent_process(folder) not in numbers), folders[0])
    if not any(map(_is_ours, folders)):
        return Program(
            name=read_text(leader / "comm") or "a program", process=int(leader.name), started=_started(leader, root)
        )
    opened = [started for folder in folders if _is_worker(folder) and (started := _started(folder, root)) is not None]
    return Program(
        name=OURS,
        process=int(leader.name),
        started=_started(leader, root),
        opened=min(opened, default=None),
        job=next(filter(None, map(_find_job, (leader, *folders))), None),
        left_over=_is_worker(leader),
    )


def _is_ours(folder: Path) -> bool:
    return _is_worker(folder) or any(Path(word).name == OURS for word in _words(folder / "cmdline")[:5])


def _is_worker(folder: Path) -> bool:
    """Whether it is the process that touches a medium, which starts when the medium has been opened."""
    return worker.__file__ in _words(folder / "cmdline")[:5]


def _find_workers(process: str, root: Path) -> list[Path]:
    """The processes that touch the media of this one."""
    folders = (root / "proc" / name for name in list_names(root / "proc") if name.isdigit())
    return [folder for folder in folders if _is_worker(folder) and _parent_process(folder) == process]


def _find_job(folder: Path) -> str | None:
    """The job that its command line or its environment names."""
    words = _words(folder / "cmdline")
    for word, following in pairwise((*words, "")):
        option, _, value = word.partition("=")
        if option == "--job" and (value or following):
            return value or following
    variables = dict(word.partition("=")[::2] for word in _words(folder / "environ"))
    return variables.get(JOB_VARIABLE) or None


def _words(path: Path) -> tuple[str, ...]:
    """What the kernel separates by NUL in a process's files; () where we may not look."""
    try:
        return tuple(path.read_bytes().decode("utf-8", "replace").rstrip("\0").split("\0"))
    except OSError:
        return ()


def _started(folder: Path, root: Path) -> datetime | None:
    fields = (read_text(folder / "stat") or "").rpartition(")")[2].split()
    boot = re.search(r"^btime (\d+)$", read_text(root / "proc/stat") or "", re.MULTILINE)
    if boot is None or len(fields) <= _START_TICKS:
        return None
    return datetime.fromtimestamp(int(boot[1]) + int(fields[_START_TICKS]) / os.sysconf("SC_CLK_TCK"), UTC)


def _open_files(folder: str) -> Iterator[tuple[str, str]]:
    """(path, fdinfo) of all a program has open. There are tens of thousands on a desktop: plain strings do."""
    with contextlib.suppress(OSError):
        for descriptor in os.listdir(f"{folder}/fd"):  # noqa: PTH208
            with contextlib.suppress(OSError):
                yield os.readlink(f"{folder}/fd/{descriptor}"), f"{folder}/fdinfo/{descriptor}"  # noqa: PTH115


def _parent_process(folder: Path) -> str | None:
    match = re.search(r"PPid:\s*(\d+)", read_text(folder / "status") or "")
    return match[1] if match else None
