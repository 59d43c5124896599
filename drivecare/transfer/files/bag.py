"""The bag: how copied files are stored on the target, after BagIt (RFC 8493), and what proves them.

    TARGETDIR/
      bagit.txt  bag-info.txt  manifest-sha256.txt  tagmanifest-sha256.txt
      drivecare-entries.jsonl   one line per entry: true name, mode, owner, times, link target
      drivecare-receipt.json    this copy's receipt (drivecare/bag-1); not in the tag manifest: verifying updates it
      data/...                  the files

A bag is self-contained: everything that belongs to it is a file inside it. A link in data/ counts only where its text
names a file that the manifest also names; it is never followed.

A manifest is UTF-8 lines, and readers of bags differ on percent signs, line breaks, outer blanks and variables in
names. Such names are stored under a spelling every reader agrees on: each awkward byte as `=XX`. `true_name` undoes it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from typing import Literal
from urllib.parse import unquote

from drivecare.documents import PlainPath, Value
from drivecare.errors import BadInput
from drivecare.exit_codes import ExitCode
from drivecare.reading.identity import Identity
from drivecare.transfer.file_kinds import count_kinds
from drivecare.transfer.files.file_system import CacheBypass
from drivecare.transfer.holds import FileKind

PAYLOAD_MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
ENTRY_LIST = "drivecare-entries.jsonl"
BAG_RECEIPT = "drivecare-receipt.json"
BAG_JOURNAL = "drivecare-journal.jsonl"
BAGIT_TXT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"  # RFC 8493 section 2.1.1


class TreeEnd(Value, frozen=True, kw_only=True):
    """One end of a file copy: a folder, its file system, and the drive below it where that could be determined."""

    path: PlainPath
    file_system: str | None = None
    identity: Identity | None = None


class FileNote(Value, frozen=True, kw_only=True):
    """A remark about one entry; `name` is its true name, with bytes that are not UTF-8 shown as `\\xNN`."""

    name: str
    reason: str


class FileLeftOut(FileNote, frozen=True, kw_only=True):
    """A file that is not in the bag. `file_kind` is what a customer would call it; null where its name tells none."""

    file_kind: FileKind | None = None


class BagVerification(Value, frozen=True, kw_only=True):
    """How and when the payload was read again and matched."""

    method: CacheBypass
    at: str


class BagReceipt(Value, frozen=True, kw_only=True):
    """The proof of a file copy. `manifest_sha256` is the digest of the payload manifest, which lists every file's.

    `files` and `bytes_total` count what is in the bag. `left_out`: not in the bag, and why. Of what the manifests
    name, `mismatched` was read and is wrong, `missing` does not exist as a file of the bag, and `target_unreadable`
    could not be read, so its state is unknown. `not_kept`: in the bag, but without some of its metadata. `renamed`:
    stored under another spelling. `verified` only after every payload file, and there is at least one, was read back
    past the cache and matched.
    """

    schema: Literal["drivecare/bag-1"] = "drivecare/bag-1"
    source: TreeEnd
    target: TreeEnd
    files: int
    bytes_total: int
    manifest_sha256: str
    left_out: tuple[FileLeftOut, ...] = ()
    mismatched: tuple[FileNote, ...] = ()
    missing: tuple[FileNote, ...] = ()
    target_unreadable: tuple[FileNote, ...] = ()
    not_kept: tuple[FileNote, ...] = ()
    renamed: tuple[FileNote, ...] = ()
    verified: bool = False
    verification: BagVerification | None = None
    notices: tuple[str, ...] = ()
    started: str
    finished: str
    tool_version: str
    job: str | None = None  # the job whose copy this is; None outside jobs and in receipts of 0.1.0

    @property
    def kinds_left_out(self) -> str:
        """What kinds of files were left out, in words; "" where their names tell none."""
        kinds = [note.file_kind for note in self.left_out]
        return count_kinds(kinds) if any(kinds) else ""

    @property
    def exit_code(self) -> ExitCode:
        """Whether everything is across and verified, or all but what is listed."""
        return bag_exit_code(self, partial=bool(self.left_out))


class ForeignBag(Value, frozen=True, kw_only=True):
    """The result of checking a bag made by another program, which holds no receipt of ours to update.

    The lists are those of a receipt of ours (drivecare/bag-1).
    """

    schema: Literal["drivecare/bagcheck-1"] = "drivecare/bagcheck-1"
    path: str
    verified: bool
    mismatched: tuple[FileNote, ...] = ()
    missing: tuple[FileNote, ...] = ()
    target_unreadable: tuple[FileNote, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """Whether everything is verified, or all but what could not be read."""
        return bag_exit_code(self)


def bag_exit_code(bag: BagReceipt | ForeignBag, *, partial: bool = False) -> ExitCode:
    """Choose the exit code. Unreadable is not a mismatch: everything that was read may agree. Missing is one."""
    if bag.mismatched or bag.missing:
        return ExitCode.MISMATCH
    return ExitCode.PARTIAL if partial or bag.target_unreadable else ExitCode.DONE


# Awkward in a manifest for some reader: RFC 8493 section 2.1.3 wants LF, CR and % encoded, which not every reader
# undoes, and some readers take U+0085, U+2028 and U+2029 for line breaks, too; blanks at a line's end are stripped;
# `$NAME` and a leading `~` are taken for something to expand.
_AWKWARD = re.compile(r"[\x00-\x1f\x7f\x85\u2028\u2029%\udc80-\udcff]|=(?=[0-9A-F]{2})|\$(?=[A-Z_{])|^[\s~]|\s+$")
_SPELLED = re.compile(rb"=([0-9A-F]{2})")


def stored_name(name: bytes) -> bytes:
    """The spelling under which one path component is stored. Distinct names give distinct spellings."""

    def spell(awkward: re.Match[str]) -> str:
        return "".join(f"={byte:02X}" for byte in awkward[0].encode("utf-8", "surrogateescape"))

    return _AWKWARD.sub(spell, name.decode("utf-8", "surrogateescape")).encode("utf-8")


def true_name(spelling: bytes) -> bytes:
    """Undo `stored_name`."""
    return _SPELLED.sub(lambda match: bytes([int(match[1], 16)]), spelling)


def stored_path(path: bytes) -> bytes:
    """`stored_name` for every component of a relative path."""
    return b"/".join(stored_name(part) for part in path.split(b"/"))


def display_path(path: bytes) -> str:
    """A path for people and for JSON: bytes that are not UTF-8 as \\xNN."""
    return path.decode("utf-8", "backslashreplace")


def format_manifest(digests: Iterable[tuple[str, str]]) -> bytes:
    """Manifest lines, sorted by path, from (path relative to the bag, hex digest) pairs. RFC 8493 section 2.1.3."""
    return "".join(f"{digest}  {_percent_encode(path)}\n" for path, digest in sorted(digests)).encode("utf-8")


def parse_manifest(data: bytes, *, origin: str) -> dict[str, str]:
    """Path in the bag -> hex digest in lower case. Raises BadInput naming `origin` and the line.

    Either case of hex digits, any run of blanks after the digest, `\\n`, `\\r` or `\\r\\n` between lines.
    """
    try:
        lines = re.split(r"\r\n|\r|\n", data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", location=origin) from error
    digests: dict[str, str] = {}
    for number, line in enumerate(lines, 1):
        if not line:
            continue
        digest, _, spelled = line.replace("\t", " ", 1).partition(" ")
        spelled = spelled.lstrip(" *\t")
        if not re.fullmatch("[0-9a-fA-F]{64}", digest) or not spelled:
            raise BadInput(f"line {number} is not a SHA-256 manifest line", location=origin)
        path = re.sub("%(0[AaDd]|25)", lambda match: chr(int(match[1], 16)), spelled)
        if _leads_outside(unquote(spelled)):
            hint = "Nothing was read. Do not trust this bag: ask whoever made it."
            raise BadInput(f"line {number} names a path outside the bag", location=origin, hint=hint)
        path = "/".join(part for part in path.split("/") if part not in ("", "."))
        if not path:
            raise BadInput(f"line {number} names no file", location=origin)
        if digests.setdefault(path, digest.lower()) != digest.lower():
            raise BadInput(f"line {number} gives a second digest for one path", location=origin)
    return digests


def parse_payload_manifest(data: bytes, *, origin: str) -> dict[str, str]:
    """`parse_manifest` of a payload manifest, which lists files below data/ alone (RFC 8493 section 2.1.3)."""
    digests = parse_manifest(data, origin=origin)
    for path in digests:
        if not path.startswith("data/"):
            raise BadInput(f"names {path!r}, which is not below data/", location=origin)
    return digests


def _leads_outside(path: str) -> bool:
    """Whether a path leads, or for some reader might lead, out of the bag (RFC 8493 section 5.1).

    Only LF, CR and % are percent-encoded in a manifest (section 2.1.3); readers that undo more exist, so a path is
    judged with all of it undone. What leads out without that still does.
    """
    return path.startswith(("/", "~")) or ".." in path.split("/") or "\0" in path


def _percent_encode(path: str) -> str:
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def bag_info(*, files: int, bytes_total: int, date: str, agent: str) -> bytes:
    """bag-info.txt (RFC 8493 section 2.2.2): Payload-Oxum is octets.files."""
    lines = (
        f"Bagging-Date: {date[:10]}",
        f"Bag-Software-Agent: {agent}",
        f"Payload-Oxum: {bytes_total}.{files}",
    )
    return ("\n".join(lines) + "\n").encode("utf-8")


def sha256_hex(data: bytes) -> str:
    """Hex digest of bytes in memory."""
    return hashlib.sha256(data).hexdigest()
