"""NTFS. Layouts: kernel, fs/ntfs/layout.h. Its own structures are files, the first 24 of the table of files."""

from __future__ import annotations

import codecs
import struct
from collections.abc import Iterator
from typing import Any

import pyfsntfs

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.tree import DEEPEST, SPARSE, Reader, Stream, extents_of, runs_of_zero_bits
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import HoldKind

_ROOT, _BITMAP, _VOLUME, _EXTEND, _FIRST_FILE = 5, 6, 3, 11, 24
_FILE_NAME, _VOLUME_INFORMATION, _INDEX_ALLOCATION, _ATTRIBUTE_END = 0x30, 0x70, 0xA0, 0xFFFFFFFF
_DATA, _DOS_NAME = 0x80, 2
_FIRST_BYTES = 24  # of a record: its mark and its flags
_IN_USE, _DIRECTORY = 0x1, 0x2
_decode_utf16 = codecs.lookup("utf-16-le").decode  # now: once confined, the process can load no codec
_NUMBER = 0xFFFFFFFFFFFF  # of a reference to a record; above it is how often the record was used
_DIRTY = 0x1
_STRUCTURES = {
    0: "table of files",
    1: "spare start of the table of files",
    2: "journal",
    6: "record of free space",
    7: "boot sector",
    8: "list of bad clusters",
    9: "table of permissions",
}


class NtfsReader(Reader):
    """NTFS, with alternate streams and the indexes of its folders."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self.file_system = "NTFS"
        boot = window.at(0, 512)
        sector_bytes, per_cluster = struct.unpack_from("<HB", boot, 11)
        # More than 128 sectors are written as minus the power of two.
        self.unit_bytes = sector_bytes * (per_cluster if per_cluster <= 128 else 1 << 256 - per_cluster)
        self._starts_of_table = struct.unpack_from("<QQ", boot, 48)
        if not 512 <= self.unit_bytes <= 2 << 20:
            raise OSError("its boot sector makes no sense")
        self._volume = pyfsntfs.volume()
        self._record_bytes = 1024
        self._table: tuple[tuple[int, int, int], ...] = ()
        self._bitmap_entry: Any = None
        self._walked: set[int] = set()  # the records whose names were read in an index

    def open(self) -> None:
        """Have the library read it."""
        self._volume.open_file_object(self.window)
        self.label = self._volume.name or None
        self._record_bytes = self._volume.get_mft_entry_size()
        self._table = extents_of(self._volume.get_file_entry(0))
        self._bitmap_entry = self._volume.get_file_entry(_BITMAP)
        self._count_space()

    def is_clean(self) -> bool:
        """By the flags of the volume."""
        try:
            record = self._record(_VOLUME)
        except OSError:
            return False
        for kind, attribute in _attributes(record):
            if kind == _VOLUME_INFORMATION and not attribute[8]:
                flags = struct.unpack_from("<H", attribute, struct.unpack_from("<H", attribute, 20)[0] + 10)[0]
                return not flags & _DIRTY
        return False

    def _count_space(self) -> None:
        clusters, used = self.window.size_bytes // self.unit_bytes, 0
        try:
            for start in range(0, -(-clusters // 8), 1 << 20):
                bits = self._bitmap(start, min(1 << 20, -(-clusters // 8) - start))
                used += int.from_bytes(bits, "little").bit_count()
        except OSError:
            self.unread += 1
            return
        used = min(used, clusters)  # the bits after the last cluster are set
        self.used_bytes, self.free_bytes = used * self.unit_bytes, (clusters - used) * self.unit_bytes

    def _bitmap(self, start: int, length: int) -> bytes:
        return bytes(self._bitmap_entry.read_buffer_at_offset(length, start))

    def children(self, entry: Any) -> Iterator[tuple[str, Any]]:
        """The entries of a folder, without the file system's own files."""
        for name, child in super().children(entry):
            if (number := self.identity(child)) >= _FIRST_FILE:
                self._walked.add(number)
                yield name, child

    def survey(self, attribution: Attribution) -> None:
        """Walk all names. A file that no index names any more is in the table: a part of an index was lost, or it was
        deleted.
        """
        super().survey(attribution)
        names_lost = self.unread > 0
        if not names_lost and not attribution:
            return
        for number, in_use in self._records():
            try:
                if in_use is not False and names_lost and number not in self._walked:
                    self._survey_record(number, attribution)
                elif in_use is False and attribution:
                    self._claim_deleted(number, attribution)
            except (OSError, struct.error, IndexError):
                self.unread += in_use is not False  # nothing depends on what is left of a deleted file

    def _records(self) -> Iterator[tuple[int, bool | None]]:
        """The records of the table of files, the system's own left out, and whether each is in use; None: not known."""
        number = 0
        for offset, length, _ in self._table:
            for at in range(offset, offset + length, self._record_bytes):
                if number >= _FIRST_FILE:
                    head = self.window.at_or_nothing(at, _FIRST_BYTES)
                    yield number, bool(head[22] & _IN_USE) if head[:4] == b"FILE" else None
                number += 1

    def _claim_deleted(self, number: int, attribution: Attribution) -> None:
        """Where the content of a deleted file lay, as its record still tells."""
        record = self._record(number)
        contents = [content for kind, content in _attributes(record) if kind == _DATA and content[8] and not content[9]]
        if record[22] & _DIRECTORY or not contents:
            return
        try:
            path = self._path(number)
        except (OSError, struct.error, IndexError):
            path = None
        owner = Owner("deleted", path, struct.unpack_from("<Q", contents[0], 48)[0])
        for offset, length, _ in _runs(contents[0], self.unit_bytes):
            if length > 0:
                attribution.claim_deleted(owner, Area(offset=offset, length=length))

    def _survey_record(self, number: int, attribution: Attribution) -> None:
        record = self._record(number)
        flags, base = struct.unpack_from("<H", record, 22)[0], struct.unpack_from("<Q", record, 32)[0] & _NUMBER
        path = self._path(number) if flags & _IN_USE and not base else None
        if path is None:
            return
        assert self.files is not None
        assert self.folders is not None
        self.files += not flags & _DIRECTORY
        self.folders += bool(flags & _DIRECTORY)
        if attribution and flags & _DIRECTORY:
            self.claim_streams(attribution, [self._index(number)], path, "directory", number)
        elif attribution:
            self.claim(attribution, self._volume.get_file_entry(number), path, "file")

    def _path(self, number: int) -> str | None:
        """The path of a file by its own record and those of the folders it lies in; None for the system's own."""
        names: list[str] = []
        while number != _ROOT:
            contents = [
                attribute[struct.unpack_from("<H", attribute, 20)[0] :]
                for kind, attribute in _attributes(self._record(number))
                if kind == _FILE_NAME
            ]
            content = next((content for content in contents if content[65] != _DOS_NAME), None)
            if number < _FIRST_FILE or content is None or len(names) > DEEPEST:
                return None
            names.append(_decode_utf16(content[66 : 66 + 2 * content[64]], "replace")[0])
            (reference,) = struct.unpack_from("<Q", content)
            number = reference & _NUMBER
            if struct.unpack_from("<H", self._record(number), 16)[0] != reference >> 48:
                return None  # the record of that folder is another's by now
        return "/" + "/".join(reversed(names))

    def kind(self, entry: Any) -> HoldKind | None:
        """A directory has an index of names."""
        return "directory" if entry.has_directory_entries_index() else "file"

    def identity(self, entry: Any) -> int:
        """The number of its record in the table of files."""
        return int(entry.file_reference) & _NUMBER

    def streams(self, entry: Any, kind: HoldKind | None) -> Iterator[Stream]:
        """Its content, its alternate streams, and what lies inside its record; of a folder its index."""
        number = self.identity(entry)
        if kind == "directory":
            yield self._index(number)
        else:
            yield Stream("", entry.size, extents_of(entry))
        for index in range(entry.number_of_alternate_data_streams):
            stream = entry.get_alternate_data_stream(index)
            yield Stream(f":{stream.name}", stream.size, extents_of(stream))

    def claim_structures(self, attribution: Attribution) -> None:
        """The file system's own files: the table of files, the journal, the record of free space and others."""
        attribution.claim(Owner("structure", structure="boot sector"), Area(offset=0, length=512))
        if not self._table:  # the library could not open it; the boot sector tells where the table and its spare begin
            for number, cluster in enumerate(self._starts_of_table):
                records = (_FIRST_FILE, 4)[number] * self._record_bytes
                start = Area(offset=cluster * self.unit_bytes, length=records)
                attribution.claim(Owner("structure", structure=_STRUCTURES[number]), start)
            return
        for number in range(_FIRST_FILE):
            try:
                entry = self._volume.get_file_entry(number)
                streams = list(self.streams(entry, "file"))
            except OSError:
                self.unread += 1
                continue
            owner = Owner("structure", structure=_STRUCTURES.get(number, "own records"))
            extents = [extent for stream in streams for extent in stream.extents]
            for offset, length, flags in extents:
                if not flags & SPARSE and length > 0 and number != _ROOT:
                    attribution.claim(owner, Area(offset=offset, length=length))

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the record of free space."""
        unit = self.unit_bytes
        first = area.offset // unit
        last = min((area.end - 1) // unit, self.window.size_bytes // unit - 1)
        if first > last:
            return ()
        bits = self._bitmap(first // 8, last // 8 - first // 8 + 1)
        return tuple(runs_of_zero_bits(bits, first, last, unit, 0))

    def _record(self, number: int) -> bytes:
        """A record of the table of files, its end-of-sector marks put back. Raises OSError."""
        position = number * self._record_bytes
        record = bytearray()
        for offset, length, _ in self._table:
            if 0 <= position < length:
                record += self.window.at(offset + position, self._record_bytes)
            position -= length
        if len(record) < self._record_bytes or record[:4] != b"FILE":
            raise OSError("the record is damaged")
        at, count = struct.unpack_from("<HH", record, 4)
        for index in range(1, count):
            end, source = index * 512, at + 2 * index
            if end <= len(record) and source + 2 <= len(record):
                record[end - 2 : end] = record[source : source + 2]
        return bytes(record)

    def _index(self, number: int) -> Stream:
        """Where the index of a folder lies, which the library does not tell."""
        try:
            attributes = list(_attributes(self._record(number)))
        except OSError:
            self.unread += 1
            attributes = []
        indexes = [content for kind, content in attributes if kind == _INDEX_ALLOCATION and content[8]]
        return Stream("", 0, tuple(run for index in indexes for run in _runs(index, self.unit_bytes)))


def _attributes(record: bytes) -> Iterator[tuple[int, bytes]]:
    at = struct.unpack_from("<H", record, 20)[0]
    while at + 24 <= len(record):
        kind, length = struct.unpack_from("<II", record, at)
        if kind == _ATTRIBUTE_END or length < 24 or at + length > len(record):
            return
        yield kind, record[at : at + length]
        at += length


def _runs(attribute: bytes, cluster_bytes: int) -> Iterator[tuple[int, int, int]]:
    """The extents of an attribute that lies outside its record."""
    at, cluster = struct.unpack_from("<H", attribute, 32)[0], 0
    while at < len(attribute) and attribute[at]:
        of_length, of_offset = attribute[at] & 15, attribute[at] >> 4
        length = int.from_bytes(attribute[at + 1 : at + 1 + of_length], "little")
        at += 1 + of_length
        cluster += int.from_bytes(attribute[at : at + of_offset], "little", signed=True)
        at += of_offset
        if of_offset and cluster >= 0:
            yield cluster * cluster_bytes, length * cluster_bytes, 0


open_volume = NtfsReader
