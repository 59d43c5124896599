"""Read a surface, timed, and save the state as it goes. What `drivecare readscan` does."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

from drivecare.documents import encode, load
from drivecare.errors import DriveCareError, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.hardware.media import BufferPool
from drivecare.hardware.opening import hold_for_reading
from drivecare.hardware.smart import read_drive
from drivecare.reading.model import Reading
from drivecare.reading.surface import SurfaceScan
from drivecare.record.port import FiledJob
from drivecare.storage import write_file
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.surface_scan import Scan, ScanState, Thermometer, new_state
from drivecare.work import Machine
from drivecare.work.load_guard import identify_for_load
from drivecare.work.result_path import result_path

RESULT_SUFFIX, STATE_SUFFIX = ".readscan.json", ".readscan-state.json"


@dataclass(frozen=True, kw_only=True)
class ScanRequest:
    """Which surface to read, and how much of it; `resume` continues a scan that was stopped."""

    path: str
    sample_percent: float = 100.0
    resume: bool = False
    allow_load: str | None = None
    folder: FiledJob | None = None

    @property
    def result_path(self) -> Path:
        """Where the result goes when no job takes it."""
        return result_path(self.path, RESULT_SUFFIX, self.folder)

    @property
    def state_path(self) -> Path:
        """Where the state of a scan that is to be continued is kept."""
        return result_path(self.path, STATE_SUFFIX, self.folder)

    @property
    def continues(self) -> bool:
        """Whether there is a state to continue from."""
        return self.resume and self.state_path.exists()


@dataclass(frozen=True, kw_only=True)
class ScanOutcome:
    """What a scan saw and its state; `settled` where nothing is left to see: complete, or enough to know."""

    result: SurfaceScan
    settled: bool
    state: ScanState

    @property
    def exit_code(self) -> ExitCode:
        """Whether all is readable, or the scan is to be continued."""
        if not self.settled:
            return ExitCode.INTERRUPTED
        return ExitCode.PARTIAL if self.result.unreadable else ExitCode.DONE


def identify_for_scan(request: ScanRequest, machine: Machine) -> Reading | None:
    """Ask the drive which it is and how it is; None for an image. Raises Refused, and BadInput for a partition."""
    return identify_for_load(request.path, "a scan", machine, allow_load=request.allow_load, folder=request.folder)


def scan_surface(request: ScanRequest, machine: Machine, *, reading: Reading | None, watch: Watch) -> ScanOutcome:
    """Read the surface, or continue a scan that was stopped; its state is written now and then.

    Raises BadInput, Unavailable, Interrupted.
    """
    pool = BufferPool()
    try:
        with hold_for_reading(machine.node(request.path), pool) as medium:
            if request.continues:
                state = load(ScanState, request.state_path)
            else:
                state = new_state(medium, sample_percent=request.sample_percent, started=machine.clock.timestamp())
            thermometer = _thermometer(request.path, reading, machine)
            scan = Scan(medium, pool.buffers[0], state, watch=watch, thermometer=thermometer)
            scan.run(on_pause=lambda state: _note_state(state, request.state_path))
    finally:
        pool.close()
    result = scan.result(finished=machine.clock.timestamp(), drive=reading.drive if reading is not None else None)
    return ScanOutcome(result=result, settled=result.complete or scan.settled_early, state=scan.state())


def _note_state(state: ScanState, path: Path) -> None:
    with contextlib.suppress(Unavailable):  # a full disk stops no scan; the end says what could not be kept
        write_file(path, encode(state), replace=True)


def keep_state(outcome: ScanOutcome, path: Path) -> None:
    """Write the state of a scan that is to be continued; a settled one no longer needs it."""
    if outcome.settled:
        path.unlink(missing_ok=True)
    else:
        write_file(path, encode(outcome.state), replace=True)


def save_result(result: SurfaceScan, path: Path, *, replace: bool) -> None:
    """Write the result where no job takes it."""
    write_file(path, encode(result), replace=replace)


def _thermometer(path: str, reading: Reading | None, machine: Machine) -> Thermometer:
    """A thermometer that asks the drive again, where it gave a temperature before."""
    if reading is None or reading.values.temperature_celsius is None:
        return Thermometer()

    def celsius() -> int | None:
        try:
            return read_drive(path, machine=machine).values.temperature_celsius
        except DriveCareError:  # gone or silent for now: the reads themselves will say so
            return None

    return Thermometer(celsius=celsius, limit_celsius=reading.drive.temperature_limit_celsius)
