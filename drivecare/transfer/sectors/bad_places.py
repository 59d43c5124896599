"""A medium with bad areas, for the demo and for rehearsals: another medium, whose reads fail where told to."""

from __future__ import annotations

import errno
import os

from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.receipt import ReadBackMethod


class WithBadAreas:
    """Pass everything on to `medium`, except that a read that touches one of `areas` fails with a medium error."""

    def __init__(self, medium: Medium, areas: tuple[Area, ...]) -> None:
        self._medium, self._areas = medium, areas
        self.path = medium.path
        self.size_bytes = medium.size_bytes
        self.sector_bytes = medium.sector_bytes
        self.direct = medium.direct
        self.sparse = medium.sparse

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        """As the port says."""
        area = Area(offset=offset, length=length)
        if any(overlap(area, bad) for bad in self._areas):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self._medium.read(offset, buffer, length)

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        """As the port says."""
        return self._medium.write(offset, buffer, start, length)

    def punch(self, area: Area) -> None:
        """As the port says."""
        self._medium.punch(area)

    def flush(self) -> None:
        """As the port says."""
        self._medium.flush()

    def bypass_cache(self) -> ReadBackMethod:
        """As the port says."""
        return self._medium.bypass_cache()

    def is_present(self) -> bool:
        """As the port says."""
        return self._medium.is_present()
