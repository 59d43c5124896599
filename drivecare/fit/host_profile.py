"""A host profile: one unit of one revision, or one kind of bay, as a person writes it in TOML.

Every table that a check reads carries a `source`: a document, "common practice, no source" or "from memory". The types
derive from `Strict`, so that a misspelt key is found. docs/host-profiles.md shows a profile line by line.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from drivecare.documents import Strict, Value
from drivecare.fit.model import ArrayKind, InterfaceProtocol, MediaKind, MigrationKind, SectorFormat

NonEmptyText = Annotated[str, msgspec.Meta(min_length=1)]
PositiveFloat = Annotated[float, msgspec.Meta(gt=0)]
FileName = Annotated[
    str,
    msgspec.Meta(
        pattern="^[a-z0-9][a-z0-9.-]*$",
        description='lower-case letters, digits, full stops and hyphens in quotes: "my-unit-3"',
    ),
]
RevisionDigits = Annotated[str, msgspec.Meta(pattern="^[0-9]{1,4}$", description='1 to 4 digits in quotes: "07"')]
PositiveInt = Annotated[int, msgspec.Meta(gt=0)]
BenchPhase = Literal["open", "fit", "close"]


class Label(Strict, frozen=True, kw_only=True):
    """How the unit's label reads: PREFIX, the digits of the revision, then those of the country it was sold in.

    Parts depend on the revision, not on the country. Behind a prefix that ends in a digit there must be a sign.
    """

    prefix: Annotated[
        str,
        msgspec.Meta(
            pattern="^[A-Z][A-Z0-9]{0,5}$",
            description='1 to 6 capital letters and digits in quotes, a letter first: "CH"',
        ),
    ]
    revisions: tuple[RevisionDigits, ...]
    region_digits: Annotated[int, msgspec.Meta(ge=0, le=4)]
    source: NonEmptyText


class Screws(Strict, frozen=True, kw_only=True):
    """The screws that hold the drive. `depth_mm`: how far they reach into it.

    `pattern`: which holes besides those at the plug they use, any one of these; left out, that is not known.
    """

    count: PositiveInt
    thread: NonEmptyText
    head: NonEmptyText
    depth_mm: PositiveFloat
    holes: Literal["side", "bottom"]
    pattern: tuple[Literal["middle", "end"], ...] = ()


class Bay(Strict, frozen=True, kw_only=True):
    """Where the drive sits. `height_mm`: the tallest drive it is built for; `least_height_mm`: the lowest it can hold.

    `spacer`: a lower drive sits loose and needs one. `adapters`: smaller form factors that fit with a frame, and ids of
    profiles/adapters.toml, which take drives of another plug. `also`: other form factors that fit as they are, for M.2
    slots with several stand-offs.
    """

    form_factor: NonEmptyText
    height_mm: PositiveFloat
    least_height_mm: PositiveFloat | None = None
    spacer: bool = False
    also: tuple[str, ...] = ()
    adapters: tuple[str, ...] = ()
    screws: Screws | None = None
    tools: tuple[str, ...] = ()
    source: NonEmptyText


class Interface(Strict, frozen=True, kw_only=True):
    """Connector and protocols. `link_gbps` is for SATA and SAS, the two PCIe numbers are for NVMe.

    `power_disable_held`: the unit feeds 3.3 V to pin 3 of the SATA power plug, which holds some drives in reset.
    `pata_position`: how a drive is to be set on its IDE cable.
    """

    connector: NonEmptyText
    protocols: tuple[InterfaceProtocol, ...]
    link_gbps: PositiveFloat | None = None
    pcie_generation: PositiveInt | None = None
    pcie_lanes: PositiveInt | None = None
    power_disable_held: bool = False
    pata_position: Literal["master", "slave", "cable-select"] | None = None
    source: NonEmptyText


class Supply(Strict, frozen=True, kw_only=True):
    """The peak current that the unit can supply, in amperes; a rail that is left out does not exist."""

    rail_3v3_amps: PositiveFloat | None = None
    rail_5v_amps: PositiveFloat | None = None
    rail_12v_amps: PositiveFloat | None = None
    source: NonEmptyText


class Capacity(Strict, frozen=True, kw_only=True):
    """The least and the greatest size that the unit takes, in bytes, and why.

    `exact_bytes`: the only sizes it takes, where it takes no others.
    """

    least_bytes: PositiveInt | None = None
    most_bytes: PositiveInt | None = None
    exact_bytes: tuple[PositiveInt, ...] = ()
    why: NonEmptyText
    source: NonEmptyText


class RecordingNeeds(Strict, frozen=True, kw_only=True):
    """How the unit writes: `sustained_mb_s` without a pause; `daily_write_gb` where the old drive does not tell."""

    kinds: tuple[MediaKind, ...] = ("hdd", "ssd")
    shingled: Literal["ok", "warn", "refuse"] = "ok"
    sustained_mb_s: PositiveFloat | None = None
    daily_write_gb: PositiveFloat | None = None
    why: NonEmptyText
    source: NonEmptyText


class Sectors(Strict, frozen=True, kw_only=True):
    """The sector formats that the unit can start from: 512n, 512e, 4Kn."""

    formats: tuple[SectorFormat, ...]
    source: NonEmptyText


class Migration(Strict, frozen=True, kw_only=True):
    """How the content gets onto the new drive. `paired`: the unit may refuse even a perfect copy on another drive.

    `array`: how the unit joins its drives, "none" where each stands alone. Left out, a unit that sets its drives up
    itself may join them. `larger`: what it does with the room of a larger drive, or that it refuses one.
    `files_suffice`: it takes a drive, too, onto which only the files were copied.
    """

    kind: MigrationKind
    array: ArrayKind | None = None
    larger: Literal["unused", "grows", "refused"] | None = None
    paired: bool = False
    files_suffice: bool = False
    how: NonEmptyText
    source: NonEmptyText


class BenchStep(Strict, frozen=True, kw_only=True):
    """One step by hand, with what it takes and what to mind. `id`: by which a revision replaces a step of its unit."""

    id: NonEmptyText | None = None
    phase: BenchPhase
    do: NonEmptyText
    tool: str | None = None
    screws: str | None = None
    caution: str | None = None


class Symptom(Strict, frozen=True, kw_only=True):
    """What the customer sees and what it usually means. `words`: of its descriptions; `first`: what to check first."""

    id: NonEmptyText
    says: NonEmptyText
    words: tuple[NonEmptyText, ...]
    drive_likely: bool
    cause: NonEmptyText
    first: tuple[NonEmptyText, ...] = ()
    source: NonEmptyText


class Host(Strict, frozen=True, kw_only=True):
    """A unit of one revision, or a kind of bay. A table that is left out makes no demand.

    `shares`: the file in units/, without .toml, whose steps, symptoms and cautions all revisions of the unit have.
    """

    id: FileName
    name: NonEmptyText
    kind: Literal["unit", "bay"]
    what: NonEmptyText  # media console, recorder, laptop ...
    shares: FileName | None = None
    label: Label | None = None
    bay: Bay
    interface: Interface
    supply: Supply | None = None
    capacity: Capacity | None = None
    recording: RecordingNeeds | None = None
    sectors: Sectors
    moving: Migration
    steps: tuple[BenchStep, ...] = ()
    symptoms: tuple[Symptom, ...] = ()
    cautions: tuple[NonEmptyText, ...] = ()


class HostDocument(Host, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A profile as `hosts show` and `hosts match` print it; `origin`: the file it came from."""

    schema: Literal["drivecare/host-1"] = "drivecare/host-1"
    origin: str


class Problem(Value, frozen=True, kw_only=True):
    """One problem in a profile: the key as TOML names it ("" for the file as a whole), and the reason."""

    key: str
    reason: str


class HostCheck(Value, frozen=True, kw_only=True):
    """The document of `hosts check`."""

    schema: Literal["drivecare/host-check-1"] = "drivecare/host-check-1"
    file: str
    valid: bool
    problems: tuple[Problem, ...] = ()
