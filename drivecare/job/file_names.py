"""The names of a customer's files, kept apart from the receipts of a job, which last longer and are sent about.

    0007-receipt-...json   kinds, sizes and bytes of what was hit; `names` is the length and the digest of
    names-0007.json        the names: readable by its owner alone, in no chain, gone with `job close --forget`

A name can be guessed, and a plain digest would tell whether the guess is right. So it is an HMAC (RFC 2104) of the
whole file by a key that only the file holds. By the digest a receipt finds its names, whatever number they were
filed under: a verification filed later tells of the same names, and a receipt that was moved has another number.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Literal

import msgspec

from drivecare.documents import Value, decode, encode
from drivecare.errors import BadInput
from drivecare.job.result_files import LIMIT_BYTES
from drivecare.storage import regular_file
from drivecare.transfer.holds import Hold
from drivecare.transfer.sectors.receipt import NamesApart, Receipt

_KEY_BYTES = 32
_FILE_NAME = re.compile(r"names-[0-9a-z-]+\.json")


class FileNames(Value, frozen=True, kw_only=True):
    """Names of files that a receipt tells of by their numbers: `paths` begins with that of file 1.

    `key` is that of the digest in the receipt, in hexadecimal.
    """

    schema: Literal["drivecare/names-1"] = "drivecare/names-1"
    key: str
    paths: tuple[str, ...]


def names_file(folder: Path, mark: str) -> Path:
    """The place of the names that are filed with a result: `mark` is its number, if it has one already."""
    return folder / f"names-{mark}.json"


def is_names_file(path: Path) -> bool:
    """Whether a file of a job's folder is named as one of names."""
    return _FILE_NAME.fullmatch(path.name) is not None


def separate_names(document: Value) -> tuple[Value, bytes]:
    """A document as a job files it, and the content of its file of names; b"" where it names no file.

    Only a receipt names files. Its numbers of files stay, by which `with_names` finds the names again.
    """
    if not isinstance(document, Receipt):
        return document, b""
    paths = {hold.file: hold.path for area in document.lost_areas for hold in area.holds if hold.path is not None}
    if not paths:
        return document, b""
    key = secrets.token_bytes(_KEY_BYTES)
    numbers = range(1, max(number or 0 for number in paths) + 1)
    content = encode(FileNames(key=key.hex(), paths=tuple(paths.get(number, "") for number in numbers)))
    apart = NamesApart(length=len(content), digest=keyed_digest(key, content))
    return msgspec.structs.replace(without_names(document), names=apart), content


def without_names(receipt: Receipt) -> Receipt:
    """The receipt without any name of a file, and without a word of where they are."""
    return msgspec.structs.replace(_with_paths(receipt, lambda _: None), names=None)


def as_kept(receipt: Receipt) -> Receipt:
    """The receipt as a file beside its copy holds it: with names where no job keeps them apart."""
    return receipt if receipt.job is None else without_names(receipt)


def as_filed(receipt: Receipt, filed: Iterable[Receipt]) -> Receipt:
    """The receipt with the word of where its names are, which the file beside a job's copy lacks: by those `filed`."""
    if receipt.names is not None:
        return receipt
    lost = without_names(receipt).lost_areas
    same_copy = (other for other in filed if other.names is not None and other.started == receipt.started)
    names = next((other.names for other in same_copy if without_names(other).lost_areas == lost), None)
    return msgspec.structs.replace(receipt, names=names) if lost == receipt.lost_areas else receipt


def with_names(receipt: Receipt, folder: Path) -> Receipt:
    """The receipt with the names that lie apart in the job's folder, for a screen; without where they are gone."""
    place = find_names(folder, receipt.names) if receipt.names is not None else None
    if place is None:
        return receipt
    by_number = dict(enumerate(_decode(place[1]).paths, 1))
    return _with_paths(receipt, lambda hold: by_number.get(hold.file or 0))


def _with_paths(receipt: Receipt, path_of: Callable[[Hold], str | None]) -> Receipt:
    """The receipt with other paths of what its areas hold."""
    return receipt.with_holds(
        tuple(msgspec.structs.replace(hold, path=path_of(hold)) for hold in area.holds) for area in receipt.lost_areas
    )


def find_names(folder: Path, apart: NamesApart) -> tuple[Path, bytes] | None:
    """The file of names that a receipt tells of and its content; None if no file there is just that."""
    return next(places_of_names(folder, apart), None)


def places_of_names(folder: Path, apart: NamesApart) -> Iterator[tuple[Path, bytes]]:
    """Every such file: an answer of a server that never came may have left two."""
    for path in sorted(folder.glob("names-*.json")):
        try:
            with regular_file(path, LIMIT_BYTES) as stream:
                content = stream.read()
            key = bytes.fromhex(_decode(content).key)
        except (OSError, BadInput, ValueError):
            continue
        if hmac.compare_digest(keyed_digest(key, content), apart.digest):
            yield path, content


def _decode(content: bytes) -> FileNames:
    return decode(FileNames, content, origin="the names of files")


def keyed_digest(key: bytes, content: bytes) -> str:
    """The digest by which what is kept apart is known again."""
    return hmac.digest(key, content, "sha256").hex()
