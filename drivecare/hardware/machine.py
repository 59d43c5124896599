"""The machine a command works on: its file tree, the backend that speaks to drives. Tests hand in a recorded one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Machine:
    """Where /sys, /proc and /run are found."""

    root: Path = Path("/")
