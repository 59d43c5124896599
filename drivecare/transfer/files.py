"""Copy a folder's files into a bag and prove them by reading them back.

Order: everything the target could not hold is found first; then files are copied, each digested as it is read, flushed
and only then journalled; then every file of the target is read back past the cache; then the manifests are written.
A file that cannot be read, or changes while it is copied, is left out and listed: the bag stays valid for the rest.

This file works on the file system through `os`, which is its port: tests give it real trees.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from drivecare import __version__
from drivecare.documents import encode
from drivecare.errors import Interrupted, Refused, Unavailable
from drivecare.storage import create_folder, sync_folder, write_file
from drivecare.transfer import bag
from drivecare.transfer.bag import BagReceipt, BagVerification, FileNote, TreeEnd, shown
from drivecare.transfer.bag_check import read_payload
from drivecare.transfer.bag_journal import BagJournal, CopiedFile
from drivecare.transfer.port import Progress, Watch
from drivecare.transfer.tree import Abilities, Entry, Tree, cannot_hold, needed_characters, survey, try_target

_BLOCK = 4 << 20
_FATAL = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ESHUTDOWN)


@dataclass(kw_only=True, slots=True)
class _Copy:
    """One running copy."""

    tree: Tree
    data: bytes  # the bag's data/ folder
    abilities: Abilities
    journal: BagJournal
    watch: Watch
    total: int
    job: str | None = None
    done: int = 0
    left_out: dict[bytes, str] = field(default_factory=dict)  # path -> why
    not_kept: list[FileNote] = field(default_factory=list)

    def tell(self, phase: str, done: int) -> None:
        """Say how far it is. Raises Interrupted where somebody asked to stop."""
        self.watch.tell(Progress(phase, done, self.total))
        if reason := self.watch.stop():
            raise Interrupted(reason, hint="What was copied is kept: go on with --resume.")


def copy_files(
    source: Path,
    target: Path,
    *,
    now: Callable[[], str],
    resume: bool = False,
    ends: tuple[TreeEnd, TreeEnd] | None = None,
    watch: Watch | None = None,
    job: str | None = None,
) -> BagReceipt:
    """Copy `source` into a new bag at `target`; the receipt is also written into the bag.

    `now` gives ISO 8601 times, `ends` says what is known of both file systems and the drives below, `job` whose copy
    this is.
    Raises Refused before the first byte, Interrupted midway (resume with `resume=True`), BadInput, Unavailable.
    """
    started = now()
    ends = ends or (TreeEnd(path=str(source)), TreeEnd(path=str(target)))
    _refuse_nested(source, target)
    tree = survey(source)
    with _folder(target):
        journal = BagJournal.find(target, tree.root) if resume else None
        if journal is None and any(target.iterdir()):
            hint = "Name a new folder, or go on with --resume where a copy was begun there."
            raise Refused("the target folder is not empty", guard="target-not-empty", where=str(target), hint=hint)
        abilities = try_target(target, needed_characters(tree), file_system=ends[1].file_system)
        if journal is None or not journal.finished:
            _refuse_misfits(tree, abilities)
        journal = journal or BagJournal.begin(target, tree.root)
    run = _Copy(
        tree=tree,
        data=os.path.join(os.fsencode(target), b"data"),
        abilities=abilities,
        journal=journal,
        watch=watch or Watch(),
        total=sum(entry.size_bytes for entry in tree.files),
        job=job,
        left_out=dict(tree.left_out),
    )
    try:
        _copy_all(run)
        return _finish(run, target, ends, started, now)
    except OSError as error:
        raise _interrupted(error, target) from error
    finally:
        journal.close()


@contextlib.contextmanager
def _folder(target: Path) -> Iterator[None]:
    """Make the target folder; take it away again where the copy is refused before it begins. Raises Unavailable."""
    made = not target.exists()
    try:
        if made:
            create_folder(target, parents=True)
        yield
    except OSError as error:
        hint = "Name a folder on a mounted file system that you may write to."
        raise Unavailable(f"cannot be written to: {error.strerror}", where=str(target), hint=hint) from error
    except Refused:
        if made:
            target.rmdir()
        raise


def _refuse_nested(source: Path, target: Path) -> None:
    one, other = source.resolve(), target.resolve()
    if one == other or one in other.parents or other in one.parents:
        raise Refused("source and target lie inside each other", guard="nested", where=str(target))


def _refuse_misfits(tree: Tree, abilities: Abilities) -> None:
    misfits = list(cannot_hold(tree, abilities))
    if misfits:
        listed = "; ".join(misfits[:8]) + (f"; and {len(misfits) - 8} more" if len(misfits) > 8 else "")
        raise Refused(
            f"the target cannot hold what the source has: {listed}",
            guard="target-cannot-hold",
            hint="Nothing was written. Use a target with another file system, or more room.",
        )


def _interrupted(error: OSError, target: Path) -> Interrupted:
    what = "the target is full" if error.errno in (errno.ENOSPC, errno.EDQUOT) else f"stopped: {error.strerror}"
    return Interrupted(what, where=str(target), hint="What was copied is kept: mend it, then go on with --resume.")


def _copy_all(run: _Copy) -> None:
    with contextlib.suppress(FileExistsError):
        create_folder(Path(os.fsdecode(run.data)))
    links: dict[int, Entry] = {}
    for entry in run.tree.entries:
        path = os.path.join(run.data, entry.stored)
        if entry.shape == "folder":
            os.makedirs(path, exist_ok=True)
            with contextlib.suppress(OSError):  # an earlier run may have left it as the source has it: write-protected
                os.chmod(path, 0o700)
        elif entry.shape == "file":
            _copy_or_link(run, entry, path, links)
    run.journal.flush()
    for entry in run.tree.entries:
        if entry.shape == "symlink":
            _keep_symlink(run, entry)


def _keep_folders(run: _Copy) -> None:
    """Children first, and once nothing comes or goes any more: that would move a folder's time."""
    for entry in reversed(run.tree.entries):
        if entry.shape == "folder":
            _keep_metadata(run, entry, os.path.join(run.data, entry.stored))


def _copy_or_link(run: _Copy, entry: Entry, path: bytes, links: dict[int, Entry]) -> None:
    known = run.journal.finished.get(os.fsdecode(entry.stored))
    if known and known.is_still(entry) and _size(path) == entry.size_bytes:
        links.setdefault(entry.inode, entry)
        _advance(run, entry.size_bytes)
        return
    with contextlib.suppress(FileNotFoundError):  # what an earlier run left may be a link to another file
        os.unlink(path)
    first = links.get(entry.inode) if entry.links > 1 else None
    if first is not None:
        if run.abilities.hard_links:
            os.link(os.path.join(run.data, first.stored), path)
            run.journal.add(path, CopiedFile.of(entry, _digest_of(run, first)))
            _advance(run, entry.size_bytes)
            return
        run.not_kept.append(FileNote(name=shown(entry.path), reason=f"hard link to {shown(first.path)}: copied whole"))
    digest = _copy_file(run, entry, path)
    if digest is not None:
        links.setdefault(entry.inode, entry)
        run.journal.add(path, CopiedFile.of(entry, digest))


def _digest_of(run: _Copy, entry: Entry) -> str:
    run.journal.flush()
    return run.journal.finished[os.fsdecode(entry.stored)].sha256


def _size(path: bytes) -> int | None:
    try:
        return os.lstat(path).st_size
    except OSError:
        return None


def _copy_file(run: _Copy, entry: Entry, path: bytes) -> str | None:
    """Copy one file, digesting what is read. None, and a note, where the source would not give it whole."""
    before = run.done
    try:
        source = _open_source(os.path.join(run.tree.root, entry.path))
    except OSError as error:
        _raise_where_gone(run, error)
        _leave_out(run, entry, path, before, f"could not be opened: {error.strerror}")
        return None
    try:
        with open(path, "wb") as out:
            digest = _stream(run, source, out.fileno(), entry.size_bytes)
        after = os.fstat(source)
    finally:
        os.close(source)
    if digest is None:
        _leave_out(run, entry, path, before, "a part of it could not be read")
    elif (after.st_size, after.st_mtime_ns, after.st_ctime_ns) != (entry.size_bytes, entry.mtime_ns, entry.ctime_ns):
        _leave_out(run, entry, path, before, "changed while it was copied")
    else:
        _keep_metadata(run, entry, path)
        return digest
    return None


def _open_source(path: bytes) -> int:
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK  # a pipe put there would wait for its writer
    try:
        return os.open(path, flags | os.O_NOATIME)
    except PermissionError:  # O_NOATIME is for the owner only
        return os.open(path, flags)


def _leave_out(run: _Copy, entry: Entry, path: bytes, before: int, reason: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path)
    run.left_out[entry.path] = reason
    run.done = before
    _advance(run, entry.size_bytes)


def _raise_where_gone(run: _Copy, error: OSError) -> None:
    """One unreadable file is left out; a source that is no longer attached stops the copy."""
    if error.errno in _FATAL or not attached(run.tree.device):
        raise OSError(errno.ENODEV, "the drive of the source is no longer there") from error


def attached(device: int) -> bool:
    """Whether the block device of this number is there; True for file systems that stand on none."""
    number = f"{os.major(device)}:{os.minor(device)}"
    return os.major(device) == 0 or os.path.exists(f"/sys/dev/block/{number}")


def _stream(run: _Copy, source: int, out: int, size: int) -> str | None:
    """Copy at most `size` bytes (a file may grow for ever), zeros as holes, digest all. None where reading fails."""
    digest = hashlib.sha256()
    offset = 0
    while offset < size:
        try:
            block = os.pread(source, min(_BLOCK, size - offset), offset)
        except OSError as error:
            _raise_where_gone(run, error)
            return None
        if not block:
            break
        digest.update(block)
        if run.abilities.sparse and not block.strip(b"\0"):
            pass  # a hole, given its length below
        else:
            _write_all(out, block, offset)
        offset += len(block)
        _advance(run, len(block))
    os.ftruncate(out, offset)
    return digest.hexdigest()


def _write_all(out: int, block: bytes, offset: int) -> None:
    view = memoryview(block)
    while view:
        written = os.pwrite(out, view, offset)
        view, offset = view[written:], offset + written


def _advance(run: _Copy, count: int) -> None:
    run.done += count
    run.tell("copying", run.done)


def _keep_metadata(run: _Copy, entry: Entry, path: bytes) -> None:
    """Owner, mode, times, as far as the target can; what it cannot is noted."""
    lost = []
    with contextlib.suppress(OSError):  # only root can give files away, and then only on some file systems
        os.chown(path, entry.uid, entry.gid)
    info = os.stat(path)
    if os.geteuid() == 0 and (info.st_uid, info.st_gid) != (entry.uid, entry.gid):
        lost.append("owner")
    lost += sorted(_lost_attributes(os.path.join(run.tree.root, entry.path), path))
    with contextlib.suppress(OSError):
        os.chmod(path, entry.mode)
    if os.stat(path).st_mode & 0o7777 != entry.mode:
        lost.append("permissions")
    os.utime(path, ns=(entry.mtime_ns, entry.mtime_ns))
    if abs(os.stat(path).st_mtime_ns - entry.mtime_ns) > 2_000_000_000:  # the coarsest file system counts in 2 s
        lost.append("time")
    if lost:
        run.not_kept.append(FileNote(name=shown(entry.path), reason=", ".join(lost)))


def _lost_attributes(source: bytes, path: bytes) -> set[str]:
    """Take extended attributes and access lists along; which kind the target would not take."""
    lost = set()
    with contextlib.suppress(OSError):  # the source has none
        for name in os.listxattr(source, follow_symlinks=False):
            if name == "security.selinux":  # a label of the old machine's policy
                continue
            try:
                os.setxattr(path, name, os.getxattr(source, name, follow_symlinks=False))
            except OSError:
                lost.add("access list" if name.startswith("system.posix_acl") else "extended attributes")
    return lost


def _keep_symlink(run: _Copy, entry: Entry) -> None:
    """Keep a link that stays inside the tree and leads somewhere; list any other: a bag must stand alone."""
    assert entry.link_target is not None
    place = os.path.join(run.data, entry.stored)
    root = os.path.realpath(run.tree.root)
    goal = os.path.relpath(os.path.realpath(os.path.join(root, entry.path)), root)
    reached = os.path.normpath(os.path.join(run.data, bag.stored_path(goal)))
    file_goal = run.journal.finished.get(os.fsdecode(bag.stored_path(goal)))
    inside = not os.path.isabs(entry.link_target) and goal.split(b"/")[0] != b".."
    if not inside or not (file_goal or os.path.isdir(reached)):
        run.left_out[entry.path] = (
            f"symbolic link to {shown(entry.link_target)}: leads nowhere inside the copied folder"
        )
        return
    if not run.abilities.symlinks:
        run.left_out[entry.path] = "symbolic link: the target keeps none"
        return
    with contextlib.suppress(FileNotFoundError):
        os.unlink(place)
    os.symlink(os.path.relpath(reached, os.path.dirname(place)), place)
    if file_goal:  # readers of bags follow it and want a manifest line
        run.journal.finished[os.fsdecode(entry.stored)] = file_goal


def _payload(run: _Copy) -> dict[str, str]:
    """Path in the bag -> digest of everything the manifest lists: what the source still has and the bag holds."""
    wanted = {
        os.fsdecode(entry.stored)
        for entry in run.tree.entries
        if entry.shape != "folder" and entry.path not in run.left_out
    }
    return {f"data/{path}": copied.sha256 for path, copied in run.journal.finished.items() if path in wanted}


def _remove_strays(run: _Copy, payload: dict[str, str]) -> None:
    """What an earlier, interrupted run left in data/ that this copy does not claim."""
    for folder, _, names in os.walk(run.data):
        for name in names:
            path = os.path.join(folder, name)
            inside = os.fsdecode(os.path.relpath(path, os.path.dirname(run.data)))
            if inside not in payload:
                os.unlink(path)


def _finish(
    run: _Copy, target: Path, ends: tuple[TreeEnd, TreeEnd], started: str, now: Callable[[], str]
) -> BagReceipt:
    payload = _payload(run)
    _remove_strays(run, payload)
    _keep_folders(run)
    method, mismatched = read_payload(target, payload, lambda done: run.tell("reading back", done))
    manifest = bag.manifest(payload.items())
    entries = b"".join(_entry_line(entry) for entry in run.tree.entries)
    tags = {
        "bagit.txt": bag.BAGIT_TXT,
        "bag-info.txt": bag.bag_info(
            files=len(payload),
            bytes_total=sum(os.stat(target / path).st_size for path in payload),
            date=started,
            agent=f"drivecare {__version__}",
        ),
        bag.MANIFEST: manifest,
        bag.ENTRIES: entries,
    }
    finished = now()
    receipt = BagReceipt(
        source=ends[0],
        target=ends[1],
        files=len(payload),
        bytes_total=run.total,
        manifest_sha256=bag.sha256(manifest),
        left_out=tuple(FileNote(name=shown(path), reason=reason) for path, reason in run.left_out.items()),
        mismatched=tuple(mismatched),
        not_kept=tuple(run.not_kept),
        renamed=tuple(
            FileNote(name=shown(entry.path), reason=f"stored as {os.fsdecode(entry.stored)}")
            for entry in run.tree.entries
            if entry.stored != entry.path
        ),
        verified=not mismatched,
        verification=None if mismatched else BagVerification(method=method, at=finished),
        notices=_notices(run, target, bool(mismatched)),
        started=started,
        finished=finished,
        tool_version=__version__,
        job=run.job,
    )
    for name, content in tags.items():
        write_file(target / name, content, replace=True)
    write_file(target / bag.RECEIPT, encode(receipt), replace=True)
    listed = bag.manifest((name, bag.sha256(content)) for name, content in tags.items())
    write_file(target / bag.TAG_MANIFEST, listed, replace=True)
    run.journal.end(run.tree.root, (note.name.removeprefix("data/") for note in mismatched))
    sync_folder(target)
    return receipt


def _notices(run: _Copy, target: Path, wrong: bool) -> tuple[str, ...]:
    found = []
    if os.stat(run.tree.root).st_dev == target.stat().st_dev:
        found.append("source and target lie on one file system: this is no copy to fall back on if that drive fails")
    if wrong:
        found.append("copy again with --resume to write what differs anew; if it comes back, the target is faulty")
    return tuple(found)


def _entry_line(entry: Entry) -> bytes:
    row: dict[str, object] = {
        "name": shown(entry.path),
        "stored": os.fsdecode(entry.stored),
        "shape": entry.shape,
        "mode": f"{entry.mode:04o}",
        "uid": entry.uid,
        "gid": entry.gid,
        "mtime_ns": entry.mtime_ns,
    }
    if entry.link_target is not None:
        row["link_target"] = shown(entry.link_target)
    return json.dumps(row, ensure_ascii=True).encode("ascii") + b"\n"
