"""Which program has a device or a file open: its name, since when it runs, and of drivecare itself for which job.

Each medium of ours is touched by a process of its own (`hardware.worker`), which counts as the one that started it.
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
_START_TICKS = 19  # place of `starttime` in /proc/PID/stat, counted from the state on (proc(5))


class Program(Value, frozen=True, kw_only=True):
    """A program that runs. `job`: the job that it works for, known of drivecare alone."""

    name: str
    process: int
    started: datetime | None = None
    job: str | None = None

    def __str__(self) -> str:
        facts = (
            f"process {self.process}",
            f"job {self.job}" if self.job is not None else "",
            f"running since {format_time(self.started)}" if self.started is not None else "",
        )
        return f"{self.name} ({', '.join(filter(None, facts))})"


def find_programs(key_of: Callable[[str, Path], str | None], root: Path = Path("/")) -> dict[str, Program]:
    """Find the program behind each key that `key_of` gives to the path of an open file and its fdinfo; None: no matter.

    Ourselves and our children (the SMART reader) are left out.
    """
    ours = {str(os.getpid())}
    openers: dict[str, list[Path]] = {}
    for name in list_names(root / "proc"):
        folder = root / "proc" / name
        if not name.isdigit() or name in ours or _parent_process(folder) in ours:
            continue
        for descriptor, path in _open_files(str(folder / "fd")):
            key = key_of(path, folder / "fdinfo" / descriptor)
            if key is not None and folder not in openers.setdefault(key, []):
                openers[key].append(folder)
    return {key: _describe(folders, root) for key, folders in openers.items()}


def is_for_writing(fdinfo: Path) -> bool:
    """Whether an open file may be written to."""
    match = re.search(r"flags:\s*([0-7]+)", read_text(fdinfo) or "")
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
    is_ours = any(map(_is_ours, folders))
    return Program(
        name=OURS if is_ours else read_text(leader / "comm") or "a program",
        process=int(leader.name),
        started=_started(leader, root),
        job=next(filter(None, map(_find_job, (leader, *folders))), None) if is_ours else None,
    )


def _is_ours(folder: Path) -> bool:
    return any(Path(word).name == OURS or word == worker.__file__ for word in _words(folder / "cmdline")[:5])


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
    """(descriptor, path) of all a program has open. There are tens of thousands on a desktop: plain strings do."""
    with contextlib.suppress(OSError):
        for descriptor in os.listdir(folder):  # noqa: PTH208
            with contextlib.suppress(OSError):
                yield descriptor, os.readlink(f"{folder}/{descriptor}")  # noqa: PTH115


def _parent_process(folder: Path) -> str | None:
    match = re.search(r"PPid:\s*(\d+)", read_text(folder / "status") or "")
    return match[1] if match else None
