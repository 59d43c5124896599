"""Verify a receipt file against a real target, and let the receipt tell of it where it agrees."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drivecare.documents import encode, load
from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.hardware.endpoints import examine_target
from drivecare.hardware.media import BufferPool
from drivecare.hardware.opening import hold_for_reading
from drivecare.reading.model import Drive
from drivecare.storage import write_file
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.receipt import End, Receipt
from drivecare.transfer.sectors.verify import as_proof_of, is_own_target, verify_target


def verify_file(
    path: Path,
    target: str | None,
    *,
    watch: Watch,
    after_power_cycle: bool = False,
    rewrite: bool = True,
    ask: Callable[[str], Drive | None] = lambda _: None,
) -> tuple[Receipt, str | None]:
    """The receipt as the target stands now, and a sentence to tell the user, if there is one.

    Where another target was read than the copy wrote, the result is of that one. The file is replaced only where its
    own target agrees, and never without `rewrite`. `ask` gives what the drive at a path says of itself, or None.
    Raises BadInput, Unavailable, Refused, Interrupted.
    """
    receipt = load(Receipt, path)
    where = target or _named(receipt, path)
    side = examine_target(where, ask(where), look_inside=False)
    if not side.exists:
        raise BadInput("there is no such file or device", location=where, hint="Name the target after the receipt")
    own = _is_own(receipt, side.end, path)
    if after_power_cycle and side.is_device and side.end.attachment == receipt.target.attachment is not None:
        raise Refused(
            "it has been attached all the time since the copy, so it was not without power",
            guard="no-power-cycle",
            location=where,
            hint="Power it off and on, or leave --after-power-cycle out",
        )
    pool = BufferPool()
    try:
        with hold_for_reading(where, pool) as medium:
            result = verify_target(receipt, medium, pool.buffers, watch, after_power_cycle=after_power_cycle)
    finally:
        pool.close()
    if not own:
        return as_proof_of(result, side.end), None
    if result.verified and rewrite:
        try:
            write_file(path, encode(result), replace=True)
        except Unavailable as error:
            return result, f"{path}: {error.problem}, so this verification stands only here."
    return result, None


def _is_own(receipt: Receipt, end: End, path: Path) -> bool:
    """Whether this is the target that the copy wrote. A file is known by its place, for it has no other name."""
    if receipt.target.kind != end.kind:
        return False
    if end.kind == "device":
        return is_own_target(receipt, end)
    return Path(end.path).resolve() == Path(_named(receipt, path)).resolve()


def _named(receipt: Receipt, path: Path) -> str:
    """The target the receipt names; for an image also beside the receipt, wherever both were moved together."""
    named = Path(receipt.target.path)
    beside = path.parent / named.name
    try:
        moved = receipt.target.kind == "image" and not named.exists() and beside.is_file()
    except ValueError:  # no path can be like that
        moved = False
    return str(beside) if moved else receipt.target.path
