"""One copy of real media, from the two paths to the receipt on the disk: plan, guard, open, guard again, copy."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from drivecare.documents import encode, load, save
from drivecare.errors import BadInput, Refused
from drivecare.hardware.media import PATIENCE_SECONDS, Pool, open_source, open_target
from drivecare.hardware.person import hand_over
from drivecare.hardware.sides import find_source, find_target
from drivecare.reading.model import Drive
from drivecare.transfer.conclude import copy, new_journal, now
from drivecare.transfer.engine import Settings
from drivecare.transfer.guards import Side, Wishes, check, check_unmoved, same_end
from drivecare.transfer.journal import Journal, JournalFile, Parent
from drivecare.transfer.port import Medium, Watch
from drivecare.transfer.probe import probe_target
from drivecare.transfer.receipt import End, Receipt

RECEIPT_SUFFIX, JOURNAL_SUFFIX = ".receipt.json", ".journal.json"


@dataclass(frozen=True, kw_only=True)
class Request:
    """What to copy where, and how.

    `ask` gives what the drive at a path says of itself, or None; `through` may put something between the engine and the
    source (the demo's bad sectors). `say` takes a sentence for the user. `known`: receipts of earlier copies, oldest
    first, one of which may be of the source image.
    """

    source: str
    target: str
    receipt: Path
    journal: Path
    resume: bool = False
    wishes: Wishes = field(default_factory=Wishes)
    probe: bool = False
    known: tuple[Receipt, ...] = ()
    settings: Settings = field(default_factory=Settings)
    patience_seconds: float = PATIENCE_SECONDS
    ask: Callable[[str], Drive | None] = lambda _: None
    through: Callable[[Medium], Medium] = lambda medium: medium
    say: Callable[[str], None] = lambda _: None
    watch: Watch = field(default_factory=Watch)


def places(target: str, folder: Path | None = None) -> tuple[Path, Path]:
    """Where receipt and journal lie: beside an image, in the working folder for a device, or in `folder`."""
    path = Path(target)
    beside = Path() if path.is_block_device() else path.parent
    where = folder if folder is not None else beside
    return where / (path.name + RECEIPT_SUFFIX), where / (path.name + JOURNAL_SUFFIX)


def journal_beside(receipt: Path) -> Path:
    """The journal's place when the receipt's was given."""
    name = receipt.name.removesuffix(".json").removesuffix(".receipt")
    return receipt.with_name(name + JOURNAL_SUFFIX)


def run(request: Request) -> Receipt:
    """Copy, verify, write the receipt. Raises Refused, BadInput, Unavailable, Interrupted."""
    source = find_source(request.source, request.ask(request.source))
    target = find_target(request.target, request.ask(request.target))
    store = JournalFile(request.journal)
    former = _former(request, store)
    parent = _parent(request, source)
    if parent is not None and parent.origin.logical_sector_bytes is not None:
        source = msgspec.structs.replace(source, table_sector_bytes=parent.origin.logical_sector_bytes)
    wishes = msgspec.structs.replace(request.wishes, resuming=former is not None)
    check(source, target, wishes)
    journal = _begin(former, source, target, wishes, parent)
    if former is None:
        _put_aside(request.receipt, request.say)
    store.save(journal)
    hand_over(request.journal)
    receipt = _copy(request, source, target, wishes, journal, store, fresh=former is None)
    known = store.load()
    if not receipt.verified and former is not None and former.phase == "done" and known is not None:
        request.say("The target has changed since it was verified: the areas that differ are copied again.")
        receipt = _copy(request, source, target, wishes, known, store, fresh=False)
    save(request.receipt, encode(receipt))
    hand_over(request.receipt)
    return receipt


def _copy(
    request: Request,
    source: Side,
    target: Side,
    wishes: Wishes,
    journal: Journal,
    store: JournalFile,
    *,
    fresh: bool,
) -> Receipt:
    image_bytes = None if target.is_device else journal.bytes_total
    with contextlib.ExitStack() as held:
        pool = Pool()
        held.callback(pool.close)
        reading = held.enter_context(open_source(request.source, pool, was_read_only=journal.source_was_read_only))
        writing = held.enter_context(open_target(request.target, pool, image_bytes=image_bytes, fresh=fresh))
        reading.patience_seconds = writing.patience_seconds = request.patience_seconds
        _check_again(source, target, wishes)
        if not target.is_device and not target.exists:
            hand_over(Path(request.target))
        if reading.set_read_only:
            journal = msgspec.structs.replace(journal, source_was_read_only=False)
        if request.probe and fresh and target.is_device:
            probe_target(writing, pool.buffers[0])
        for what, medium in (("source", reading), ("target", writing)):
            if not medium.direct:
                request.say(f"The {what} allows no direct transfers, so they go through this machine's cache.")
        return copy(request.through(reading), writing, journal, store, pool.buffers, request.settings, request.watch)


def _check_again(source: Side, target: Side, wishes: Wishes) -> None:
    """Both are held now: are they still what was planned, and does every guard still pass?"""
    opened = find_source(source.end.path, source.drive)
    check_unmoved(source, opened)
    again = find_target(target.end.path, target.drive, look_inside=False) if target.exists else target
    if target.is_device:
        check_unmoved(target, again)
    check(
        msgspec.structs.replace(opened, table_sector_bytes=source.table_sector_bytes),
        msgspec.structs.replace(again, content=target.content, read_only=target.read_only),
        wishes,
    )


def _former(request: Request, store: JournalFile) -> Journal | None:
    """The journal to go on from. Raises Refused where one lies there that must not be written over."""
    journal = store.load() if request.resume or store.path.exists() else None
    if journal is None or request.resume:
        return journal
    if journal.phase == "done":
        return None
    raise Refused(
        "the journal of an unfinished copy lies there",
        guard="unfinished-copy",
        where=str(store.path),
        hint="Go on with --resume, or move it away to begin anew",
    )


def _begin(former: Journal | None, source: Side, target: Side, wishes: Wishes, parent: Parent | None) -> Journal:
    """The journal of this session. Raises Refused where the former one speaks of other media."""
    if former is None:
        end = target.end if target.is_device else msgspec.structs.replace(target.end, size_bytes=source.end.size_bytes)
        fresh = new_journal(source.end, end, started=now(), parent=parent)
        used = tuple(name for name in wishes.acknowledged if target.content is not None)
        return msgspec.structs.replace(fresh, acknowledged=used)
    if target.end.kind == "image" and target.end.size_bytes == 0 and not former.copied:
        target = msgspec.structs.replace(target, end=former.target)  # stopped before the image got its size
    for what, was, is_ in (("source", former.source, source.end), ("target", former.target, target.end)):
        if not same_end(was, is_):
            raise Refused(
                f"the {what} is not the one this copy began with ({_name(was)}, now {_name(is_)})",
                guard="other-medium",
                where=is_.path,
                hint="Connect that one, or move the journal away and begin anew",
            )
    return msgspec.structs.replace(former, sessions=former.sessions + 1, phase="copying")


def _name(end: End) -> str:
    named = " ".join(part for part in (end.model, end.serial) if part) or end.kind
    return f"{named}, {end.size_bytes:,} bytes"


def _parent(request: Request, source: Side) -> Parent | None:
    """What a receipt says of a source image: one the request knows, or the one beside it; None where there is none."""
    if source.is_device:
        return None
    for receipt in (*reversed(request.known), *_beside(request)):
        same_file = Path(receipt.target.path).resolve() == Path(request.source).resolve()
        moved = Path(receipt.target.path).name == Path(request.source).name
        proven = receipt.verified and receipt.bytes_total == source.end.size_bytes
        if proven and (same_file or moved) and receipt.digest.whole is not None:
            return Parent(
                whole=receipt.digest.whole,
                parents=receipt.parents,
                unreadable=receipt.unreadable,
                origin=receipt.origin or receipt.source,
            )
    return None


def _beside(request: Request) -> tuple[Receipt, ...]:
    beside = Path(request.source + RECEIPT_SUFFIX)
    if not beside.exists():
        return ()
    try:
        return (load(Receipt, beside),)
    except BadInput as error:
        request.say(f"{error.message()} The copy goes on without it.")
        return ()


def _put_aside(receipt: Path, say: Callable[[str], None]) -> None:
    """Keep the receipt of an earlier copy under another name: it is the proof of that one."""
    if not receipt.exists():
        return
    stamp = int(receipt.stat().st_mtime)
    kept = receipt.with_name(f"{receipt.name.removesuffix('.json')}.{stamp}.json")
    os.replace(receipt, kept)  # noqa: PTH105  atomic, and says so
    say(f"The receipt of an earlier copy is kept as {kept}.")
