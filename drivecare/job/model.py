"""The documents of a job that are not results of other rooms."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.exit_codes import ExitCode
from drivecare.fit.model import Advice
from drivecare.reading.model import Drive

Route = Literal["same-drive", "new-drive-data", "new-drive-empty"]
ROUTES: dict[Route, str] = {
    "same-drive": "the same drive goes back",
    "new-drive-data": "a new drive with the data",
    "new-drive-empty": "a new drive, no data wanted",
}
FactName = Literal[
    "consent",
    "route",
    "old-drive",
    "dead-drive",
    "weak-identity",
    "way-out",
    "unreadable",
    "unchanged",
    "detached",
    "no-data",
    "bag-drives",
    "left-out",
    "earlier-reading",
    "earlier-copy",
    "unlike-profile",
    "copy-size",
    "source-changed",
    "chain-mended",
]
OldDriveFate = Literal["returned", "kept", "destroyed"]
CopyKind = Literal["image", "bag"]
ImageFate = Literal["kept", "handed-over", "removed", "gone"]  # gone: it was no longer there at closing


class BuiltFor(Value, frozen=True, kw_only=True):
    """What drives a unit is built for, by its profile: bodies (with an adapter too) and protocols, by their IDs."""

    form_factors: tuple[str, ...] = ()
    protocols: tuple[str, ...] = ()


class Opening(Value, frozen=True, kw_only=True):
    """What a job is opened with. `host` is a profile's ID, `label` what the unit's label says, word for word.

    `tool_version` is null in jobs opened by 0.1.0, which have no chain.
    """

    schema: Literal["drivecare/opening-1"] = "drivecare/opening-1"
    id: str
    opened_at: str  # ISO 8601 with offset, as every time here
    by: str | None = None
    host: str
    host_name: str | None = None
    label: str
    complaint: str
    symptoms: tuple[str, ...] = ()
    advice: tuple[Advice, ...] = ()  # what the host's profile says to these symptoms
    built_for: BuiltFor | None = None  # None in jobs of 0.1.0
    tool_version: str | None = None


class Fact(Value, frozen=True, kw_only=True):
    """Something a person did, decided or was told, which no drive can report.

    `about` is what the fact is about, where it needs one: an unreadable area's offset in bytes, a serial number.
    """

    schema: Literal["drivecare/fact-1"] = "drivecare/fact-1"
    fact: FactName
    about: str | None = None
    note: str | None = None
    at: str
    by: str | None = None


class ImageLeft(Value, frozen=True, kw_only=True):
    """A copy of the customer's data that the job made, an image or a bag of files, and what became of it."""

    path: str
    fate: ImageFate
    kind: CopyKind = "image"


class Closing(Value, frozen=True, kw_only=True):
    """How a job ended. `anyway` is the reason where it was closed with the gate shut."""

    schema: Literal["drivecare/closing-1"] = "drivecare/closing-1"
    at: str
    by: str | None = None
    unit_started: bool
    old_drive: OldDriveFate
    images: tuple[ImageLeft, ...] = ()
    gate_open: bool
    anyway: str | None = None
    note: str | None = None


class GateItem(Value, frozen=True, kw_only=True):
    """One thing the gate stands on. `holds` is false where it does not, and where nobody knows.

    `evidence` says what was found, `age` how old that is in words, `next` the one command that would mend it.
    """

    item: str
    holds: bool
    evidence: str
    age: str | None = None
    next: str | None = None


class Gate(Value, frozen=True, kw_only=True):
    """May the unit be closed? Open only where every item holds."""

    schema: Literal["drivecare/gate-1"] = "drivecare/gate-1"
    job: str
    route: Route
    open: bool
    items: tuple[GateItem, ...]

    @property
    def exit_code(self) -> ExitCode:
        """Whether the gate is open."""
        return ExitCode.DONE if self.open else ExitCode.GATE_SHUT


class TimelineEntry(Value, frozen=True, kw_only=True):
    """One result of a job in a sentence. `file` is its name in the job's folder."""

    number: int
    kind: str
    filed_at: str
    serial: str | None = None
    says: str
    file: str


class JobTimeline(Value, frozen=True, kw_only=True):
    """A job's story so far and the next step. `faults`: results that were removed, renamed, altered or added."""

    schema: Literal["drivecare/job-1"] = "drivecare/job-1"
    id: str
    folder: str
    host: str
    host_name: str | None = None
    label: str
    complaint: str
    symptoms: tuple[str, ...] = ()
    advice: tuple[Advice, ...] = ()
    opened_at: str
    by: str | None = None
    state: Literal["open", "closed"]
    route: Route
    verdict: str | None = None  # of the old drive's newest reading
    gate_open: bool
    story: tuple[TimelineEntry, ...] = ()
    faults: tuple[str, ...] = ()
    next: str | None = None
    why: str | None = None


class JobLine(Value, frozen=True, kw_only=True):
    """One job in the list; `error` says why it cannot be read."""

    id: str
    host: str | None = None
    state: Literal["open", "closed"] | None = None
    opened_at: str | None = None
    serials: tuple[str, ...] = ()
    verdict: str | None = None
    gate_open: bool | None = None
    error: str | None = None


class JobList(Value, frozen=True, kw_only=True):
    """What `job list` prints."""

    schema: Literal["drivecare/jobs-1"] = "drivecare/jobs-1"
    jobs: tuple[JobLine, ...] = ()


class FiledSelfTest(Value, frozen=True, kw_only=True):
    """What the gate needs of a filed self-test: which drive, how it ended and when."""

    schema: Literal["drivecare/selftest-1"] = "drivecare/selftest-1"
    drive: Drive
    state: str
    finished_at: str | None = None


class ValueChange(Value, frozen=True, kw_only=True):
    """One value that differs from the reading before; null where the drive did not say."""

    value: str
    before: int | float | str | None = None
    now: int | float | str | None = None


class PastReading(Value, frozen=True, kw_only=True):
    """One reading of a drive in one job."""

    job: str
    file: str
    read_at: str
    verdict: str | None = None
    power_on_hours: int | None = None
    changes: tuple[ValueChange, ...] = ()


class History(Value, frozen=True, kw_only=True):
    """Every reading of one drive across jobs, oldest first, each with what changed since the one before.

    `unread`: jobs that could not be read, and why.
    """

    schema: Literal["drivecare/history-1"] = "drivecare/history-1"
    serial: str
    model: str | None = None
    readings: tuple[PastReading, ...] = ()
    unread: tuple[str, ...] = ()


class LeftOut(Value, frozen=True, kw_only=True):
    """A file of a job's folder that was not put into the archive, and why it is taken for the customer's data."""

    file: str
    reason: str


class Export(Value, frozen=True, kw_only=True):
    """An archive of a job that was written: the files in it besides its manifest, as the manifest names them."""

    schema: Literal["drivecare/export-1"] = "drivecare/export-1"
    job: str
    path: str
    files: tuple[str, ...]
    with_images: bool
    left_out: tuple[LeftOut, ...] = ()


class Handover(Value, frozen=True, kw_only=True):
    """A handover sheet that was written. `missing`: items of the gate that did not hold when it was."""

    schema: Literal["drivecare/handover-1"] = "drivecare/handover-1"
    job: str
    path: str
    gate_open: bool
    missing: tuple[str, ...] = ()
