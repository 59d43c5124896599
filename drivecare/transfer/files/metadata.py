"""What a bag keeps of a file beside its bytes: set on the copy where that is safe, recorded for every entry.

A bag lies on the bench's own disk, where the unit's rights must give nobody anything: a setuid bit, a setgid bit or a
capability on a customer's file would let every account of this machine run it with the owner's rights. So these are
recorded in `drivecare-entries.jsonl` and not set; RFC 8493 keeps file content alone. Sticky bits are treated the same
way: in a bag they mean nothing.
"""

from __future__ import annotations

import base64
import json
import os
import stat
from collections.abc import Iterator

from drivecare.transfer.files.bag import display_path
from drivecare.transfer.files.file_system import OpenEntry
from drivecare.transfer.files.survey import WITHHELD, TreeEntry

_SPECIAL_BITS = ((stat.S_ISUID, "setuid bit"), (stat.S_ISGID, "setgid bit"), (stat.S_ISVTX, "sticky bit"))
_PLAIN_BITS = 0o777
_LABEL = "security.selinux"  # every file of some systems has one, by the old machine's policy: counted, not listed


def apply_metadata(entry: TreeEntry, source: OpenEntry | None, copy: OpenEntry, *, keep_owner: bool) -> tuple[str, ...]:
    """Set owner, attributes, mode and time on a copy; return what the target did not take.

    Without `source`, which can no longer be read, there are no attributes to take along. The time is set last, since
    everything before would move it.
    """
    refused = []
    if keep_owner and not copy.set_owner(entry.uid, entry.gid):
        refused.append("owner")
    if source is not None:
        refused += sorted(set(_refused_attributes(source, copy)))
    if not copy.set_mode(entry.mode & _PLAIN_BITS):
        refused.append("permissions")
    if not copy.set_time(entry.mtime_ns):
        refused.append("time")
    return tuple(refused)


def _refused_attributes(source: OpenEntry, copy: OpenEntry) -> Iterator[str]:
    """Take extended attributes and access lists along, but for those withheld; yield which kinds were refused."""
    for name, content in source.attributes().items():
        if not name.startswith(WITHHELD) and (content is None or not copy.set_attribute(name, content)):
            yield "access list" if name.startswith("system.posix_acl") else "extended attributes"


def withheld_metadata(entry: TreeEntry) -> tuple[str, ...]:
    """What of an entry is recorded and never set, in words."""
    if entry.shape == "symlink":
        return ()
    bits = tuple(name for bit, name in _SPECIAL_BITS if entry.mode & bit)
    return bits + tuple(name for name, _ in entry.withheld if name != _LABEL)


def has_label(entry: TreeEntry) -> bool:
    """Whether the old machine's policy had put a label on it."""
    return any(name == _LABEL for name, _ in entry.withheld)


def entry_line(entry: TreeEntry) -> bytes:
    """An entry's line in the bag's list of entries: everything needed to set it again where it belongs."""
    row: dict[str, object] = {
        "name": display_path(entry.path),
        "stored": os.fsdecode(entry.stored),
        "shape": entry.shape,
        "mode": f"{entry.mode:04o}",
        "uid": entry.uid,
        "gid": entry.gid,
        "mtime_ns": entry.mtime_ns,
    }
    if entry.link_target is not None:
        row["link_target"] = display_path(entry.link_target)
    if entry.withheld:
        row["attributes"] = {
            name: None if value is None else base64.b64encode(value).decode("ascii") for name, value in entry.withheld
        }
    return json.dumps(row, ensure_ascii=True).encode("ascii") + b"\n"
