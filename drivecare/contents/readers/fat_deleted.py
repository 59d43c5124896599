"""What a folder of FAT or exFAT still tells of deleted files. Layouts: as in `fat`.

FAT    all but the first letter of the short name, the whole long name, the size, and where the file began; where
       it went on was forgotten with its chain in the table of clusters
exFAT  everything: only a bit says that it is out of use. A file in one piece has its whole place
"""

from __future__ import annotations

import codecs
import struct
from collections.abc import Iterator
from dataclasses import dataclass

_ENTRY = 32
_DELETED, _LAST = 0xE5, 0x00
_LONG_NAME, _LABEL, _DIRECTORY = 0x0F, 0x08, 0x10
_MOST_PIECES = 20  # of a long name: 255 letters, 13 in each; of exFAT 15 in each, after an entry for the place
_IN_USE, _FILE, _STREAM, _NAME, _IN_ONE_PIECE = 0x80, 0x85, 0xC0, 0xC1, 0x2
_decode_utf16 = codecs.lookup("utf-16-le").decode  # now: once confined, the process can load no codec


@dataclass(frozen=True, slots=True)
class DeletedEntry:
    """An entry of a folder that is out of use. `in_one_piece`: its clusters follow one another."""

    name: str
    cluster: int
    size_bytes: int
    is_folder: bool
    in_one_piece: bool = False


def deleted_in_fat(content: bytes, *, folder_deleted: bool = False) -> Iterator[DeletedEntry]:
    """The deleted entries of a folder; of one that was deleted itself, all entries."""
    pieces: list[bytes] = []  # of a long name, which stand before the short one, the last piece first
    for at in range(0, len(content) - _ENTRY + 1, _ENTRY):
        entry = content[at : at + _ENTRY]
        if entry[0] == _LAST:
            return
        if entry[11] & 0x3F == _LONG_NAME:
            pieces.append(entry)
            continue
        if (folder_deleted or entry[0] == _DELETED) and not entry[11] & _LABEL and entry[0] != ord("."):
            high, low, size = struct.unpack_from("<H4xHI", entry, 20)
            name = _long_name(entry, pieces) or _short_name(entry)
            yield DeletedEntry(name, high << 16 | low, size, bool(entry[11] & _DIRECTORY))
        pieces = []


def _long_name(entry: bytes, pieces: list[bytes]) -> str:
    """The long name, if its checksum is that of the short name with the lost letter put back; else ""."""
    own = [piece for piece in pieces[-_MOST_PIECES:] if piece[13] == pieces[-1][13]]
    letters = b"".join(piece[1:11] + piece[14:26] + piece[28:32] for piece in reversed(own))
    name = _decode_utf16(letters, "replace")[0].partition("\0")[0]
    if not name:
        return ""
    first = name[0].upper().encode("ascii", "replace") if entry[0] == _DELETED else entry[:1]
    total = 0
    for byte in first + entry[1:11]:  # FAT specification, page 28
        total = ((total & 1) << 7) + (total >> 1) + byte & 0xFF
    return name if total == own[0][13] else ""


def _short_name(entry: bytes) -> str:
    letters = (b"?" if entry[0] == _DELETED else entry[:1]) + entry[1:11]
    name, ending = (part.decode("ascii", "replace").rstrip() for part in (letters[:8], letters[8:]))
    return f"{name}.{ending}" if ending else name


def deleted_in_exfat(content: bytes) -> Iterator[DeletedEntry]:
    """The deleted entries of a folder, each of which is a set of several whose checksum still holds."""
    firsts = content[::_ENTRY]
    place = firsts.find(_FILE & ~_IN_USE)
    while place >= 0:
        entries = content[place * _ENTRY : (place + 1 + content[place * _ENTRY + 1]) * _ENTRY]
        if (entry := _decode_set(entries)) is not None:
            yield entry
        place = firsts.find(_FILE & ~_IN_USE, place + 1)


def _decode_set(content: bytes) -> DeletedEntry | None:
    """A set of entries as it was when it was in use; None where it is not whole."""
    if not 3 * _ENTRY <= len(content) <= (_MOST_PIECES + 2) * _ENTRY:
        return None
    in_use = bytearray(content)
    for at in range(0, len(in_use), _ENTRY):
        in_use[at] |= _IN_USE
    checksum = 0
    for at, byte in enumerate(in_use):  # exFAT specification, section 6.3.3
        if at not in (2, 3):
            checksum = ((checksum & 1) << 15) + (checksum >> 1) + byte & 0xFFFF
    entries = [bytes(in_use[at : at + _ENTRY]) for at in range(0, len(in_use), _ENTRY)]
    if checksum != struct.unpack_from("<H", in_use, 2)[0] or entries[1][0] != _STREAM:
        return None
    cluster, size = struct.unpack_from("<IQ", entries[1], 20)
    letters = b"".join(entry[2:] for entry in entries[2:] if entry[0] == _NAME)
    name = _decode_utf16(letters[: 2 * entries[1][3]], "replace")[0]
    return DeletedEntry(name, cluster, size, bool(entries[0][4] & _DIRECTORY), bool(entries[1][1] & _IN_ONE_PIECE))
