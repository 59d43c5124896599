"""Both ends of a file copy before the first byte: what the source tree holds, and what the target could not hold."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from drivecare.errors import BadInput, Unavailable
from drivecare.transfer.files.bag import stored_name, stored_path
from drivecare.transfer.files.file_system import Abilities, FileSystem, Folder, WrongKind

Shape = Literal["folder", "file", "symlink"]


@dataclass(frozen=True, kw_only=True, slots=True)
class TreeEntry:
    """A file, folder or link in the source tree. `path` is relative, as the file system's own bytes."""

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

    @property
    def bag_path(self) -> bytes:
        """Its path in the bag."""
        return b"data/" + self.stored


@dataclass(kw_only=True, slots=True)
class SourceTree:
    """The result of a survey: entries, parents first, and what was left out with the reason."""

    root: bytes
    entries: list[TreeEntry] = field(default_factory=list)
    left_out: list[tuple[bytes, str]] = field(default_factory=list)

    @property
    def files(self) -> list[TreeEntry]:
        """The regular files."""
        return [entry for entry in self.entries if entry.shape == "file"]


SHAPES: dict[int, Shape] = {stat.S_IFDIR: "folder", stat.S_IFREG: "file", stat.S_IFLNK: "symlink"}

# Attributes that give a program or an account rights on the machine where they are set (capabilities(7), xattr(7)).
# In the bag they are recorded, not set: they were granted on the customer's unit, not on this machine.
WITHHELD = ("security.", "trusted.")


def open_source_folder(files: FileSystem, path: Path) -> Folder:
    """Open the folder to copy from. Raises BadInput where it is not a folder, Unavailable."""
    try:
        return files.hold(path, follow=True)
    except (WrongKind, FileNotFoundError) as error:
        raise BadInput("is not a folder", location=str(path), hint="Name the mounted folder to copy from.") from error
    except OSError as error:
        raise Unavailable(f"cannot be listed: {error.strerror}", location=str(path)) from error


def survey_tree(source: Folder) -> SourceTree:
    """Walk `source` without following links or crossing into another file system. Raises Unavailable."""
    tree = SourceTree(root=source.root)
    folders = {b""}
    for path, info in source.walk(b""):
        if isinstance(info, OSError):
            if not path:
                raise Unavailable(f"cannot be listed: {info.strerror}", location=str(source.path)) from info
            failure = "the folder could not be read" if path in folders else "could not be examined"
            tree.left_out.append((path, f"{failure}: {info.strerror}"))
        elif (shape := SHAPES.get(stat.S_IFMT(info.st_mode))) is None:
            tree.left_out.append((path, "is a socket, pipe or device, not a file"))
        elif shape == "folder" and info.st_dev != source.device:
            tree.left_out.append((path, "another file system is mounted there"))
        else:
            folders.update([path] if shape == "folder" else [])
            _add_entry(tree, source, path, shape, info)
    tree.entries.sort(key=lambda entry: entry.path)
    return tree


def _add_entry(tree: SourceTree, source: Folder, path: bytes, shape: Shape, info: os.stat_result) -> None:
    try:
        target = source.read_link(path) if shape == "symlink" else None
    except OSError as error:
        tree.left_out.append((path, f"could not be examined: {error.strerror}"))
        return
    attributes = source.attributes(path) if shape != "symlink" else {}
    tree.entries.append(
        TreeEntry(
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


def needed_characters(tree: SourceTree) -> set[str]:
    """Characters in stored names that some file system might refuse: all but ASCII letters and digits."""
    used = set("".join(entry.stored.decode("utf-8") for entry in tree.entries))
    return {char for char in used if not (char.isascii() and char.isalnum()) and char != "/"}


def find_misfits(tree: SourceTree, target: Abilities) -> Iterator[str]:
    """Everything that would not fit on the target, one line each."""
    paths: dict[str, bytes] = {}  # by their spelling without letter case
    for entry in tree.entries:
        name = stored_name(os.path.basename(entry.path))
        path = entry.path.decode("utf-8", "backslashreplace")
        refused = target.unable.intersection(name.decode("utf-8"))
        if refused:
            yield f"{path}: the target cannot hold {' '.join(sorted(map(repr, refused)))} in a name"
        if name.endswith(b".") and not target.dot_at_end:
            yield f"{path}: the target drops the dot at the end of its name"
        if len(name) > target.longest_name_bytes:
            yield f"{path}: its name takes {len(name)} bytes, the target holds {target.longest_name_bytes}"
        if target.largest_file_bytes is not None and entry.size_bytes > target.largest_file_bytes:
            yield f"{path}: {entry.size_bytes:,} bytes, the target's largest file is {target.largest_file_bytes:,}"
        folded = entry.stored.decode("utf-8").casefold()
        if not target.case_sensitive and folded in paths:
            twin = paths[folded].decode("utf-8", "backslashreplace")
            yield f"{path}: differs from {twin} in letter case only, the target cannot tell them apart"
        paths[folded] = entry.path
    need = sum(_needed_bytes(entry, target) for entry in first_links(tree, target))
    if need > target.free_bytes:
        yield f"{need:,} bytes are needed, {target.free_bytes:,} are free on the target"
    if target.free_entries is not None and len(tree.entries) + 8 > target.free_entries:
        yield f"{len(tree.entries):,} entries are needed, {target.free_entries:,} are free on the target"


def _needed_bytes(entry: TreeEntry, target: Abilities) -> int:
    size = min(entry.size_bytes, entry.allocated_bytes) if target.sparse else entry.size_bytes
    return -(-size // target.block_bytes) * target.block_bytes


def first_links(tree: SourceTree, target: Abilities) -> list[TreeEntry]:
    """The files whose bytes must be written: of hard links to one file only the first, where the target keeps links."""
    inodes: set[int] = set()
    files = []
    for entry in tree.files:
        if entry.links > 1 and target.hard_links:
            if entry.inode in inodes:
                continue
            inodes.add(entry.inode)
        files.append(entry)
    return files
