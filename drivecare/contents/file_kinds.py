"""What a customer calls a file, by the end of its name. Common practice, no source."""

from __future__ import annotations

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
_KINDS = {ending: kind for kind, endings in _ENDINGS.items() for ending in endings.split()}


def kind_of_file(path: str) -> FileKind | None:
    """The kind of a file; None where the end of its name tells none."""
    name, dot, ending = path.rpartition("/")[2].rpartition(".")
    return _KINDS.get(ending.lower()) if name and dot else None
