"""One read scan of a real drive or image, from the path to what was seen; where it stands is saved as it goes."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

from drivecare.documents import encode, load
from drivecare.errors import DriveCareError, NoDrive, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.hardware.blockdev import inspect
from drivecare.hardware.device_path import is_device
from drivecare.hardware.machine import Machine
from drivecare.hardware.media import BufferPool
from drivecare.hardware.opening import open_to_verify
from drivecare.hardware.smart import read_drive
from drivecare.reading.model import Drive, Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.storage import write_file
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.surface_scan import Scan, ScanState, Thermometer, new_state

RESULT_SUFFIX, STATE_SUFFIX = ".readscan.json", ".readscan-state.json"


@dataclass(frozen=True, kw_only=True)
class Scanned:
    """What a scan saw, where it stands, and whether that is all there is to see: done, or enough to know."""

    result: SurfaceScan
    settled: bool
    state: ScanState

    @property
    def exit_code(self) -> ExitCode:
        """Whether all is readable, or the scan is to be continued."""
        if not self.settled:
            return ExitCode.INTERRUPTED
        return ExitCode.PARTIAL if self.result.unreadable else ExitCode.DONE


def places(path: str, folder: Path | None) -> tuple[Path, Path]:
    """Where result and state lie, as a copy's receipt does: beside an image, in the working folder for a drive."""
    named = Path(path)
    where = folder if folder is not None else Path() if is_device(path) else named.parent
    return where / (named.name + RESULT_SUFFIX), where / (named.name + STATE_SUFFIX)


def said_by(path: str, machine: Machine) -> Reading | None:
    """What the drive says of itself, or where it cannot be asked what the kernel calls it; None for an image.

    A drive that is losing data must not be loaded because nobody asked it: raises BadInput for a partition.
    """
    if not is_device(path):
        return None
    try:
        return read_drive(path, machine=machine)
    except NoDrive:
        return None
    except Unavailable:
        found = inspect(path, root=machine.root)
        own = found.identity.native_serial
        drive = Drive(model=found.model, serial=own, identity=found.identity, capacity_bytes=found.capacity_bytes)
        return Reading(path=path, drive=drive)


def scan(
    path: str,
    *,
    reading: Reading | None,
    machine: Machine,
    state_path: Path,
    resume: bool,
    sample_percent: float,
    watch: Watch,
) -> Scanned:
    """Read the surface, or go on with a scan that was stopped; its state is written to `state_path` now and then.

    Raises BadInput, Unavailable, Interrupted.
    """
    pool = BufferPool()
    try:
        with open_to_verify(path, pool) as medium:
            going_on = resume and state_path.exists()
            fresh = new_state(medium, sample_percent=sample_percent, started=_now(machine))
            begun = load(ScanState, state_path) if going_on else fresh
            running = Scan(
                medium, pool.buffers[0], begun, watch=watch, thermometer=_thermometer(path, reading, machine)
            )
            running.run(on_pause=lambda state: _note_state(state, state_path))
    finally:
        pool.close()
    result = running.result(finished=_now(machine), drive=reading.drive if reading is not None else None)
    return Scanned(result=result, settled=result.complete or running.enough, state=running.state())


def _note_state(state: ScanState, path: Path) -> None:
    with contextlib.suppress(Unavailable):  # a full disk stops no scan; the end says what could not be kept
        write_file(path, encode(state), replace=True)


def keep_state(scanned: Scanned, path: Path) -> None:
    """Write down where a scan stands that is to be gone on with; one that is settled needs that no more."""
    if scanned.settled:
        path.unlink(missing_ok=True)
    else:
        write_file(path, encode(scanned.state), replace=True)


def save_result(result: SurfaceScan, path: Path, *, replace: bool) -> None:
    """Write the result where no job takes it."""
    write_file(path, encode(result), replace=replace)


def _now(machine: Machine) -> str:
    return machine.clock.now().isoformat(timespec="seconds")


def _thermometer(path: str, reading: Reading | None, machine: Machine) -> Thermometer:
    """Asks the drive again, where it gave a temperature before."""
    if reading is None or reading.values.temperature_celsius is None:
        return Thermometer()

    def celsius() -> int | None:
        try:
            return read_drive(path, machine=machine).values.temperature_celsius
        except DriveCareError:  # gone or silent for now: the reads themselves will say so
            return None

    return Thermometer(celsius=celsius, limit_celsius=reading.drive.temperature_limit_celsius)
