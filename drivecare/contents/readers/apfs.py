"""APFS: a container of volumes that share its space. What of it is free is not told: the library has no such call."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pyfsapfs

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.tree import Reader
from drivecare.contents.recognise import ENCRYPTED
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area


class ApfsReader(Reader):
    """An APFS container and the volumes in it that are open to all."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self.file_system = "APFS"
        self.encrypted = None
        self._container = pyfsapfs.container()
        self._open: list[Any] = []

    def open(self) -> None:
        """Have the library read it."""
        self._container.open_file_object(self.window)
        volumes = [self._container.get_volume(index) for index in range(self._container.number_of_volumes)]
        self._open = [volume for volume in volumes if not volume.is_locked()]
        self.label = ", ".join(volume.name or "" for volume in volumes)[:256] or None
        self.encrypted = len(self._open) < len(volumes)
        if self.encrypted:
            self.reason = ENCRYPTED if not self._open else "some of its volumes are encrypted"

    def roots(self) -> Iterator[tuple[str, Any]]:
        """The root directory of each open volume, below the volume's name where there are several."""
        for volume in self._open:
            yield f"/{volume.name}" if len(self._open) > 1 else "", volume.get_root_directory()

    def identity(self, entry: Any) -> int:
        """The file's number, which each volume gives out anew."""
        return int(entry.identifier)

    def claim_structures(self, attribution: Attribution) -> None:
        """The container's first block; its others are not told."""
        attribution.claim(Owner("structure", structure="container superblock"), Area(offset=0, length=4096))


open_volume = ApfsReader
