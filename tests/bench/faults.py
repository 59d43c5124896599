"""The faults of a file that lies, as tests set them and tests/bench/faultfs.py obeys them."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

import msgspec


@dataclass(frozen=True)
class Faults:
    """Offsets and lengths in bytes; each list says where."""

    flipped: tuple[int, ...] = ()  # these bytes read with one bit turned
    lost: tuple[tuple[int, int], ...] = ()  # writes to offset, length are acknowledged and dropped
    slow: tuple[tuple[int, int, float], ...] = ()  # all of offset, length takes seconds longer to read, evenly
    failing: tuple[tuple[int, int], ...] = ()  # reads of offset, length end in EIO
    full: int | None = None  # writes from here on find no space
    gone: bool = False  # everything fails with ENODEV

    @classmethod
    def load(cls, file: Path) -> Faults:
        """The faults that were saved into a file."""
        return msgspec.json.decode(file.read_bytes(), type=cls)

    def save(self, backing: Path) -> None:
        """Make these the faults of the file that is backed by `backing`."""
        neighbour = backing.with_suffix(".faults.new")
        neighbour.write_text(json.dumps(asdict(self)))
        neighbour.replace(backing.with_suffix(".faults"))
