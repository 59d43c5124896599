"""Who uses a block device: mounts, swap, LVM, RAID, encryption, loop devices, programs that hold it open for writing.

Of our own programs those that only read it count as well, by their lock. One whose command was killed does not: it lets
go in a moment, and opening waits for that (`opening.HELD_SECONDS`).

What O_EXCL alone would miss is looked for here: a mounted partition of the drive, a stack of holders, a loop device
over it, a virtual machine that writes to it. An idle LVM or RAID member is not in use.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from drivecare.documents import Value
from drivecare.hardware.device_path import device_path, kernel_name
from drivecare.hardware.naming import read_text
from drivecare.hardware.programs import (
    Program,
    find_our_locks,
    find_programs,
    is_for_writing,
    list_names,
    lock_key,
)

# A machine runs from the drives that these are mounted from.
_SYSTEM_MOUNTS = frozenset(
    {"/", "/usr", "/boot", "/boot/efi", "/efi", "/etc", "/var", "/home", "/nix", "/nix/store", "/ostree"}
)


class Mount(Value, frozen=True, kw_only=True):
    """One line of mountinfo."""

    number: str  # "8:17"; "0:43" for file systems that own no single device (btrfs, overlay)
    point: str
    type: str
    source: str
    options: str


class DeviceUsers:
    """Who uses which block device, surveyed once and asked about many."""

    def __init__(self, root: Path, mounts: tuple[Mount, ...], swaps: frozenset[str], programs: dict[str, str]) -> None:
        self._root = root
        self._mounts = mounts
        self._swaps = swaps
        self._programs = programs  # by device number: "open for writing in ..."
        self._loops = self._loop_backings()
        self._btrfs = self._btrfs_members()
        self._system = self._system_numbers()

    def mounted_at(self, folder: Path) -> tuple[str, ...]:
        """Mount points of exactly this device or partition."""
        number = read_text(folder / "dev")
        names = {device_path(folder.name), self._mapper(folder)}
        points = [mount.point for mount in self._mounts if mount.number == number or mount.source in names]
        for group in self._btrfs:
            if folder.name in group:
                points += [mount.point for mount in self._mounts if mount.source in _device_paths(group)]
        return tuple(dict.fromkeys(points))

    def reasons(self, folder: Path) -> tuple[str, ...]:
        """One part of a sentence for everything that uses the drive or a part of it; () where nobody does."""
        reasons: list[str] = []
        for part in (folder, *_partition_folders(folder)):
            self._collect_reasons(part, reasons, visited=set())
        return tuple(dict.fromkeys(reasons))

    def runs_the_machine(self, folder: Path) -> bool:
        """Whether a system mount or active swap lies on the drive, however many layers above it."""
        numbers = {read_text(part / "dev") for part in (folder, *_partition_folders(folder))}
        return not numbers.isdisjoint(self._system)

    def _collect_reasons(self, device: Path, reasons: list[str], visited: set[str]) -> None:
        """Collect what uses `device`, then what uses each device built upon it."""
        name = device.name
        if name in visited:
            return
        visited.add(name)
        label = self._mapper(device) or device_path(name)
        reasons.extend(f"{label} mounted at {point}" for point in self.mounted_at(device))
        number = read_text(device / "dev") or ""
        if number in self._swaps:
            reasons.append(f"{label} in use as swap")
        if number in self._programs:
            reasons.append(f"{label} {self._programs[number]}")
        for holder in self._holders(device):
            reasons.append(f"{label} {self._describe_holder(holder)}")
            self._collect_reasons(holder, reasons, visited)

    def _holders(self, device: Path) -> list[Path]:
        above = [self._block(name) for name in list_names(device / "holders")]
        above += [self._block(loop) for loop, backing in self._loops.items() if backing == device_path(device.name)]
        return above

    def _describe_holder(self, holder: Path) -> str:
        if holder.name.startswith("md"):
            return f"member of the RAID set {holder.name}"
        if holder.name.startswith("loop"):
            return f"attached as {holder.name}"
        mapper = self._mapper(holder)
        return f"held by {holder.name}" + (f" ({mapper.removeprefix('/dev/mapper/')})" if mapper else "")

    def _block(self, name: str) -> Path:
        return self._root / "sys/class/block" / name

    def _mapper(self, device: Path) -> str | None:
        name = read_text(device / "dm/name")
        return f"/dev/mapper/{name}" if name else None

    def _loop_backings(self) -> dict[str, str]:
        block = self._root / "sys/block"
        loops = [name for name in list_names(block) if name.startswith("loop")]
        backings = {name: read_text(block / name / "loop/backing_file") for name in loops}
        return {name: backing for name, backing in backings.items() if backing}

    def _btrfs_members(self) -> list[frozenset[str]]:
        """btrfs names one member in mountinfo; /sys/fs/btrfs/UUID/devices lists them all."""
        folder = self._root / "sys/fs/btrfs"
        return [frozenset(list_names(folder / uuid / "devices")) for uuid in list_names(folder)]

    def _system_numbers(self) -> frozenset[str]:
        """Device numbers below everything the machine runs from, through any layers between."""
        pending = [mount for mount in self._mounts if mount.point in _SYSTEM_MOUNTS]
        numbers: set[str] = set()
        for number in self._swaps:
            numbers |= self._below(number)
        visited: set[Mount] = set()
        while pending:
            mount = pending.pop()
            if mount in visited:
                continue
            visited.add(mount)
            for number in {mount.number} | self._numbers_of_source(mount):
                numbers |= self._below(number)
            layers = re.findall(r"(?:lowerdir|upperdir)=([^,]+)", mount.options)
            paths = [path for layer in layers for path in layer.split(":")]
            names = {self._name(number) for number in numbers}
            paths += [backing for loop, backing in self._loops.items() if loop in names]
            pending += [below for path in paths if (below := self._mount_of(path)) is not None]
        return frozenset(numbers)

    def _numbers_of_source(self, mount: Mount) -> set[str]:
        if not mount.source.startswith("/dev/"):
            return set()
        name = Path(mount.source).name
        group = next((group for group in self._btrfs if name in group), frozenset({name}))
        folders = [self._block(member) for member in group]
        blocks = map(self._block, list_names(self._root / "sys/block"))
        folders += [block for block in blocks if self._mapper(block) == mount.source]
        return {number for folder in folders if (number := read_text(folder / "dev"))}

    def _below(self, number: str) -> set[str]:
        """The device and everything it stands on (`slaves`); a partition's drive is found by its partitions."""
        numbers = {number}
        for name in list_names(self._root / "sys/dev/block" / number / "slaves") or list_names(
            self._block(self._name(number) or "") / "slaves"
        ):
            below = read_text(self._block(name) / "dev")
            if below and below not in numbers:
                numbers |= self._below(below)
        return numbers

    def _name(self, number: str) -> str | None:
        folder = self._root / "sys/dev/block" / number
        if folder.exists():
            return folder.resolve().name
        folders = self._root / "sys/class/block"
        return next((name for name in list_names(folders) if read_text(folders / name / "dev") == number), None)

    def _mount_of(self, path: str) -> Mount | None:
        """The mount a path lies on: the longest mount point above it; the last one mounted wins."""
        above = [
            mount for mount in self._mounts if path == mount.point or path.startswith(mount.point.rstrip("/") + "/")
        ]
        return max(above, key=lambda mount: len(mount.point), default=None)


def survey_users(root: Path = Path("/")) -> DeviceUsers:
    """Look once at mounts, swap, and the programs that use a block device."""
    return DeviceUsers(root, _read_mounts(root), _read_swaps(root), _find_lockers(root) | _find_writers(root))


def _read_mounts(root: Path) -> tuple[Mount, ...]:
    """Our mounts and those of process 1, which in a container or a private name space may be more."""
    lines = {
        line: None
        for process in ("self", "1")
        for line in (read_text(root / "proc" / process / "mountinfo") or "").splitlines()
    }
    return tuple(mount for line in lines if (mount := parse_mount(line)) is not None)


def parse_mount(line: str) -> Mount | None:
    """One line of mountinfo; None where it is cut."""
    left, separator, right = line.partition(" - ")
    fields, tail = left.split(), right.split(None, 2)
    if not separator or len(fields) < 5 or len(tail) < 2:
        return None
    return Mount(
        number=fields[2],
        point=_unescape(fields[4]),
        type=tail[0],
        source=_unescape(tail[1]),
        options=_unescape(tail[2]) if len(tail) > 2 else "",
    )


def _unescape(field: str) -> str:
    """The kernel writes space, tab, newline and backslash in mount points as octal \\040."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), field)


def _read_swaps(root: Path) -> frozenset[str]:
    lines = (read_text(root / "proc/swaps") or "").splitlines()[1:]
    paths = [_unescape(line.split()[0]) for line in lines if line.startswith("/dev/")]
    numbers = (_device_number(path, root) for path in paths)
    return frozenset(number for number in numbers if number)


def _device_number(path: str, root: Path) -> str | None:
    name = Path(os.path.realpath(path)).name if root == Path("/") else Path(path).name
    return read_text(root / "sys/class/block" / name / "dev")


def _find_writers(root: Path) -> dict[str, str]:
    """Device number -> the program that has it open for writing."""
    block = root / "sys/class/block"
    names = set(list_names(block))

    def number_of(path: str, fdinfo: str) -> str | None:
        if not path.startswith("/dev/") or kernel_name(path) not in names or not is_for_writing(fdinfo):
            return None
        return read_text(block / kernel_name(path) / "dev")

    programs = find_programs(number_of, root)
    return {number: f"open for writing in {program}" for number, program in programs.items() if not program.left_over}


def _find_lockers(root: Path) -> dict[str, str]:
    """Device number -> the program of ours that has it locked."""
    locks, block = find_our_locks(root), root / "sys/class/block"
    lockers: dict[str, str] = {}
    for name in list_names(block) if locks else ():
        lock = locks.get(lock_key(root / device_path(name).lstrip("/")) or "")
        if lock is not None and (number := read_text(block / name / "dev")):
            lockers[number] = f"open for {'writing' if lock.for_writing else 'reading'} in {lock.program}"
    return lockers


def find_user(path: str) -> Program | None:
    """The program that has this file, this device or a partition of it open; None where none is seen."""
    path = os.path.realpath(path)
    names = {path}
    folder = Path("/sys/class/block", kernel_name(path)).resolve()
    if folder.is_dir():
        names |= {device_path(part.name) for part in _partition_folders(folder)}
    program = find_programs(lambda name, _: path if name in names else None).get(path)
    lock = None if program is not None else find_our_locks().get(lock_key(Path(path)) or "")
    return program if lock is None else lock.program


def _partition_folders(folder: Path) -> list[Path]:
    return sorted(child for child in folder.iterdir() if (child / "partition").is_file())


def _device_paths(group: frozenset[str]) -> set[str]:
    return {device_path(name) for name in group}
