"""Check a receipt again, any time later: read the whole target and compare it with the digests."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from drivecare.errors import BadInput, Interrupted
from drivecare.reading.identity import compare
from drivecare.transfer.areas import Area, merge, pieces, uncovered
from drivecare.transfer.holds import not_looked_at
from drivecare.transfer.interruption import as_interruption
from drivecare.transfer.medium import Buffer, Gone, Medium, Stuck, Watch
from drivecare.transfer.sectors.comparison import ExpectedPart
from drivecare.transfer.sectors.guards import same_end
from drivecare.transfer.sectors.readback import read_back
from drivecare.transfer.sectors.receipt import End, Receipt, Verification


def verify_target(
    receipt: Receipt,
    target: Medium,
    buffers: tuple[Buffer, ...],
    watch: Watch,
    *,
    after_power_cycle: bool = False,
) -> Receipt:
    """The receipt as the target stands now: with a new verification, or not verified and the areas named. Of a copy
    that stopped at what is used, the rest is left out, and it is never `verified`.

    Raises BadInput where the receipt holds no digests to compare with, Interrupted where reading stopped midway.
    """
    _refuse_unproven(receipt)
    readable = min(receipt.bytes_total, target.size_bytes)
    whole, unread = Area.between(0, receipt.bytes_total), merge(receipt.unread)
    chunks = list(pieces(whole, receipt.digest.chunk_bytes))
    try:
        proof = read_back(
            target,
            [
                ExpectedPart(chunk, bytes.fromhex(digest))
                for chunk, digest in zip(chunks, receipt.digest.chunks, strict=True)
                if digest is not None and chunk.end <= readable
            ],
            unread=unread,
            bytes_total=readable,
            chunk_bytes=receipt.digest.chunk_bytes,
            algorithm=receipt.digest.algorithm,
            whole_algorithm=receipt.digest.whole_algorithm,
            buffers=buffers,
            watch=watch,
        )
    except (Gone, Stuck, OSError, Interrupted) as error:
        raise as_interruption(error, target.path, "verifying") from error
    differing = (*proof.mismatched, *(chunk for chunk in chunks if chunk.end > readable))
    mismatched = merge(piece for area in merge(differing) for piece in uncovered(unread, area))
    agrees = not mismatched and not proof.unreadable
    if agrees and receipt.digest.whole not in (None, proof.whole):
        raise BadInput("the receipt contradicts itself: its chunks agree with the target, its whole digest does not")
    method = "after-power-cycle" if after_power_cycle else proof.method
    return msgspec.structs.replace(
        receipt,
        digest=msgspec.structs.replace(receipt.digest, whole=proof.whole if agrees else None),
        verified=agrees and not unread,
        verified_areas=_agreeing(receipt, (*mismatched, *proof.unreadable)) if unread else (),
        verification=Verification(method=method, at=watch.timestamp()) if agrees else None,
        mismatched=not_looked_at(mismatched),
        target_unreadable=not_looked_at(proof.unreadable),
    )


def _refuse_unproven(receipt: Receipt) -> None:
    """Raise BadInput where a receipt holds no digests of all that was copied."""
    if receipt.contradiction:
        raise BadInput(f"the receipt contradicts itself: it {receipt.contradiction}")
    if not receipt.can_be_verified:
        problem = (
            "the copy stopped at what is used, and the receipt does not hold the digests of all that was copied"
            if receipt.unread
            else "the receipt is of a copy that was never proven"
        )
        raise BadInput(problem, hint="Continue that copy: drivecare copy ... --resume")


def _agreeing(receipt: Receipt, bad: Iterable[Area]) -> tuple[Area, ...]:
    """What was copied and agrees."""
    own = (area for area in receipt.unreadable if not area.inherited)
    others = merge((*receipt.unread, *own, *bad))
    return tuple(uncovered(others, Area.between(0, receipt.bytes_total)))


def is_own_target(receipt: Receipt, device: End) -> bool:
    """Tell whether a device is the one that the copy wrote. One that names itself is known by its name alone."""
    if "strong" in (receipt.target.identity.strength, device.identity.strength):
        return compare(receipt.target, device) == "yes"
    return same_end(receipt.target, device)


def as_proof_of(receipt: Receipt, end: End) -> Receipt:
    """The receipt as a proof of another target than the copy wrote, one that no job made."""
    written = receipt.instead_of or receipt.target
    return msgspec.structs.replace(receipt, target=end, instead_of=written, tail=None, job=None)
