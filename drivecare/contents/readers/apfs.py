"""APFS: a container of volumes that share its space."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import Any

import pyfsapfs

from drivecare.contents.attribution import Attribution, Owner
from drivecare.contents.readers.apfs_objects import Container
from drivecare.contents.readers.tree import NONSENSE, Reader
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
        if self._objects is not None:
            self.used_bytes, self.free_bytes = self._objects.used_bytes, self._objects.free_bytes

    @cached_property
    def _objects(self) -> Container | None:
        """What the library does not tell; None where it could not be read."""
        try:
            objects = Container(self.window)
        except NONSENSE:
            self.unread += 1
            return None
        self.unread += objects.unread
        return objects

    def roots(self) -> Iterator[tuple[str, Any]]:
        """The root directory of each open volume, below the volume's name where there are several."""
        for volume in self._open:
            yield f"/{volume.name}" if len(self._open) > 1 else "", volume.get_root_directory()

    def identity(self, entry: Any) -> int:
        """The file's number, which each volume gives out anew."""
        return int(entry.identifier)

    def claim_structures(self, attribution: Attribution) -> None:
        """The container's first block, and all that its newest checkpoint leads to."""

        def claim(name: str, area: Area) -> None:
            attribution.claim(Owner("structure", structure=name), area)

        claim("container superblock", Area(offset=0, length=4096))
        if self._objects is not None:
            before = self._objects.unread
            self._objects.claim_structures(claim)
            self.unread += self._objects.unread - before

    def is_clean(self) -> bool:
        """A checkpoint is whole or not there; what came after the newest is undone."""
        return self._objects is not None

    def recorded_free(self, area: Area) -> tuple[Area, ...] | None:
        """By the bitmaps of the newest checkpoint."""
        return None if self._objects is None else self._objects.free(area)


open_volume = ApfsReader
