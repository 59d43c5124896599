"""What a job's line in a list depends on besides the job: the code that works it out.

A line that is kept for the next list counts only for whoever would work it out alike, be it another version or another
tree of the same one.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

_ROOMS = ("reading", "risk", "fit", "transfer", "job")


@cache
def line_origin() -> str:
    """Name the code that works lines out here."""
    return digest_code(Path(__file__).parent.parent)


def digest_code(house: Path) -> str:
    """Digest the rooms behind a line, and the small modules below all rooms."""
    digest = hashlib.blake2b(digest_size=16)
    for path in sorted([*house.glob("*.py"), *(path for room in _ROOMS for path in (house / room).rglob("*.py"))]):
        content = path.read_bytes()
        digest.update(f"{path.relative_to(house).as_posix()} {len(content)}\n".encode() + content)
    return digest.hexdigest()
