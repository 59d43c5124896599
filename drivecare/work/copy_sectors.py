"""One copy of real media, from the two paths to the receipt on the disk: plan, guard, open, guard again, copy."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from drivecare.clock import WallClock
from drivecare.documents import encode, load
from drivecare.errors import BadInput, Interrupted, Refused, Unavailable
from drivecare.hardware.device_path import is_device
from drivecare.hardware.endpoints import begin_alike, examine_source, examine_target
from drivecare.hardware.media import STUCK_AFTER_SECONDS, BufferPool, Patience, RealMedium
from drivecare.hardware.opening import hold_source, hold_target
from drivecare.reading.model import Drive
from drivecare.storage import write_file
from drivecare.transfer.areas import total
from drivecare.transfer.interruption import as_interruption
from drivecare.transfer.medium import Gone, Medium, Stuck, Watch
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.guards import Consent, Endpoint, answered_guards, check_guards, check_unmoved, same_end
from drivecare.transfer.sectors.journal import Journal, Parent, new_journal, pack, unpack
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.probe import probe_target
from drivecare.transfer.sectors.receipt import End, Note, Receipt

RECEIPT_SUFFIX, JOURNAL_SUFFIX = ".receipt.json", ".journal.json"


@dataclass(frozen=True, kw_only=True)
class Request:
    """What to copy where, and how.

    `job` is the job whose copy this is, `assessed` the drive to copy as that job's reading describes it. `ask` gives
    what the drive at a path says of itself, or None; `through` may put something between the engine and the source
    (the demo's bad sectors). `say` takes a sentence for the user. `known`: receipts of earlier copies, oldest first,
    one of which may be of the source image.
    """

    source: str
    target: str
    receipt: Path
    journal: Path
    job: str | None = None
    resume: bool = False
    wishes: Consent = field(default_factory=Consent)
    probe: bool = False
    known: tuple[Receipt, ...] = ()
    assessed: Drive | None = None
    settings: CopySettings = field(default_factory=CopySettings)
    patience_seconds: float = STUCK_AFTER_SECONDS
    ask: Callable[[str], Drive | None] = lambda _: None
    through: Callable[[Medium], Medium] = lambda medium: medium
    say: Callable[[str], None] = lambda _: None
    watch: Watch = field(default_factory=Watch)

    @property
    def patience(self) -> Patience:
        """How long a call on either side may take."""
        return Patience(seconds=self.patience_seconds, stop_reason=self.watch.stop_reason)


def places(target: str, folder: Path | None = None) -> tuple[Path, Path]:
    """Where receipt and journal lie: beside an image, in the working folder for a device, or in `folder`."""
    path = Path(target)
    beside = Path() if is_device(path) else path.parent
    where = folder if folder is not None else beside
    return where / (path.name + RECEIPT_SUFFIX), where / (path.name + JOURNAL_SUFFIX)


def journal_beside(receipt: Path) -> Path:
    """The journal's place when the receipt's was given."""
    name = receipt.name.removesuffix(".json").removesuffix(".receipt")
    return receipt.with_name(name + JOURNAL_SUFFIX)


class ReceiptNotKept(Interrupted):
    """All is copied and read back, but the receipt could not be written; it is in `receipt`, to be shown."""

    def __init__(self, receipt: Receipt, error: Unavailable) -> None:
        self.receipt = receipt
        super().__init__(
            f"all is copied, but the receipt {error.problem}",
            location=error.location,
            hint="Make room there; --resume reads the target back again and writes the receipt",
        )


def run(request: Request) -> Receipt:
    """Copy, verify, write the receipt. Raises Refused, BadInput, Unavailable, Interrupted."""
    _refuse_as_paperwork(request)
    store = JournalFile(request.journal)
    former = _former(request, store)
    try:
        return _run(request, store, former)
    except (Gone, Stuck, Interrupted) as error:  # before the first byte; the engine finds words of its own
        raise as_interruption(error, request.target, "looking", total(former.copied) if former else 0) from error


def _run(request: Request, store: JournalFile, former: Journal | None) -> Receipt:
    patience = request.patience
    source = examine_source(request.source, request.ask(request.source), patience=patience)
    target = examine_target(request.target, request.ask(request.target), patience=patience)
    patience.raise_if_stopped()
    parent = _parent(request, source)
    if parent is not None and parent.origin.logical_sector_bytes is not None:
        source = msgspec.structs.replace(source, table_sector_bytes=parent.origin.logical_sector_bytes)
    former = None if former is None else _without_what_was_cut_off(former, target)
    source = msgspec.structs.replace(source, assessed=request.assessed)
    journal = _begin(former, source, target, request.wishes, parent, job=request.job)
    wishes = msgspec.structs.replace(
        request.wishes,
        acknowledged=(*request.wishes.acknowledged, *_still_acknowledged(former)),
        resuming=former is not None and _is_begun(former, source, target, patience),
    )
    check_guards(source, target, wishes)
    if former is None:
        _put_aside(request.receipt, request.say)
    _say_what_room(request, journal, target)
    receipt = _copy(request, source, target, wishes, journal, store, fresh=former is None)
    known = store.load()
    if not receipt.verified and former is not None and former.phase == "done" and known is not None:
        request.say("The target has changed since it was verified: the areas that differ are copied again.")
        receipt = _copy(request, source, target, wishes, known, store, fresh=False)
    receipt = msgspec.structs.replace(receipt, notes=(*receipt.notes, *_written_meanwhile(journal, source)))
    _save_receipt(request.receipt, receipt)
    return receipt


_CHANGED = Note(
    code="source-changed",
    text="The source was written to while it was copied: the target holds what was read, of which some may be older "
    "than the rest. Copy anew once nothing writes to it.",
)


_VANISHED = Note(
    code="source-vanished",
    text="The source was no longer there at the end, so nothing tells whether it was written to while it was copied.",
)


def _written_meanwhile(journal: Journal, source: Endpoint) -> tuple[Note, ...]:
    """What to say of an image's time of last change, compared with that at the beginning."""
    if journal.source_modified_ns is None:
        return ()
    try:
        return () if _modified_ns(source) == journal.source_modified_ns else (_CHANGED,)
    except OSError:
        return (_VANISHED,)


def _copy(
    request: Request,
    source: Endpoint,
    target: Endpoint,
    wishes: Consent,
    journal: Journal,
    store: JournalFile,
    *,
    fresh: bool,
) -> Receipt:
    """One session with both sides held. Nothing of either changes before the journal that tells of it is durable."""
    patience = request.patience
    with contextlib.ExitStack() as held:
        pool = BufferPool()
        held.callback(pool.close)
        reading = held.enter_context(
            hold_source(request.source, pool, was_read_only=journal.source_was_read_only, patience=patience)
        )
        begun = msgspec.structs.replace(journal, source_was_read_only=False) if reading.was_writable else journal

        def before_any_change() -> None:
            _check_again(source, target, wishes)
            patience.raise_if_stopped()
            store.save(begun)
            if fresh:
                unless_opened.callback(request.journal.unlink, missing_ok=True)

        with contextlib.ExitStack() as unless_opened:
            writing = held.enter_context(
                hold_target(
                    request.target,
                    pool,
                    image_bytes=None if target.is_device else journal.bytes_total,
                    exists=target.exists,
                    empty_first=fresh,
                    once_held=before_any_change,
                    patience=patience,
                )
            )
            unless_opened.pop_all()
        if reading.forbid_writes():
            journal = begun
        if request.probe and fresh and target.is_device:
            probe_target(writing, pool.buffers[0])
        for what, medium in (("source", reading), ("target", writing)):
            if not medium.direct:
                request.say(f"The {what} allows no direct transfers, so they go through this machine's cache.")
        held.enter_context(_removal_noticed(writing, journal, store))
        return copy_and_prove(
            request.through(reading), writing, journal, store, pool.buffers, request.settings, request.watch
        )


@contextlib.contextmanager
def _removal_noticed(image: RealMedium, journal: Journal, store: JournalFile) -> Iterator[None]:
    """An image whose name is gone takes with it all that was copied: its journal claims nothing of it any more."""
    try:
        yield
    except Interrupted as error:
        if not image.was_removed:
            raise
        store.save(msgspec.structs.replace(journal, copied=()))
        what = "the image was removed while it was written, and with it all that was copied"
        raise Interrupted(what, location=image.path, hint="Copy anew with --resume") from error


def _refuse_as_paperwork(request: Request) -> None:
    """Receipt and journal are files of their own: put where a side lies, they would take its place."""
    sides = {Path(side).resolve() for side in (request.source, request.target)}
    for place in (request.receipt, request.journal):
        if place.resolve() in sides or (place.exists() and not place.is_file()):
            raise Refused(
                "the receipt and its journal need files of their own",
                guard="receipt-place",
                location=str(place),
                hint="Name another one with --receipt",
            )
    if request.receipt.exists():
        try:
            load(Receipt, request.receipt)
        except BadInput as error:
            hint = "Nothing is overwritten unasked: name another one with --receipt, or move that file away"
            raise Refused(error.problem, guard="receipt-place", location=str(request.receipt), hint=hint) from error


def _save_receipt(path: Path, receipt: Receipt) -> None:
    try:
        write_file(path, encode(receipt), replace=True)
    except Unavailable as error:
        raise ReceiptNotKept(receipt, error) from error


def _say_what_room(request: Request, journal: Journal, target: Endpoint) -> None:
    """Before the first byte: whether an image may fill its file system. How much is zero, and so takes no room, is
    known only once it was read, so this is said and no reason to refuse."""
    if target.is_device:
        return
    held = os.stat(request.target).st_blocks * 512 if target.exists else 0  # noqa: PTH116
    source = os.stat(request.source)  # noqa: PTH116
    most = min(journal.bytes_total, source.st_blocks * 512) if stat.S_ISREG(source.st_mode) else journal.bytes_total
    room = os.statvfs(Path(request.target).resolve().parent)
    free = room.f_bavail * room.f_frsize + held
    if most > free:
        request.say(
            f"{request.target} may need {most:,} bytes and has room for {free:,}. Long runs of zeros take no room; if "
            "there are too few of them, the copy stops when the room is used up, and --resume goes on from there."
        )


def _check_again(source: Endpoint, target: Endpoint, wishes: Consent) -> None:
    """Both are held now: are they still what was planned, and does every guard still pass?"""
    opened = examine_source(source.end.path, source.drive, look_inside=False)
    check_unmoved(source, opened)
    again = examine_target(target.end.path, target.drive, look_inside=False) if target.exists else target
    check_unmoved(target, again)
    check_guards(
        msgspec.structs.replace(opened, table_sector_bytes=source.table_sector_bytes, assessed=source.assessed),
        msgspec.structs.replace(
            again, content=target.content, read_only=target.read_only, overwrite_ids=target.overwrite_ids
        ),
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
        location=str(store.path),
        hint="Continue with --resume, or move it away to begin anew",
    )


def _begin(
    former: Journal | None,
    source: Endpoint,
    target: Endpoint,
    wishes: Consent,
    parent: Parent | None,
    *,
    job: str | None = None,
) -> Journal:
    """The journal of this session. Raises Refused where the former one speaks of other media."""
    if former is None:
        end = target.end if target.is_device else msgspec.structs.replace(target.end, size_bytes=source.end.size_bytes)
        fresh = new_journal(source.end, end, started=WallClock().timestamp(), parent=parent)
        names = answered_guards(source, target, wishes)
        return msgspec.structs.replace(fresh, acknowledged=names, source_modified_ns=_modified_ns(source), job=job)
    target_end = target.end
    if target_end.kind == "image":
        target_end = msgspec.structs.replace(target_end, size_bytes=former.target.size_bytes)  # it gets that again
    if former.copied and not target.exists:
        raise Refused(
            "there is no such file, and this copy had begun to write it",
            guard="other-medium",
            location=target_end.path,
            hint="If it was moved, name it where it lies now; otherwise move the journal away and copy anew",
        )
    for what, was, is_ in (("source", former.source, source.end), ("target", former.target, target_end)):
        if not same_end(was, is_):
            raise Refused(
                f"the {what} is not the one this copy began with ({_name(was)}, now {_name(is_)})",
                guard="other-medium",
                location=is_.path,
                hint="Connect that one, or move the journal away and begin anew",
            )
    if former.source_modified_ns not in (None, _modified_ns(source)):
        raise Refused(
            "the source was written to since this copy began, so its parts would not fit together",
            guard="source-changed",
            location=source.end.path,
            hint="Move the journal away and copy anew",
        )
    return msgspec.structs.replace(
        former,
        source=_as_met_now(former.source, source.end),
        target=_as_met_now(former.target, target_end),
        # The flag of a device that was attached again since is its own; one still attached bears ours.
        source_was_read_only=former.source_was_read_only if former.source.attachment == source.end.attachment else None,
        acknowledged=tuple(dict.fromkeys((*former.acknowledged, *answered_guards(source, target, wishes)))),
        sessions=former.sessions + 1,
        phase="copying",
    )


def _without_what_was_cut_off(former: Journal, target: Endpoint) -> Journal:
    """The journal of an image that was shortened since: what it lost is read from the source again."""
    if target.is_device or not target.exists or target.end.size_bytes >= former.target.size_bytes:
        return former
    kept = [part for part in unpack(former.copied, former.chunk_bytes) if part.area.end <= target.end.size_bytes]
    return msgspec.structs.replace(former, copied=pack(kept, former.chunk_bytes))


def _still_acknowledged(former: Journal | None) -> tuple[str, ...]:
    """What a resume need not ask again: the source is the one it was, the target may be another nameless one."""
    return tuple(name for name in former.acknowledged if name == "size") if former is not None else ()


def _is_begun(former: Journal, source: Endpoint, target: Endpoint, patience: Patience) -> bool:
    """Whether the target is the one that this copy began to write, so that what it holds needs no typed name again.

    It is by its own word or name, or by never having been detached. A dock that hides its drive shows another one in
    the same way: then what was copied has to be there, which a resume looks at where it is more than one piece; or
    the target begins as the source does.
    """
    was, is_ = former.target, target.end
    if was.identity.strength == is_.identity.strength == "strong":
        return True
    if not target.exists:
        return True
    if not target.is_device and is_.size_bytes != was.size_bytes:  # it gets its size again, which adds or cuts off
        return is_.size_bytes < was.size_bytes and begin_alike(source, target, patience)
    same_path = Path(was.path).absolute() == Path(is_.path).absolute()
    if not target.is_device and same_path:
        return True
    if was.attachment is not None and was.attachment == is_.attachment:
        return True
    return len(unpack(former.copied, former.chunk_bytes)) > 1 or begin_alike(source, target, patience)


def _modified_ns(side: Endpoint) -> int | None:
    return None if side.is_device else os.stat(side.end.path).st_mtime_ns  # noqa: PTH116


def _as_met_now(was: End, is_: End) -> End:
    """The end as it was identified, under the name and attachment it has today."""
    return msgspec.structs.replace(was, path=is_.path, attachment=is_.attachment)


def _name(end: End) -> str:
    named = " ".join(part for part in (end.model, end.serial) if part) or end.kind
    return f"{named}, {end.size_bytes:,} bytes"


def _parent(request: Request, source: Endpoint) -> Parent | None:
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
    stem = f"{receipt.name.removesuffix('.json')}.{int(receipt.stat().st_mtime)}"
    names = (receipt.with_name(f"{stem}{more}.json") for more in ("", *(f"-{number}" for number in range(2, 1000))))
    kept = next(name for name in names if not os.path.lexists(name))
    receipt.rename(kept)
    say(f"The receipt of an earlier copy is kept as {kept}.")
