"""Read a bag again, past the host's cache, and compare it with its manifests: after a copy and any time later.

Three things stay three: a file that could not be read, one that was read and is wrong, and one that is not there.
Nothing is followed out of the bag; a link, a pipe or a device where a file belongs is named and not opened.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import mmap
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import msgspec

from drivecare.documents import decode, encode
from drivecare.errors import BadInput, Interrupted, Unavailable
from drivecare.transfer.files import bag
from drivecare.transfer.files.anchored_folder import HeldFolder, WrongKind, attached, kind_of
from drivecare.transfer.files.bag import BagReceipt, BagVerification, FileNote, ForeignBag, shown
from drivecare.transfer.medium import Progress, Watch

Method = Literal["direct", "cache-dropped"]

_BLOCK = 4 << 20
_NOT_THERE = (errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG)


@dataclass(kw_only=True, slots=True)
class BagProof:
    """What reading the files of a manifest showed: how they were read, how many agree, and what of the others."""

    method: Method = "direct"
    agreeing: int = 0
    mismatched: list[FileNote] = field(default_factory=list)
    missing: list[FileNote] = field(default_factory=list)
    unreadable: list[FileNote] = field(default_factory=list)

    @property
    def agrees(self) -> bool:
        """Every file was read and agrees, and there is at least one."""
        return bool(self.agreeing) and not (self.mismatched or self.missing or self.unreadable)

    @property
    def nothing_read(self) -> bool:
        """There were files, and not one could be read."""
        return bool(self.unreadable) and not (self.agreeing or self.mismatched or self.missing)

    def take(self, other: BagProof) -> None:
        """Add what is wrong elsewhere in the bag."""
        self.mismatched += other.mismatched
        self.missing += other.missing
        self.unreadable += other.unreadable


def read_payload(held: HeldFolder, payload: dict[str, str], progress: Callable[[int], None]) -> BagProof:
    """Read every file of `payload` (path in the bag -> digest). Raises OSError where the drive below has gone."""
    proof = BagProof()
    done = 0

    def advance(count: int) -> None:
        nonlocal done
        done += count
        progress(done)

    for path, expected in payload.items():
        try:
            digest, method = _digest_past_cache(held, os.fsencode(path), advance)
        except OSError as error:
            _classify(held, path, error, payload, proof)
            continue
        proof.method = method if method == "cache-dropped" else proof.method
        if digest == expected:
            proof.agreeing += 1
        else:
            reason = f"SHA-256 is {digest}, the manifest says {expected}"
            proof.mismatched.append(FileNote(name=path, reason=reason))
    return proof


def _classify(held: HeldFolder, path: str, error: OSError, payload: dict[str, str], proof: BagProof) -> None:
    """Put a file that gave no digest where it belongs."""
    if isinstance(error, WrongKind):
        is_link = error.kind == "a link" and error.path == os.fsencode(path)
        reason = _reason_against_link(held, error.path, payload) if is_link else error.strerror
        if reason is None:
            proof.agreeing += 1
        else:
            proof.missing.append(FileNote(name=path, reason=f"{reason}: the file itself is not in the bag"))
    elif error.errno in _NOT_THERE:
        proof.missing.append(FileNote(name=path, reason="is missing"))
    elif not attached(held.device):
        raise OSError(errno.ENODEV, "the drive of the bag is no longer there") from error
    else:
        proof.unreadable.append(FileNote(name=path, reason=f"could not be read: {error.strerror}"))


def _reason_against_link(held: HeldFolder, path: bytes, payload: dict[str, str]) -> str | None:
    """None where a link names, in plain words, a file of the same bag with the digest that it is listed with itself.

    That file is read under its own name. The link is not followed, only its text is judged.
    """
    target = held.read_link(path)
    goal = goal_in_bag(path, target)
    if goal is not None and payload.get(os.fsdecode(goal)) == payload[os.fsdecode(path)] and _is_file(held, goal):
        return None
    return f"is a link to {shown(target)}"


def goal_in_bag(path: bytes, target: bytes) -> bytes | None:
    """The path in the bag that a link's text names; None where it is absolute, roundabout or leads out."""
    if target.startswith(b"/"):
        return None
    goal = os.path.normpath(os.path.join(os.path.dirname(path), target))
    plain = os.path.relpath(b"/" + goal, b"/" + os.path.dirname(path))
    return goal if target == plain and goal.split(b"/")[0] == b"data" else None


def _digest_past_cache(held: HeldFolder, path: bytes, advance: Callable[[int], None]) -> tuple[str, Method]:
    """SHA-256 of a file as its medium gives it: O_DIRECT, or where that is refused after dropping its cached pages."""
    descriptor = held.open_file(path)
    try:
        return _digest(descriptor, advance)
    finally:
        os.close(descriptor)


def _digest(descriptor: int, advance: Callable[[int], None]) -> tuple[str, Method]:
    method: Method = "direct"
    try:
        fcntl.fcntl(descriptor, fcntl.F_SETFL, os.O_DIRECT)
    except OSError:  # this file system has no direct reads
        method = _past_cached_pages(descriptor)
    digest, offset = hashlib.sha256(), 0
    with mmap.mmap(-1, _BLOCK) as buffer, memoryview(buffer) as view:
        while True:
            try:
                count = os.preadv(descriptor, [buffer], offset)
            except OSError as error:
                if error.errno != errno.EINVAL or method != "direct":
                    raise
                method = _past_cached_pages(descriptor)  # it said it had, and has not
                continue
            if not count:
                return digest.hexdigest(), method
            digest.update(view[:count])
            offset += count
            advance(count)


def _past_cached_pages(descriptor: int) -> Method:
    fcntl.fcntl(descriptor, fcntl.F_SETFL, 0)
    os.fsync(descriptor)  # a dirty page is not dropped
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    return "cache-dropped"


def check_bag(folder: Path, *, at: str, watch: Watch | None = None) -> BagReceipt | ForeignBag:
    """Check a bag whole: tag files, every payload file, nothing extra.

    Where a bag of ours agrees, its receipt tells when; otherwise it stays as it is.
    Raises BadInput where there is no bag or an empty one, Unavailable where nothing of it can be read, Interrupted
    where somebody asked to stop or the drive has gone.
    """
    try:
        held = HeldFolder.hold(folder)
    except WrongKind as error:
        hint = "Name the bag's own folder."
        raise BadInput(f"is {error.kind}, not a bag's folder", location=str(folder), hint=hint) from error
    except OSError as error:
        raise Unavailable(f"cannot be opened: {error.strerror}", location=str(folder), hint=_RIGHTS) from error
    with held:
        try:
            return _check(held, at, watch or Watch())
        except PermissionError as error:
            raise Unavailable(f"cannot be read: {error.strerror}", location=str(folder), hint=_RIGHTS) from error
        except OSError as error:
            hint = "Connect it again, then verify again."
            raise Interrupted(str(error.strerror), location=str(folder), hint=hint) from error


_RIGHTS = "Run it as the person whom the bag belongs to, or with sudo."


def _check(held: HeldFolder, at: str, watch: Watch) -> BagReceipt | ForeignBag:
    if not _is_file(held, b"bagit.txt"):
        hint = "A copy that was interrupted is gone on with: drivecare copy-files ... --resume"
        raise BadInput("is no BagIt bag: it has no bagit.txt", location=str(held.path), hint=hint)
    listing = read_tag(held, bag.MANIFEST, limit_bytes=1 << 32)
    payload = bag.parse_payload_manifest(listing, origin=str(held.path / bag.MANIFEST))
    tags, receipt = _tag_digests(held), _receipt_of(held)
    contents = dict(held.walk(b"data")) if payload or _exists(held, b"data") else {}
    sizes = (contents.get(os.fsencode(path)) for path in payload)
    total = sum(info.st_size for info in sizes if isinstance(info, os.stat_result) and stat.S_ISREG(info.st_mode))

    def tell(done: int) -> None:
        watch.on_progress(Progress("reading back", done, total))
        if reason := watch.stop_reason():
            raise Interrupted(reason, location=str(held.path), hint="Nothing was changed: verify it again.")

    proof = read_payload(held, payload, tell)
    if proof.nothing_read:
        reason = proof.unreadable[0].reason.removeprefix("could not be read: ")
        what = f"none of its {len(proof.unreadable):,} files can be read: {reason}"
        raise Unavailable(what, location=str(held.path), hint=_RIGHTS)
    proof.take(unlisted(contents, payload, held))
    proof.take(read_payload(held, tags, lambda _: None))
    if receipt is not None and bag.sha256(listing) != receipt.manifest_sha256:
        reason = "is not the one the receipt was made for"
        proof.mismatched.append(FileNote(name=bag.MANIFEST, reason=reason))
    if not payload and not (proof.mismatched or proof.missing or proof.unreadable):
        hint = "There is nothing to verify. Look whether the drive was mounted when the bag was made."
        raise BadInput("is an empty bag: its manifest names no file", location=str(held.path), hint=hint)
    return _result(held, receipt, proof, at)


def _result(held: HeldFolder, receipt: BagReceipt | None, proof: BagProof, at: str) -> BagReceipt | ForeignBag:
    mismatched, missing, unreadable = tuple(proof.mismatched), tuple(proof.missing), tuple(proof.unreadable)
    if receipt is None:
        return ForeignBag(
            path=str(held.path),
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
    return _brought_up_to_date(held, receipt) if proof.agrees else receipt


def _brought_up_to_date(held: HeldFolder, receipt: BagReceipt) -> BagReceipt:
    """Put the receipt into the bag; where that cannot be written, the receipt in hand says so."""
    try:
        held.save(os.fsencode(bag.RECEIPT), encode(receipt))
    except OSError as error:
        place = held.path / bag.RECEIPT
        notice = f"{place}: cannot be written: {error.strerror}, so this verification stands only here"
        return msgspec.structs.replace(receipt, notices=(*receipt.notices, notice))
    return receipt


def unlisted(contents: dict[bytes, os.stat_result | OSError], payload: dict[str, str], held: HeldFolder) -> BagProof:
    """What lies in data/ and is in no manifest: RFC 8493 section 3 wants every payload file listed."""
    proof = BagProof()
    for path, info in contents.items():
        name = shown(path)
        if isinstance(info, WrongKind):
            proof.missing.append(FileNote(name=name, reason=str(info.strerror)))
        elif isinstance(info, OSError):
            if not (path == b"data" and info.errno in _NOT_THERE):  # then every file is missing, and is named so
                proof.unreadable.append(FileNote(name=name, reason=f"could not be read: {info.strerror}"))
        elif stat.S_ISDIR(info.st_mode):
            if info.st_dev != held.device:
                proof.mismatched.append(FileNote(name=name, reason="another file system is mounted there"))
        elif os.fsdecode(path) not in payload and not _leads_to_folder(held, path, info, contents):
            kind = "is" if stat.S_ISREG(info.st_mode) else f"is {kind_of(info)}"
            proof.mismatched.append(FileNote(name=name, reason=f"{kind} in data/ but in no manifest"))
    return proof


def _leads_to_folder(
    held: HeldFolder, path: bytes, info: os.stat_result, contents: dict[bytes, os.stat_result | OSError]
) -> bool:
    """Whether this is a link to a folder of the same bag, which holds files under their own names."""
    if not stat.S_ISLNK(info.st_mode):
        return False
    goal = goal_in_bag(path, held.read_link(path))
    there = contents.get(goal) if goal is not None else None
    return goal == b"data" or (isinstance(there, os.stat_result) and stat.S_ISDIR(there.st_mode))


def _tag_digests(held: HeldFolder) -> dict[str, str]:
    if not _exists(held, os.fsencode(bag.TAG_MANIFEST)):  # RFC 8493 section 2.2.1: optional
        return {}
    listed = read_tag(held, bag.TAG_MANIFEST, limit_bytes=1 << 32)
    return bag.parse_manifest(listed, origin=str(held.path / bag.TAG_MANIFEST))


def read_tag(held: HeldFolder, name: str, *, limit_bytes: int) -> bytes:
    """A file of the bag beside data/. Raises BadInput where it is no file of the bag, or too large; Unavailable."""
    where = str(held.path / name)
    try:
        with open(held.open_file(os.fsencode(name)), "rb") as stream:
            size = os.fstat(stream.fileno()).st_size
            content = b"" if size > limit_bytes else stream.read()
    except FileNotFoundError as error:
        raise BadInput("there is no such file", location=where, hint="Check the path.") from error
    except WrongKind as error:
        raise BadInput(f"is {error.kind}, not a file of the bag", location=where) from error
    except OSError as error:
        raise Unavailable(f"cannot be read: {error.strerror}", location=where, hint=_RIGHTS) from error
    if size > limit_bytes:
        raise BadInput(f"is larger than {limit_bytes:,} bytes, too large for this kind of file", location=where)
    return content


def _receipt_of(held: HeldFolder) -> BagReceipt | None:
    if not _exists(held, os.fsencode(bag.RECEIPT)):
        return None
    origin = str(held.path / bag.RECEIPT)
    return decode(BagReceipt, read_tag(held, bag.RECEIPT, limit_bytes=1 << 30), origin=origin)


def _exists(held: HeldFolder, path: bytes) -> bool:
    try:
        held.status(path)
    except (FileNotFoundError, WrongKind):
        return False
    return True


def _is_file(held: HeldFolder, path: bytes) -> bool:
    return _exists(held, path) and stat.S_ISREG(held.status(path).st_mode)
