"""Read a bag again, past this machine's cache, and compare it with its manifests: after a copy and any time later.

Three things stay three: a file that could not be read, one that was read and is wrong, and one that does not exist.
Nothing is followed out of the bag; a link, a pipe or a device where a file belongs is named and not opened.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from drivecare.documents import decode, encode
from drivecare.errors import BadInput, Interrupted, Unavailable
from drivecare.transfer.files import bag
from drivecare.transfer.files.bag import BagReceipt, BagVerification, FileNote, ForeignBag, display_path
from drivecare.transfer.files.file_system import CacheBypass, FileSystem, Folder, WrongKind, entry_kind
from drivecare.transfer.medium import Progress, Watch

_NOT_THERE = (errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG)
_PERMISSION_HINT = "Run it as the person whom the bag belongs to, or with sudo."

Contents = dict[bytes, os.stat_result | OSError]
"""What data/ holds, by path in the bag."""


@dataclass(kw_only=True, slots=True)
class BagProof:
    """The result of reading the files of a manifest: how they were read, how many agree, and what is wrong."""

    method: CacheBypass = "direct"
    agreeing: int = 0
    mismatched: list[FileNote] = field(default_factory=list)
    missing: list[FileNote] = field(default_factory=list)
    unreadable: list[FileNote] = field(default_factory=list)

    @property
    def agrees(self) -> bool:
        """Every file was read and agrees, and there is at least one."""
        return bool(self.agreeing) and not self.has_faults

    @property
    def has_faults(self) -> bool:
        """Some file is wrong, missing or unreadable."""
        return bool(self.mismatched or self.missing or self.unreadable)

    @property
    def nothing_read(self) -> bool:
        """There were files, and not one could be read."""
        return bool(self.unreadable) and not (self.agreeing or self.mismatched or self.missing)

    def add(self, proof: BagProof) -> None:
        """Add what is wrong elsewhere in the bag."""
        self.mismatched += proof.mismatched
        self.missing += proof.missing
        self.unreadable += proof.unreadable


def prove_files(folder: Folder, digests: dict[str, str], on_progress: Callable[[int], None]) -> BagProof:
    """Read every file of `digests` (path in the bag -> digest). Raises OSError where the drive below has gone."""
    proof = BagProof()
    done = 0

    def advance(count: int) -> None:
        nonlocal done
        done += count
        on_progress(done)

    for path, expected in digests.items():
        try:
            with folder.open_file(os.fsencode(path)) as file:
                digest, method = file.digest_past_cache(advance)
        except OSError as error:
            _classify_failure(folder, path, error, digests, proof)
            continue
        proof.method = method if method == "cache-dropped" else proof.method
        if digest == expected:
            proof.agreeing += 1
        else:
            reason = f"SHA-256 is {digest}, the manifest says {expected}"
            proof.mismatched.append(FileNote(name=path, reason=reason))
    return proof


def _classify_failure(folder: Folder, path: str, error: OSError, digests: dict[str, str], proof: BagProof) -> None:
    """Put a file that gave no digest where it belongs."""
    if isinstance(error, WrongKind):
        is_link = error.kind == "a link" and error.path == os.fsencode(path)
        reason = _reason_against_link(folder, error.path, digests) if is_link else error.strerror
        if reason is None:
            proof.agreeing += 1
        else:
            proof.missing.append(FileNote(name=path, reason=f"{reason}: the file itself is not in the bag"))
    elif error.errno in _NOT_THERE:
        proof.missing.append(FileNote(name=path, reason="is missing"))
    elif not folder.is_attached:
        raise OSError(errno.ENODEV, "the drive of the bag is no longer there") from error
    else:
        proof.unreadable.append(FileNote(name=path, reason=f"could not be read: {error.strerror}"))


def _reason_against_link(folder: Folder, path: bytes, digests: dict[str, str]) -> str | None:
    """None where a link names, in plain words, a file of the same bag with the digest that it is listed with itself.

    That file is read under its own name. The link is not followed, only its text is judged.
    """
    target = folder.read_link(path)
    goal = link_goal(path, target)
    if goal is not None and digests.get(os.fsdecode(goal)) == digests[os.fsdecode(path)] and _has_file(folder, goal):
        return None
    return f"is a link to {display_path(target)}"


def link_goal(path: bytes, target: bytes) -> bytes | None:
    """The path in the bag that a link's text names; None where it is absolute, roundabout or leads out."""
    if target.startswith(b"/"):
        return None
    goal = os.path.normpath(os.path.join(os.path.dirname(path), target))
    plain = os.path.relpath(b"/" + goal, b"/" + os.path.dirname(path))
    return goal if target == plain and goal.split(b"/")[0] == b"data" else None


def check_bag(files: FileSystem, path: Path, *, at: str, watch: Watch | None = None) -> BagReceipt | ForeignBag:
    """Check a bag whole: tag files, every payload file, nothing extra.

    Where a bag of ours agrees, its receipt tells when; otherwise it stays unchanged.
    Raises BadInput where there is no bag or an empty one, Unavailable where nothing of it can be read, Interrupted
    where somebody asked to stop or the drive has gone.
    """
    try:
        folder = files.hold(path)
    except WrongKind as error:
        hint = "Name the bag's own folder."
        raise BadInput(f"is {error.kind}, not a bag's folder", location=str(path), hint=hint) from error
    except OSError as error:
        raise Unavailable(f"cannot be opened: {error.strerror}", location=str(path), hint=_PERMISSION_HINT) from error
    with folder:
        try:
            return _check_folder(folder, at, watch or Watch())
        except PermissionError as error:
            problem = f"cannot be read: {error.strerror}"
            raise Unavailable(problem, location=str(path), hint=_PERMISSION_HINT) from error
        except OSError as error:
            hint = "Connect it again, then verify again."
            raise Interrupted(str(error.strerror), location=str(path), hint=hint) from error


def _check_folder(folder: Folder, at: str, watch: Watch) -> BagReceipt | ForeignBag:
    location = str(folder.path)
    if not _has_file(folder, b"bagit.txt"):
        hint = "Continue a copy that was interrupted with: drivecare copy-files ... --resume"
        raise BadInput("is not a BagIt bag: it has no bagit.txt", location=location, hint=hint)
    listing = read_tag_file(folder, bag.PAYLOAD_MANIFEST, limit_bytes=1 << 32)
    payload = bag.parse_payload_manifest(listing, origin=str(folder.path / bag.PAYLOAD_MANIFEST))
    tags, receipt = _digests_of_tags(folder), _read_receipt(folder)
    contents = dict(folder.walk(b"data")) if payload or _has_entry(folder, b"data") else {}
    listed = (contents.get(os.fsencode(path)) for path in payload)
    total = sum(info.st_size for info in listed if isinstance(info, os.stat_result) and stat.S_ISREG(info.st_mode))

    def report(done: int) -> None:
        watch.on_progress(Progress("reading back", done, total))
        if reason := watch.stop_reason():
            raise Interrupted(reason, location=location, hint="Nothing was changed: verify it again.")

    proof = prove_files(folder, payload, report)
    if proof.nothing_read:
        reason = proof.unreadable[0].reason.removeprefix("could not be read: ")
        problem = f"none of its {len(proof.unreadable):,} files can be read: {reason}"
        raise Unavailable(problem, location=location, hint=_PERMISSION_HINT)
    proof.add(find_unlisted(contents, payload, folder))
    proof.add(prove_files(folder, tags, lambda _: None))
    if receipt is not None and bag.sha256_hex(listing) != receipt.manifest_sha256:
        reason = "is not the one the receipt was made for"
        proof.mismatched.append(FileNote(name=bag.PAYLOAD_MANIFEST, reason=reason))
    if not payload and not proof.has_faults:
        hint = "There is nothing to verify. Check whether the drive was mounted when the bag was made."
        raise BadInput("is an empty bag: its manifest names no file", location=location, hint=hint)
    return _conclude(folder, receipt, proof, at)


def _conclude(folder: Folder, receipt: BagReceipt | None, proof: BagProof, at: str) -> BagReceipt | ForeignBag:
    mismatched, missing, unreadable = tuple(proof.mismatched), tuple(proof.missing), tuple(proof.unreadable)
    if receipt is None:
        return ForeignBag(
            path=str(folder.path),
            verified=proof.agrees,
            mismatched=mismatched,
            missing=missing,
            target_unreadable=unreadable,
        )
    receipt = msgspec.structs.replace(
        receipt,
        verified=proof.agrees,
        verification=BagVerification(method=proof.method, at=at) if proof.agrees else None,
        mismatched=mismatched,
        missing=missing,
        target_unreadable=unreadable,
    )
    return _update_receipt(folder, receipt) if proof.agrees else receipt


def _update_receipt(folder: Folder, receipt: BagReceipt) -> BagReceipt:
    """Put the receipt into the bag; where that cannot be written, the receipt in hand says so."""
    try:
        folder.save(os.fsencode(bag.BAG_RECEIPT), encode(receipt))
    except OSError as error:
        location = folder.path / bag.BAG_RECEIPT
        notice = f"{location}: cannot be written: {error.strerror}, so this verification stands only here"
        return msgspec.structs.replace(receipt, notices=(*receipt.notices, notice))
    return receipt


def find_unlisted(contents: Contents, payload: dict[str, str], folder: Folder) -> BagProof:
    """Find what lies in data/ and is in no manifest: RFC 8493 section 3 wants every payload file listed."""
    proof = BagProof()
    for path, info in contents.items():
        name = display_path(path)
        if isinstance(info, WrongKind):
            proof.missing.append(FileNote(name=name, reason=str(info.strerror)))
        elif isinstance(info, OSError):
            if not (path == b"data" and info.errno in _NOT_THERE):  # then every file is missing, and is named so
                proof.unreadable.append(FileNote(name=name, reason=f"could not be read: {info.strerror}"))
        elif stat.S_ISDIR(info.st_mode):
            if info.st_dev != folder.device:
                proof.mismatched.append(FileNote(name=name, reason="another file system is mounted there"))
        elif os.fsdecode(path) not in payload and not _leads_to_folder(folder, path, info, contents):
            kind = "is" if stat.S_ISREG(info.st_mode) else f"is {entry_kind(info)}"
            proof.mismatched.append(FileNote(name=name, reason=f"{kind} in data/ but in no manifest"))
    return proof


def _leads_to_folder(folder: Folder, path: bytes, info: os.stat_result, contents: Contents) -> bool:
    """Whether this is a link to a folder of the same bag, which holds files under their own names."""
    if not stat.S_ISLNK(info.st_mode):
        return False
    goal = link_goal(path, folder.read_link(path))
    goal_info = contents.get(goal) if goal is not None else None
    return goal == b"data" or (isinstance(goal_info, os.stat_result) and stat.S_ISDIR(goal_info.st_mode))


def _digests_of_tags(folder: Folder) -> dict[str, str]:
    if not _has_entry(folder, os.fsencode(bag.TAG_MANIFEST)):  # RFC 8493 section 2.2.1: optional
        return {}
    listing = read_tag_file(folder, bag.TAG_MANIFEST, limit_bytes=1 << 32)
    return bag.parse_manifest(listing, origin=str(folder.path / bag.TAG_MANIFEST))


def read_tag_file(folder: Folder, name: str, *, limit_bytes: int) -> bytes:
    """A file of the bag beside data/. Raises BadInput where it is not a file of the bag, or too large; Unavailable."""
    location = str(folder.path / name)
    try:
        return folder.read_file(os.fsencode(name), limit_bytes=limit_bytes)
    except FileNotFoundError as error:
        raise BadInput("there is no such file", location=location, hint="Check the path.") from error
    except WrongKind as error:
        raise BadInput(f"is {error.kind}, not a file of the bag", location=location) from error
    except OSError as error:
        if error.errno == errno.EFBIG:
            problem = f"is larger than {limit_bytes:,} bytes, too large for this kind of file"
            raise BadInput(problem, location=location) from error
        raise Unavailable(f"cannot be read: {error.strerror}", location=location, hint=_PERMISSION_HINT) from error


def _read_receipt(folder: Folder) -> BagReceipt | None:
    if not _has_entry(folder, os.fsencode(bag.BAG_RECEIPT)):
        return None
    content = read_tag_file(folder, bag.BAG_RECEIPT, limit_bytes=1 << 30)
    return decode(BagReceipt, content, origin=str(folder.path / bag.BAG_RECEIPT))


def _has_entry(folder: Folder, path: bytes) -> bool:
    try:
        folder.status(path)
    except (FileNotFoundError, WrongKind):
        return False
    return True


def _has_file(folder: Folder, path: bytes) -> bool:
    return _has_entry(folder, path) and stat.S_ISREG(folder.status(path).st_mode)
