"""What a copy is asked for, and its files: receipt, journal, and the receipts of earlier copies."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from drivecare.documents import encode, load
from drivecare.errors import BadInput, Interrupted, Refused, Unavailable
from drivecare.hardware.device_path import is_device
from drivecare.hardware.media import STUCK_AFTER_SECONDS
from drivecare.storage import write_file
from drivecare.transfer.areas import total
from drivecare.transfer.sectors.digests import Algorithm
from drivecare.transfer.sectors.engine import CopySettings
from drivecare.transfer.sectors.guards import Consent, Endpoint
from drivecare.transfer.sectors.journal import Journal, Parent
from drivecare.transfer.sectors.journal_file import JOURNAL_SUFFIX
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work.result_path import result_path

if TYPE_CHECKING:
    from drivecare.record.port import FiledJob

RECEIPT_SUFFIX = ".receipt.json"


@dataclass(frozen=True, kw_only=True)
class CopyRequest:
    """What to copy where, and how. `receipt` names another place for the receipt than the usual one.

    `folder` is the job whose copy this is: its newest reading tells how large the old drive is, its receipts which
    copy made an image.
    """

    source: str
    target: str
    receipt: Path | None = None
    folder: FiledJob | None = None
    resume: bool = False
    consent: Consent = field(default_factory=Consent)
    probe: bool = False
    settings: CopySettings = field(default_factory=CopySettings)
    whole_algorithm: Algorithm | None = None  # None: that of the image's own receipt, else SHA-256
    patience_seconds: float = STUCK_AFTER_SECONDS

    @property
    def receipt_path(self) -> Path:
        """Where the receipt is written."""
        return self.receipt or result_path(self.target, RECEIPT_SUFFIX, self.folder)

    @property
    def journal_path(self) -> Path:
        """Where the journal is kept, beside the receipt."""
        name = self.receipt_path.name.removesuffix(".json").removesuffix(".receipt")
        return self.receipt_path.with_name(name + JOURNAL_SUFFIX)


def with_free_names(request: CopyRequest) -> CopyRequest:
    """The same copy, its receipt and journal under the first names that are free: sdc-2.receipt.json."""
    usual = request.receipt_path
    name = usual.name.removesuffix(RECEIPT_SUFFIX)
    others = (replace(request, receipt=usual.with_name(f"{name}-{number}{RECEIPT_SUFFIX}")) for number in count(2))
    return next(other for other in others if not any(map(os.path.lexists, (other.receipt_path, other.journal_path))))


def request_also(request: CopyRequest, image: str, typed: str | None) -> CopyRequest:
    """The request for an image that is made in the same pass; `typed`: its path, where it may be overwritten.

    Its receipt has the usual place. Raises BadInput for a drive.
    """
    if is_device(image):
        raise BadInput("is a drive", location=image, hint="Name it as the target, and an image file with --also")
    consent = msgspec.structs.replace(request.consent, allow_overwrite=typed)
    return replace(request, target=image, receipt=None, probe=False, consent=consent)


class ReceiptNotKept(Interrupted):
    """Everything is copied and read back, but `receipt`, which is to be shown, could not be written."""

    def __init__(self, receipt: Receipt, error: Unavailable) -> None:
        self.receipt = receipt
        super().__init__(
            f"all is copied, but the receipt {error.problem}",
            location=error.location,
            hint="Make room there; --resume reads the target back again and writes the receipt",
        )


def refuse_paperwork_places(requests: Sequence[CopyRequest]) -> None:
    """Raise Refused where receipt or journal would take the place of a side of the copy, or of another file."""
    taken = {Path(end).resolve() for request in requests for end in (request.source, request.target)}
    for request in requests:
        _refuse_places_of(request, taken)
        taken |= {request.receipt_path.resolve(), request.journal_path.resolve()}


def _refuse_places_of(request: CopyRequest, taken: set[Path]) -> None:
    receipt = request.receipt_path
    for path in (receipt, request.journal_path):
        if path.resolve() in taken or (path.exists() and not path.is_file()):
            raise Refused(
                "the receipt and its journal need files of their own",
                guard="receipt-place",
                location=str(path),
                hint="Name another one with --receipt",
            )
    if receipt.exists():
        try:
            load(Receipt, receipt)
        except BadInput as error:
            hint = "Nothing is overwritten unasked: name another one with --receipt, or move that file away"
            raise Refused(error.problem, guard="receipt-place", location=str(receipt), hint=hint) from error


def find_finished(request: CopyRequest, journal: Journal, filed: Iterable[Receipt]) -> Receipt | None:
    """The receipt of a copy that its journal calls done, if nothing is left to do by what was `filed` of it since."""
    if journal.phase != "done" or not request.receipt_path.exists():
        return None
    receipt = load(Receipt, request.receipt_path)
    later = [other for other in filed if (other.started, other.instead_of) == (receipt.started, None)]
    newest = later[-1] if later else receipt
    return receipt if receipt.started == journal.started and receipt.verified and newest.verified else None


def save_receipt(path: Path, receipt: Receipt) -> None:
    """Write the receipt. Raises ReceiptNotKept."""
    try:
        write_file(path, encode(receipt), replace=True)
    except Unavailable as error:
        raise ReceiptNotKept(receipt, error) from error


def put_aside(receipt: Path, notify: Callable[[str], None]) -> None:
    """Keep the receipt of an earlier copy under another name: it is the proof of that one."""
    if not receipt.exists():
        return
    stem = f"{receipt.name.removesuffix('.json')}.{int(receipt.stat().st_mtime)}"
    names = (receipt.with_name(f"{stem}{suffix}.json") for suffix in ("", *(f"-{number}" for number in range(2, 1000))))
    free_name = next(name for name in names if not os.path.lexists(name))
    receipt.rename(free_name)
    notify(f"The receipt of an earlier copy is kept as {free_name}.")


def find_parent(
    source: Endpoint, path: str, receipts: Iterable[Receipt], notify: Callable[[str], None]
) -> Parent | None:
    """The copy that made a source image: by one of `receipts`, newest first, or by the one beside it; else None."""
    if source.is_device:
        return None
    for receipt in (*receipts, *_receipt_beside(path, notify)):
        image = Path(receipt.target.path)
        same_file = image.resolve() == Path(path).resolve() or image.name == Path(path).name
        if same_file and receipt.unread:
            notify(
                f"{path} stopped at what is used: {total(receipt.unread):,} bytes of the drive are not in it, and what "
                "is copied from it proves nothing of the drive. Read the rest first: drivecare copy ... --resume"
            )
            return None
        proven = receipt.verified and receipt.bytes_total == source.end.size_bytes
        if same_file and proven and receipt.digest.whole is not None:
            return Parent(
                whole=receipt.digest.whole,
                whole_algorithm=receipt.digest.whole_algorithm,
                parents=receipt.parents,
                # What lies there is looked up anew on this copy, and the names of files stay where they are.
                unreadable=tuple(msgspec.structs.replace(area, holds=()) for area in receipt.unreadable),
                origin=receipt.origin or receipt.source,
            )
    return None


def _receipt_beside(image: str, notify: Callable[[str], None]) -> tuple[Receipt, ...]:
    path = Path(image + RECEIPT_SUFFIX)
    if not path.exists():
        return ()
    try:
        return (load(Receipt, path),)
    except BadInput as error:
        notify(f"{error.message()} The copy continues without it.")
        return ()


def named_target(receipt: Receipt, path: Path) -> str:
    """The target the receipt names; an image also beside the receipt, if both were moved together."""
    named = Path(receipt.target.path)
    beside = path.parent / named.name
    try:
        moved = receipt.target.kind == "image" and not named.exists() and beside.is_file()
    except ValueError:  # no path can be like that
        moved = False
    return str(beside) if moved else receipt.target.path
