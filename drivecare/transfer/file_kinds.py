"""What a customer calls a file, by the end of its name. Common practice, no source."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from drivecare.format import format_count, join_and
from drivecare.transfer.holds import FileKind

_ENDINGS: dict[FileKind, str] = {
    "photo": "jpg jpeg heic heif png gif tif tiff bmp webp raw dng cr2 cr3 nef arw orf rw2 raf",
    "video": "mp4 m4v mov avi mkv mts m2ts mpg mpeg wmv webm 3gp ts vob flv",
    "sound": "mp3 m4a aac flac wav ogg opus wma aif aiff mid",
    "document": "pdf doc docx odt rtf txt md xls xlsx ods csv ppt pptx odp pages numbers key epub tex",
    "mail": "eml msg pst ost mbox",
    "archive": "zip 7z rar tar gz bz2 xz zst iso dmg vhd vhdx vmdk qcow2",
    "program": "exe dll sys msi so bin deb rpm apk app dylib jar",
}
_NOUNS: dict[FileKind | None, tuple[str, str]] = {
    "photo": ("photo", "photos"),
    "video": ("video", "videos"),
    "sound": ("sound recording", "sound recordings"),
    "document": ("document", "documents"),
    "mail": ("mail file", "mail files"),
    "archive": ("archive", "archives"),
    "program": ("program file", "program files"),
    None: ("other file", "other files"),
}
_KINDS = {ending: kind for kind, endings in _ENDINGS.items() for ending in endings.split()}


def kind_of_file(path: str) -> FileKind | None:
    """The kind of a file; None where the end of its name tells none."""
    name, dot, ending = path.rpartition("/")[2].rpartition(".")
    return _KINDS.get(ending.lower()) if name and dot else None


def count_kinds(kinds: Iterable[FileKind | None]) -> str:
    """How many files there are of each kind, in words: "3 photos and 1 video"."""
    counts = Counter(kinds)
    return join_and([format_count(counts[kind], *nouns) for kind, nouns in _NOUNS.items() if counts[kind]])
