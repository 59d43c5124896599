"""What is on the customer's drive, as it was counted on a copy of it; the drive itself is never loaded for that."""

from __future__ import annotations

from collections.abc import Iterable

from drivecare.reading.identity import Named, compare
from drivecare.transfer.counted import Counted
from drivecare.transfer.sectors.receipt import Receipt


def counted_of(
    drive: Named, receipts: Iterable[Receipt], *, labels: frozenset[str] = frozenset()
) -> tuple[Counted, ...]:
    """What was counted on the newest copy of a drive; nothing where there is none, or nobody looked."""
    copies = [
        receipt.counted
        for receipt in receipts
        if receipt.counted and compare(receipt.origin or receipt.source, drive, labels=labels) == "yes"
    ]
    return copies[-1] if copies else ()
