"""The recorded reports in fixtures/reports and what is written down about each."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "fixtures" / "reports"
INDEX: dict[str, dict[str, Any]] = tomllib.loads((FOLDER / "index.toml").read_text())


def report(name: str) -> str:
    """A recorded report's text, line ends as they are."""
    return (FOLDER / f"{name}.txt").read_bytes().decode()
