"""The two ends of a file copy before the first byte: what the source tree holds, what the target could not hold."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from drivecare.errors import BadInput, Unavailable
from drivecare.transfer.files.anchored_folder import HeldFolder, WrongKind
from drivecare.transfer.files.bag import stored_name, stored_path

Shape = Literal["folder", "file", "symlink"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One thing in the source tree. `path` is relative, as the file system's own bytes."""

    path: bytes
    shape: Shape
    size_bytes: int
    allocated_bytes: int
    mode: int
    uid: int
    gid: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    links: int
    link_target: bytes | None = None
    withheld: tuple[tuple[str, bytes | None], ...] = ()  # attributes that are recorded, not set

    @property
    def stored(self) -> bytes:
        """Its path below data/."""
        return stored_path(self.path)


@dataclass(kw_only=True, slots=True)
class Tree:
    """What a survey found: entries parents first, and what was left out with the reason."""

    root: bytes
    device: int
    entries: list[Entry] = field(default_factory=list)
    left_out: list[tuple[bytes, str]] = field(default_factory=list)

    @property
    def files(self) -> list[Entry]:
        """The regular files."""
        return [entry for entry in self.entries if entry.shape == "file"]


_SHAPES: dict[int, Shape] = {stat.S_IFDIR: "folder", stat.S_IFREG: "file", stat.S_IFLNK: "symlink"}

# Attributes that give a program or an account rights on the machine where they are set (capabilities(7), xattr(7)).
# In the bag they are recorded, not set: they were given on the customer's unit, not on this machine.
WITHHELD = ("security.", "trusted.")


def hold_source(path: Path) -> HeldFolder:
    """The folder to copy from. Raises BadInput where it is none, Unavailable."""
    try:
        return HeldFolder.hold(path, follow=True)
    except (WrongKind, FileNotFoundError) as error:
        raise BadInput("is not a folder", location=str(path), hint="Name the mounted folder to copy from.") from error
    except OSError as error:
        raise Unavailable(f"cannot be listed: {error.strerror}", location=str(path)) from error


def survey(source: HeldFolder) -> Tree:
    """Walk `source` without following links or crossing into another file system. Raises Unavailable."""
    tree = Tree(root=os.path.abspath(os.fsencode(source.path)), device=source.device)
    folders = {b""}
    for path, info in source.walk(b""):
        if isinstance(info, OSError):
            if not path:
                raise Unavailable(f"cannot be listed: {info.strerror}", location=str(source.path)) from info
            what = "the folder could not be read" if path in folders else "could not be looked at"
            tree.left_out.append((path, f"{what}: {info.strerror}"))
        elif (shape := _SHAPES.get(stat.S_IFMT(info.st_mode))) is None:
            tree.left_out.append((path, "is a socket, pipe or device, not a file"))
        elif shape == "folder" and info.st_dev != source.device:
            tree.left_out.append((path, "another file system is mounted there"))
        else:
            folders.update([path] if shape == "folder" else [])
            _note(tree, source, path, shape, info)
    tree.entries.sort(key=lambda entry: entry.path)
    return tree


def _note(tree: Tree, source: HeldFolder, path: bytes, shape: Shape, info: os.stat_result) -> None:
    try:
        target = source.read_link(path) if shape == "symlink" else None
    except OSError as error:
        tree.left_out.append((path, f"could not be looked at: {error.strerror}"))
        return
    attributes = source.attributes(path) if shape != "symlink" else {}
    tree.entries.append(
        Entry(
            path=path,
            shape=shape,
            size_bytes=info.st_size if shape == "file" else 0,
            allocated_bytes=info.st_blocks * 512 if shape == "file" else 0,
            mode=stat.S_IMODE(info.st_mode),
            uid=info.st_uid,
            gid=info.st_gid,
            mtime_ns=info.st_mtime_ns,
            ctime_ns=info.st_ctime_ns,
            inode=info.st_ino,
            links=info.st_nlink,
            link_target=target,
            withheld=tuple((name, value) for name, value in attributes.items() if name.startswith(WITHHELD)),
        )
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Abilities:
    """What a target folder's file system can keep, found by trying."""

    symlinks: bool
    hard_links: bool
    modes: bool
    sparse: bool
    case_sensitive: bool
    longest_name_bytes: int
    largest_file_bytes: int | None
    free_bytes: int
    free_entries: int | None
    unable: frozenset[str] = frozenset()  # characters that no name can hold
    dot_at_end: bool = True  # some drop it from a name without a word
    block_bytes: int = 1  # what a file takes at least, and its size is rounded up to


def try_target(folder: Path, characters: set[str], *, file_system: str | None) -> Abilities:
    """Try a target folder out in a folder of its own, removed again. `characters`: those that names will need."""
    room = os.statvfs(folder)
    with tempfile.TemporaryDirectory(prefix=".drivecare-try-", dir=folder) as place:
        here = Path(place)
        probe = here / "a"
        probe.touch(mode=0o640)
        unable = {char for char in sorted(characters) if not _holds(here, f"n{char}n")}
        return Abilities(
            symlinks=_can(lambda: (here / "s").symlink_to("a")),
            hard_links=_can(lambda: (here / "h").hardlink_to(probe)),
            modes=stat.S_IMODE(probe.stat().st_mode) & 0o777 == 0o640 and _can(lambda: probe.chmod(0o751)),
            sparse=_sparse(here / "hole"),
            case_sensitive=not (here / "A").exists(),
            longest_name_bytes=room.f_namemax or 255,
            largest_file_bytes=(4 << 30) - 1 if file_system in ("vfat", "msdos") else None,  # 32-bit size field
            free_bytes=room.f_bavail * room.f_frsize,
            free_entries=room.f_favail or None if room.f_files else None,
            unable=frozenset(unable),
            dot_at_end=_holds(here, "n."),
            block_bytes=room.f_frsize,
        )


def _can(act: Callable[[], object]) -> bool:
    try:
        act()
    except OSError:
        return False
    return True


def _holds(folder: Path, name: str) -> bool:
    """Whether a name can be given and is the same when listed."""
    try:
        (folder / name).touch()
    except (OSError, ValueError):
        return False
    found = name in os.listdir(folder)
    with contextlib.suppress(OSError):
        (folder / name).unlink()
    return found


def _sparse(path: Path) -> bool:
    with path.open("wb") as stream:
        stream.truncate(8 << 20)
    return path.stat().st_blocks * 512 < 1 << 20


def needed_characters(tree: Tree) -> set[str]:
    """Characters in stored names that some file system might refuse: all but ASCII letters and digits."""
    used = set("".join(entry.stored.decode("utf-8") for entry in tree.entries))
    return {char for char in used if not (char.isascii() and char.isalnum()) and char != "/"}


def cannot_hold(tree: Tree, target: Abilities) -> Iterator[str]:
    """Everything that would not fit on the target, one line each; nothing where all fits."""
    seen: dict[str, bytes] = {}
    for entry in tree.entries:
        name = stored_name(os.path.basename(entry.path))
        where = entry.path.decode("utf-8", "backslashreplace")
        bad = target.unable.intersection(name.decode("utf-8"))
        if bad:
            yield f"{where}: the target cannot hold {' '.join(sorted(map(repr, bad)))} in a name"
        if name.endswith(b".") and not target.dot_at_end:
            yield f"{where}: the target drops the dot at the end of its name"
        if len(name) > target.longest_name_bytes:
            yield f"{where}: its name takes {len(name)} bytes, the target holds {target.longest_name_bytes}"
        if target.largest_file_bytes is not None and entry.size_bytes > target.largest_file_bytes:
            yield f"{where}: {entry.size_bytes:,} bytes, the target's largest file is {target.largest_file_bytes:,}"
        folded = entry.stored.decode("utf-8").casefold()
        if not target.case_sensitive and folded in seen:
            other = seen[folded].decode("utf-8", "backslashreplace")
            yield f"{where}: differs from {other} in letter case only, the target cannot tell them apart"
        seen[folded] = entry.path
    need = sum(_room_for(entry, target) for entry in first_links(tree, target))
    if need > target.free_bytes:
        yield f"{need:,} bytes are needed, {target.free_bytes:,} are free on the target"
    if target.free_entries is not None and len(tree.entries) + 8 > target.free_entries:
        yield f"{len(tree.entries):,} entries are needed, {target.free_entries:,} are free on the target"


def _room_for(entry: Entry, target: Abilities) -> int:
    size = min(entry.size_bytes, entry.allocated_bytes) if target.sparse else entry.size_bytes
    return -(-size // target.block_bytes) * target.block_bytes


def first_links(tree: Tree, target: Abilities) -> list[Entry]:
    """The files whose bytes must be written: of hard links to one file only the first, where the target keeps links."""
    seen: set[int] = set()
    files = []
    for entry in tree.files:
        if entry.links > 1 and target.hard_links:
            if entry.inode in seen:
                continue
            seen.add(entry.inode)
        files.append(entry)
    return files
