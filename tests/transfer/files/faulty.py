"""The machine's own file system for tests of file copies, with faults that a test composes."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from drivecare.clock import StillClock
from drivecare.hardware.held_entry import HeldEntry
from drivecare.hardware.held_folder import HeldFolder, LocalFileSystem
from drivecare.transfer.files.file_system import Abilities, Access, CacheBypass

FILES = LocalFileSystem()
CLOCK = StillClock()
NOW = CLOCK.timestamp()


@dataclass(kw_only=True)
class FaultyFiles(LocalFileSystem):
    """`pulled`: the drives below are gone, so that nothing can be read. `unlistable`: folders that cannot be listed.

    `abilities`: what every folder claims to keep. `keeps_attributes`: whether attributes can be set.
    """

    pulled: bool = False
    unlistable: frozenset[bytes] = frozenset()
    abilities: Abilities | None = None
    keeps_attributes: bool = True
    created: list[bytes] = field(default_factory=list)

    def hold(self, path: Path, *, follow: bool = False) -> HeldFolder:
        folder = _FaultyFolder.hold(path, follow=follow)
        folder.faults = self
        return folder


class _FaultyFolder(HeldFolder):
    faults: FaultyFiles

    @property
    def is_attached(self) -> bool:
        return not self.faults.pulled

    def abilities(self, characters: set[str], *, file_system: str | None) -> Abilities:
        return self.faults.abilities or super().abilities(characters, file_system=file_system)

    def names(self, path: bytes) -> list[bytes]:
        if path in self.faults.unlistable:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().names(path)

    def create_file(self, path: bytes) -> HeldEntry:
        self.faults.created.append(path)
        return self._faulty(super().create_file(path))

    def open_file(self, path: bytes, access: Access = "read") -> HeldEntry:
        return self._faulty(super().open_file(path, access))

    def _faulty(self, entry: HeldEntry) -> HeldEntry:
        faulty = _FaultyEntry(entry.descriptor)
        faulty.faults = self.faults
        return faulty


class _FaultyEntry(HeldEntry):
    faults: FaultyFiles

    def read(self, count: int, offset: int) -> bytes:
        self._raise_if_pulled()
        return super().read(count, offset)

    def digest_past_cache(self, advance: Callable[[int], None]) -> tuple[str, CacheBypass]:
        self._raise_if_pulled()
        return super().digest_past_cache(advance)

    def _raise_if_pulled(self) -> None:
        if self.faults.pulled:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    def set_attribute(self, name: str, content: bytes) -> bool:
        return self.faults.keeps_attributes and super().set_attribute(name, content)
