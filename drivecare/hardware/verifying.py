"""Verify a receipt file against a real target, and let the receipt tell of it where it agrees."""

from __future__ import annotations

from pathlib import Path

from drivecare.documents import encode, load
from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.hardware.media import Pool
from drivecare.hardware.opening import open_to_verify
from drivecare.hardware.sides import find_target
from drivecare.storage import write_file
from drivecare.transfer.guards import same_end
from drivecare.transfer.port import Watch
from drivecare.transfer.receipt import Receipt
from drivecare.transfer.verify import verify


def verify_file(
    path: Path, target: str | None, *, watch: Watch, after_power_cycle: bool = False, rewrite: bool = True
) -> tuple[Receipt, str | None]:
    """The receipt as the target stands now, and a sentence to tell the user, if there is one.

    The file is replaced only where its own target agrees, and never without `rewrite`. Raises BadInput, Unavailable,
    Refused, Interrupted.
    """
    receipt = load(Receipt, path)
    where = target or _named(receipt, path)
    side = find_target(where, look_inside=False)
    if not side.exists:
        raise BadInput("there is no such file or device", where=where, hint="Name the target after the receipt")
    own = same_end(receipt.target, side.end) or (side.end.kind == "image" == receipt.target.kind)
    if after_power_cycle and side.is_device and side.end.attachment == receipt.target.attachment is not None:
        raise Refused(
            "it has been attached all the time since the copy, so it was not without power",
            guard="no-power-cycle",
            where=where,
            hint="Power it off and on, or leave --after-power-cycle out",
        )
    pool = Pool()
    try:
        with open_to_verify(where, pool) as medium:
            result = verify(receipt, medium, pool.buffers, watch, after_power_cycle=after_power_cycle)
    finally:
        pool.close()
    if not own:
        return result, f"{where} is not the drive that the receipt names, so the receipt stays as it is."
    if result.verified and rewrite:
        try:
            write_file(path, encode(result), replace=True)
        except Unavailable as error:
            return result, f"{path}: {error.what}, so this verification stands only here."
    return result, None


def _named(receipt: Receipt, path: Path) -> str:
    """The target the receipt names; for an image also beside the receipt, wherever both were moved together."""
    named = Path(receipt.target.path)
    beside = path.parent / named.name
    try:
        moved = receipt.target.kind == "image" and not named.exists() and beside.is_file()
    except ValueError:  # no path can be like that
        moved = False
    return str(beside) if moved else receipt.target.path
