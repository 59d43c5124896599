"""Copies by the use case itself, on this machine."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine
from drivecare.work.copy_paperwork import CopyRequest
from drivecare.work.copy_sectors import copy_sectors


def run(request: CopyRequest, **callbacks: Any) -> Receipt:
    return copy_sectors(request, Machine(), **callbacks)


def elsewhere(request: CopyRequest, **ends: Path) -> CopyRequest:
    """The same copy with the same receipt and journal, and other paths."""
    paths: dict[str, Any] = {end: str(path) for end, path in ends.items()}
    return dataclasses.replace(request, receipt=request.receipt_path, **paths)
