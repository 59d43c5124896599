"""What the shop writes down about a customer, kept apart from the results of a job, which are never erased.

    0007-fact-...json    that there is a note; `words` is their length and digest
    note-0007.json       the words: in no chain, no export and on no sheet, gone with `job close --forget`

The digest is an HMAC by a key that only the second file holds, as for the names of files. Words are erased by an entry
that says so (`erased`), and by nothing else: whoever files that entry erases them, in whichever store.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import msgspec

from drivecare.documents import Value, decode, encode
from drivecare.errors import BadInput
from drivecare.job.attestations import is_of_customer
from drivecare.job.contents import FiledDocument, JobContents
from drivecare.job.file_names import keyed_digest
from drivecare.job.model import Closing, Fact, Withdrawal, WordsApart
from drivecare.job.result_files import document_kind

_KEY_BYTES = 32
_FILE_NAME = re.compile(r"note-([0-9]{4,5})\.json")
ERASING = (document_kind(Closing), document_kind(Withdrawal))
"""The kinds of entries that may erase."""


class CustomerNote(Value, frozen=True, kw_only=True):
    """The words of a note about the customer. `key` is that of the digest in the fact, in hexadecimal."""

    schema: Literal["drivecare/customer-note-1"] = "drivecare/customer-note-1"
    key: str
    words: str


@dataclass(frozen=True, kw_only=True)
class NoteKept:
    """A note about the customer; `words` is None where they are gone, `altered` or not within reach.

    `exists`: whether there are any words to erase.
    """

    fact: FiledDocument[Fact]
    path: Path
    words: str | None
    altered: bool
    exists: bool


def note_file(folder: Path, number: int) -> Path:
    """The place of the words of the fact with this number."""
    return folder / f"note-{number:04}.json"


def note_number(name: str) -> int | None:
    """The number of the fact whose words a file of this name holds; None for any other file."""
    match = _FILE_NAME.fullmatch(name)
    return int(match[1]) if match is not None else None


def separate_words(document: Value) -> tuple[Value, bytes]:
    """A document as a job files it, and the content of its file of words; b"" where it is no note about a customer."""
    if not isinstance(document, Fact) or not is_of_customer(document) or document.note is None:
        return document, b""
    key = secrets.token_bytes(_KEY_BYTES)
    content = encode(CustomerNote(key=key.hex(), words=document.note))
    words = WordsApart(length=len(content), digest=keyed_digest(key, content))
    return msgspec.structs.replace(document, note=None, words=words), content


def notes_kept(contents: JobContents) -> tuple[NoteKept, ...]:
    """Every note about the customer in the order of filing, withdrawn ones included: their words are there, too."""
    # That a result is malformed, the gate says.
    facts = [
        *contents.documents(Fact, doubtful=contents.names),
        *contents.withdrawn_documents(Fact, doubtful=contents.names),
    ]
    return tuple(
        _describe(contents, fact) for fact in sorted(facts, key=lambda fact: fact.number) if fact.document.words
    )


def _describe(contents: JobContents, fact: FiledDocument[Fact]) -> NoteKept:
    path = note_file(contents.path, fact.number)
    words, present = _read(contents, path, fact.document.words), path.name in contents.names
    erased = {number for kind in (Closing, Withdrawal) for number in _erased_by(contents, kind)}
    return NoteKept(
        fact=fact,
        path=path,
        words=words,
        altered=present and words is None,
        # Without the record nobody can look whether they are there; nothing but an entry erases them.
        exists=present or (contents.away is not None and fact.number not in erased),
    )


def _erased_by(contents: JobContents, kind: type[Closing] | type[Withdrawal]) -> Iterator[int]:
    for find in (contents.documents, contents.withdrawn_documents):
        for entry in find(kind, doubtful=contents.names):
            yield from entry.document.erased


def _read(contents: JobContents, path: Path, words: WordsApart | None) -> str | None:
    if path.name not in contents.names or words is None:
        return None
    try:
        content = contents.fetch(path)
        note = decode(CustomerNote, content, origin=str(path))
        digest = keyed_digest(bytes.fromhex(note.key), content)
    except (OSError, BadInput, ValueError):
        return None
    return note.words if hmac.compare_digest(digest, words.digest) else None


def note_contents(contents: JobContents) -> Iterator[tuple[int, bytes]]:
    """The number and the content of every file of words, for another record or another job. Raises OSError."""
    for name in sorted(contents.names):
        number = note_number(name)
        if number is not None:
            yield number, contents.fetch(contents.path / name)


def erased_notes(data: bytes, kind: str) -> tuple[int, ...]:
    """The numbers of the notes whose words an entry erases when it is filed."""
    return decode(_Entry, data, origin="document").erased if kind in ERASING else ()


class _Entry(Value, frozen=True, kw_only=True):
    erased: tuple[int, ...] = ()
