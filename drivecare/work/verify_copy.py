"""Read a target again and hold it against its receipt. What `drivecare verify` does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivecare.documents import decode, encode, load
from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.hardware.endpoints import examine_target
from drivecare.hardware.media import BufferPool
from drivecare.hardware.opening import hold_for_reading
from drivecare.job.file_names import as_filed, as_kept
from drivecare.job.result_files import is_result
from drivecare.record.port import FiledJob
from drivecare.storage import write_file
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.guards import Endpoint
from drivecare.transfer.sectors.receipt import End, Receipt
from drivecare.transfer.sectors.verify import as_proof_of, is_own_target, verify_target
from drivecare.work import Machine
from drivecare.work.copy_paperwork import named_target
from drivecare.work.identify_drive import identify_drive
from drivecare.work.survey_copy import survey_copy


@dataclass(frozen=True, kw_only=True)
class VerifyRequest:
    """Which receipt to hold against which target; without `target` the one that the receipt names is read.

    The receipt is a file, or a result of the job `folder`.
    """

    receipt: Path
    target: str | None = None
    folder: FiledJob | None = None
    after_power_cycle: bool = False


def verify_copy(
    request: VerifyRequest,
    machine: Machine,
    *,
    notify: Callable[[str], None] = lambda _: None,
    watch: Watch | None = None,
) -> Receipt:
    """The receipt as the target stands now; where another target was read than the copy wrote, of that one.

    The file is replaced only where its own target agrees, and never where a job has filed it: a job's results are
    added, never changed. Raises BadInput, Unavailable, Refused, Interrupted.
    """
    receipt = _load_receipt(request)
    path = request.target or named_target(receipt, request.receipt)
    drive = identify_drive(path, "target", machine, notify)
    endpoint = examine_target(path, drive, look_inside=False, machine=machine)
    if not endpoint.exists:
        raise BadInput("there is no such file or device", location=path, hint="Name the target after the receipt")
    if request.after_power_cycle:
        _refuse_without_power_cycle(endpoint, receipt)
    is_own = _is_own_target(receipt, endpoint.end, request.receipt)
    pool, watch = BufferPool(), watch or Watch()
    try:
        with hold_for_reading(machine.node(path), pool) as medium:
            result = verify_target(receipt, medium, pool.buffers, watch, after_power_cycle=request.after_power_cycle)
    finally:
        pool.close()
    if not is_own:
        return as_proof_of(result, endpoint.end)
    if not result.agrees:
        return survey_copy(result, path, machine, watch)
    if not is_result(request.receipt):
        try:
            write_file(request.receipt, encode(as_kept(result)), replace=True)
        except Unavailable as error:
            notify(f"{request.receipt}: {error.problem}, so this verification stands only here.")
    return result


def _load_receipt(request: VerifyRequest) -> Receipt:
    filed = request.folder.result_at(request.receipt) if request.folder is not None else None
    if filed is not None:
        return decode(Receipt, filed, origin=str(request.receipt))
    receipt = load(Receipt, request.receipt)
    if request.folder is None:
        return receipt
    return as_filed(receipt, (result.document for result in request.folder.results(Receipt)))


def _refuse_without_power_cycle(endpoint: Endpoint, receipt: Receipt) -> None:
    if endpoint.is_device and endpoint.end.attachment == receipt.target.attachment is not None:
        raise Refused(
            "it has been attached all the time since the copy, so it was not without power",
            guard="no-power-cycle",
            location=endpoint.end.path,
            hint="Power it off and on, or leave --after-power-cycle out",
        )


def _is_own_target(receipt: Receipt, end: End, path: Path) -> bool:
    """Whether this is the target that the copy wrote. A file is known by its place, for it has no other name."""
    if receipt.target.kind != end.kind:
        return False
    if end.kind == "device":
        return is_own_target(receipt, end)
    return Path(end.path).resolve() == Path(named_target(receipt, path)).resolve()
