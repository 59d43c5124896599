"""Put into a receipt what is on the copy, and what lies where it has gaps: looked up there, never on the source."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from drivecare.contents.model import Partition
from drivecare.errors import DriveCareError
from drivecare.hardware.opening import hold_descriptor
from drivecare.transfer.counted import Counted
from drivecare.transfer.holds import Hold
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine
from drivecare.work.survey_contents import survey_medium


def survey_copy(receipt: Receipt, path: str, machine: Machine, watch: Watch) -> Receipt:
    """The receipt with what was counted, and with the holds of its lost areas, as the copy at `path` shows them.

    A copy whose contents cannot be looked at is as good a copy: the receipt then stays as it is.
    """
    lost = receipt.lost_areas
    if not receipt.bytes_across:
        return receipt
    try:
        with hold_descriptor(machine.node(path)) as descriptor:
            contents = survey_medium(path, descriptor, lost, lost, watch)
    except (DriveCareError, OSError):
        return receipt
    numbers: dict[tuple[int | None, str], int] = {}

    def numbered(hold: Hold) -> Hold:
        if hold.path is None:
            return hold
        return msgspec.structs.replace(hold, file=numbers.setdefault((hold.partition, hold.path), len(numbers) + 1))

    holds = (tuple(map(numbered, area.holds)) for area in contents.areas)
    return msgspec.structs.replace(receipt.with_holds(holds), names=None, counted=count(contents.partitions))


def count(partitions: Iterable[Partition]) -> tuple[Counted, ...]:
    """The numbers of each partition, without labels and names, which are the customer's."""
    return tuple(
        Counted(
            partition=partition.number,
            file_system=partition.file_system,
            encrypted=partition.encrypted,
            used_bytes=partition.used_bytes,
            files=partition.files,
            reason=partition.reason,
        )
        for partition in partitions
    )
