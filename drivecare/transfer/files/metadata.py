"""What a bag keeps of a file beside its bytes: set on the copy where that is safe, recorded for every entry.

A bag lies on the bench's own disk, where the unit's rights must give nobody anything: a setuid bit, a setgid bit or a
capability on a customer's file would let every account of this machine run it with the owner's rights. So these are
recorded in `drivecare-entries.jsonl` and not set; RFC 8493 keeps file content alone. Sticky bits go the same way: in a
bag they mean nothing.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import stat

from drivecare.transfer.files.bag import shown
from drivecare.transfer.files.survey import WITHHELD, Entry

_SPECIAL_BITS = ((stat.S_ISUID, "setuid bit"), (stat.S_ISGID, "setgid bit"), (stat.S_ISVTX, "sticky bit"))
_PLAIN_BITS = 0o777
_LABEL = "security.selinux"  # every file of some systems has one, by the old machine's policy: counted, not listed


def apply(entry: Entry, source: int, copy: int, *, keep_owner: bool) -> tuple[str, ...]:
    """Set owner, attributes, mode and time on the descriptor of a copy; return what the target did not take."""
    lost = []
    if keep_owner:
        with contextlib.suppress(OSError):  # some file systems keep no owners
            os.fchown(copy, entry.uid, entry.gid)
        info = os.fstat(copy)
        if (info.st_uid, info.st_gid) != (entry.uid, entry.gid):
            lost.append("owner")
    lost += sorted(_lost_attributes(source, copy))
    mode = entry.mode & _PLAIN_BITS
    with contextlib.suppress(OSError):
        os.fchmod(copy, mode)
    if os.fstat(copy).st_mode & 0o7777 != mode:
        lost.append("permissions")
    os.utime(copy, ns=(entry.mtime_ns, entry.mtime_ns))
    if abs(os.fstat(copy).st_mtime_ns - entry.mtime_ns) > 2_000_000_000:  # the coarsest file system counts in 2 s
        lost.append("time")
    return tuple(lost)


def _lost_attributes(source: int, copy: int) -> set[str]:
    """Take extended attributes and access lists along, but for those withheld; which kinds the target refused."""
    lost = set()
    with contextlib.suppress(OSError):  # the source has none
        for name in os.listxattr(source):
            if name.startswith(WITHHELD):
                continue
            try:
                os.setxattr(copy, name, os.getxattr(source, name))
            except OSError:
                lost.add("access list" if name.startswith("system.posix_acl") else "extended attributes")
    return lost


def withheld_from(entry: Entry) -> tuple[str, ...]:
    """What of an entry is recorded and never set, in words."""
    if entry.shape == "symlink":
        return ()
    bits = tuple(name for bit, name in _SPECIAL_BITS if entry.mode & bit)
    return bits + tuple(name for name, _ in entry.withheld if name != _LABEL)


def has_label(entry: Entry) -> bool:
    """Whether the old machine's policy had put a label on it."""
    return any(name == _LABEL for name, _ in entry.withheld)


def entry_line(entry: Entry) -> bytes:
    """An entry's line in the bag's list of entries: everything needed to set it again where it belongs."""
    row: dict[str, object] = {
        "name": shown(entry.path),
        "stored": os.fsdecode(entry.stored),
        "shape": entry.shape,
        "mode": f"{entry.mode:04o}",
        "uid": entry.uid,
        "gid": entry.gid,
        "mtime_ns": entry.mtime_ns,
    }
    if entry.link_target is not None:
        row["link_target"] = shown(entry.link_target)
    if entry.withheld:
        row["attributes"] = {
            name: None if value is None else base64.b64encode(value).decode("ascii") for name, value in entry.withheld
        }
    return json.dumps(row, ensure_ascii=True).encode("ascii") + b"\n"
