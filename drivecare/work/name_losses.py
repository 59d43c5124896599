"""Put into a receipt what lies in every area that could not be read: looked up on the copy, never on the source."""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from drivecare.errors import DriveCareError
from drivecare.hardware.opening import hold_descriptor
from drivecare.transfer.holds import Hold
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine
from drivecare.work.survey_contents import lost_areas, survey_medium


def name_losses(receipt: Receipt, machine: Machine, *, stop_reason: Callable[[], str | None]) -> Receipt:
    """The receipt with the holds of its unreadable areas.

    In a job they come without the names of files, which are the customer's data. A copy whose contents cannot be
    looked at is as good a copy: the receipt then stays as it is.
    """
    if not receipt.unreadable or not receipt.bytes_across:
        return receipt
    asked = receipt.unreadable
    try:
        with hold_descriptor(machine.node(receipt.target.path)) as descriptor:
            contents = survey_medium(
                receipt.target.path, descriptor, asked, lost_areas(receipt), stop_reason=stop_reason
            )
    except (DriveCareError, OSError):
        return receipt
    numbers: dict[tuple[int | None, str], int] = {}

    def numbered(hold: Hold) -> Hold:
        if hold.path is None:
            return hold
        number = numbers.setdefault((hold.partition, hold.path), len(numbers) + 1)
        return msgspec.structs.replace(hold, file=number, path=None if receipt.job is not None else hold.path)

    unreadable = tuple(
        msgspec.structs.replace(area, holds=tuple(map(numbered, looked_at.holds)))
        for area, looked_at in zip(asked, contents.areas, strict=True)
    )
    return msgspec.structs.replace(receipt, unreadable=unreadable)
