"""What a plan is made of: candidate drives, the checks of each, and the plan itself.

`None` means "not known" everywhere. An unknown value gives an `unknown` check, never a `pass`.
"""

from __future__ import annotations

from typing import Final, Literal

from drivecare.documents import Value
from drivecare.reading.identity import Identity

CheckResult = Literal["pass", "warn", "block", "unknown"]
Fits = Literal["yes", "no", "unknown"]
MigrationKind = Literal["sector-copy", "unit-initialises", "file-copy"]
ArrayKind = Literal["mirror", "parity", "stripe", "none"]
MediaKind = Literal["hdd", "ssd"]
InterfaceProtocol = Literal["sata", "sas", "nvme", "pata", "usb", "emmc"]
RecordingMethod = Literal["conventional", "shingled"]
SectorFormat = Literal["512n", "512e", "4Kn"]

# Logical and physical sector size in bytes.
SECTOR_FORMATS: Final[dict[SectorFormat, tuple[int, int]]] = {
    "512n": (512, 512),
    "512e": (512, 4096),
    "4Kn": (4096, 4096),
}


class Candidate(Value, frozen=True, kw_only=True):
    """One drive that might go into the unit: a row of the stock list, or a drive that was read.

    Lengths in mm, peak currents in amperes (at spin-up for a hard drive), rates in MB/s of 10^6 bytes. `by_hand`: the
    facts that a person measured or looked up, where neither the drive nor the stock list has them.
    """

    name: str
    model: str | None = None
    serial: str | None = None
    identity: Identity = Identity()
    capacity_bytes: int | None = None
    labelled_gb: int | None = None  # as on the label, which does not promise a byte count
    kind: MediaKind | None = None
    protocol: InterfaceProtocol | None = None
    connector: str | None = None
    form_factor: str | None = None
    height_mm: float | None = None
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    rotation_rpm: float | None = None
    link_gbps: float | None = None
    pcie_generation: int | None = None
    pcie_lanes: int | None = None
    peak_3v3_amps: float | None = None
    peak_5v_amps: float | None = None
    peak_12v_amps: float | None = None
    power_disable: bool | None = None  # whether it obeys the signal on pin 3 of the SATA power plug
    recording: RecordingMethod | None = None
    mounting: tuple[str, ...] | None = None  # which threaded holes it has: "side", "bottom"
    rated_written_bytes: int | None = None
    error_bits_exponent: int | None = None  # one unrecoverable read error expected in 10^N bits
    sustained_mb_s: float | None = None
    verdict: str | None = None  # of its own reading
    risk_12_months: float | None = None  # chance of failing, a fraction, by its own reading
    obstacle: str | None = None  # why it cannot be fitted, whatever its size: locked, or not a drive at all
    shelf: str | None = None
    price: float | None = None
    by_hand: tuple[str, ...] = ()


class FitCheck(Value, frozen=True):
    """One check's answer. `reason`: in numbers; `source`: a document, "common practice, no source" or "from memory"."""

    check: str
    result: CheckResult
    reason: str
    source: str


class JudgedCandidate(Value, frozen=True, kw_only=True):
    """A candidate with its checks. `fits`: no if a check blocks, else unknown if one is unknown, else yes."""

    name: str
    fits: Fits
    checks: tuple[FitCheck, ...] = ()
    rank: int | None = None  # 1 is the best; only drives that fit or may fit have one
    ranking: tuple[str, ...] = ()  # why it has this rank
    model: str | None = None
    serial: str | None = None
    identity: Identity = Identity()
    capacity_bytes: int | None = None
    labelled_gb: int | None = None
    logical_sector_bytes: int | None = None
    shelf: str | None = None
    by_hand: tuple[str, ...] = ()
    copy_minutes: int | None = None  # of a full copy at the least; None where no rate is known


class ReplacedDrive(Value, frozen=True, kw_only=True):
    """The drive to be replaced, as far as the plan rests on it. `verdict`: of its reading, None where it has none."""

    model: str | None = None
    serial: str | None = None
    identity: Identity = Identity()
    capacity_bytes: int | None = None
    logical_sector_bytes: int | None = None
    verdict: str | None = None


class Advice(Value, frozen=True, kw_only=True):
    """What a symptom points to. `drive_likely`: whether the drive is the likely cause; `first`: what to check first."""

    symptom: str
    drive_likely: bool
    cause: str
    first: tuple[str, ...] = ()
    source: str


class OrderRail(Value, frozen=True, kw_only=True):
    """A voltage that the unit feeds, and the peak current a drive may draw from it; None where that is not known."""

    volts: float
    amps_max: float | None = None


class Order(Value, frozen=True, kw_only=True):
    """What to order. `form_factor` and `connector`: ids of profiles/; `protocol`: one, or several joined by "or".

    `search`: words for a shop's search. `capacity_bytes_min`, `capacity_bytes_max`: None where nothing sets a limit or
    it is not known, which a note then says. `notes`: everything else that a supplier must be told.
    """

    search: str
    form_factor: str
    height_mm_max: float
    connector: str
    protocol: str
    capacity_bytes_min: int | None = None
    capacity_bytes_max: int | None = None
    logical_sector_bytes: int | None = None
    rails: tuple[OrderRail, ...] = ()
    notes: tuple[str, ...] = ()


class Plan(Value, frozen=True, kw_only=True):
    """Which drive goes into which unit, why, and the steps. `candidates`: the best first."""

    schema: Literal["drivecare/plan-1"] = "drivecare/plan-1"
    host: str  # id of the host profile
    host_name: str
    label: str  # as it was typed
    migration: MigrationKind
    migration_reason: str | None = None  # why it is not the profile's own
    source: ReplacedDrive | None = None
    used_bytes: int | None = None
    smallest_member_sectors: int | None = None  # of the members left in the array, in the old drive's sectors
    stock: str | None = None  # the path of the stock list
    candidates: tuple[JudgedCandidate, ...] = ()
    chosen: str | None = None  # name of the candidate to fit; None where none certainly fits
    order: Order | None = None  # always in a plan of today; those of 0.1.0 have none
    symptom: Advice | None = None
    steps: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def chosen_drive(self) -> JudgedCandidate | None:
        """The chosen candidate, which the gate compares with the drive that was written."""
        return next((candidate for candidate in self.candidates if candidate.name == self.chosen), None)


class HostSummary(Value, frozen=True, kw_only=True):
    """One unit or bay of a list, in words."""

    id: str
    name: str
    bay: str
    interface: str
    migration: MigrationKind


class HostList(Value, frozen=True, kw_only=True):
    """The document of `hosts list`."""

    schema: Literal["drivecare/hosts-1"] = "drivecare/hosts-1"
    hosts: tuple[HostSummary, ...] = ()
