"""The documents of a job that are not results of other rooms."""

from __future__ import annotations

from typing import Literal

import msgspec

from drivecare.documents import Value
from drivecare.exit_codes import ExitCode
from drivecare.fit.model import Advice
from drivecare.reading.model import Drive
from drivecare.transfer.holds import AreaContents

Route = Literal["same-drive", "new-drive-data", "new-drive-empty"]
ROUTES: dict[Route, str] = {
    "same-drive": "the same drive goes back",
    "new-drive-data": "a new drive with the data",
    "new-drive-empty": "a new drive, nothing copied onto it",
}
FactName = Literal[
    "consent",
    "route",
    "old-drive",
    "dead-drive",
    "weak-identity",
    "way-out",
    "unreadable",
    "unread",
    "unchanged",
    "detached",
    "no-data",
    "bag-drives",
    "left-out",
    "names-agreed",
    "earlier-reading",
    "earlier-copy",
    "unlike-profile",
    "copy-size",
    "source-changed",
    "all-zero",
    "chain-mended",
    "server-away",
    "note",
    "customer-note",
    "came-back",
]
CameBackCause = Literal["drive-failed", "other-cause", "not-known"]
BAY_PREFIX = "bay-"  # of the ID of every kind of bay that ships
DriveRole = Literal["old", "new"]
OldDriveFate = Literal["returned", "kept", "destroyed"]
# names: those of the files that a copy lost, `names-NUMBER.json`; note: words about the customer, `note-NUMBER.json`
CopyKind = Literal["image", "bag", "names", "note"]
WaitsFor = Literal["customer", "part", "copy", "bench"]
ImageFate = Literal["kept", "handed-over", "removed", "gone"]  # gone: no longer there when the job was closed


class FiledBy(Value, frozen=True, kw_only=True):
    """Who filed a result, by the name of their account, and at which bench: the `filed` of every filed result."""

    by: str | None = None
    bench: str | None = None


class BuiltFor(Value, frozen=True, kw_only=True):
    """The drives a unit is built for, by its profile: IDs of form factors (adapters included) and protocols.

    `kind`: whether the profile is of this unit, or of a kind of bay that any unit may have; null in jobs opened before
    that was recorded.
    """

    kind: Literal["unit", "bay"] | None = None
    form_factors: tuple[str, ...] = ()
    protocols: tuple[str, ...] = ()


class Opening(Value, frozen=True, kw_only=True):
    """What a job is opened with. `host` is the ID of the unit's profile, `label` the text of its label.

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
    reference: str | None = None  # the shop's own word for it; never a customer's name
    tags: tuple[str, ...] = ()  # words that jobs of one customer, or of one batch, have in common
    tool_version: str | None = None

    @property
    def names_only_a_bay(self) -> bool:
        """Whether the job was opened by a kind of bay, so that the unit has no name."""
        kind = self.built_for.kind if self.built_for is not None else None
        return kind == "bay" or (kind is None and self.host.startswith(BAY_PREFIX))


class Change(Value, frozen=True, kw_only=True):
    """What was wrong in a job's opening, and what holds instead; null leaves it as it was.

    A unit's `host`, `host_name`, `label`, `advice` and `built_for` change together.
    """

    schema: Literal["drivecare/change-1"] = "drivecare/change-1"
    host: str | None = None
    host_name: str | None = None
    label: str | None = None
    advice: tuple[Advice, ...] | None = None
    built_for: BuiltFor | None = None
    reference: str | None = None
    tags: tuple[str, ...] | None = None  # all that hold from now on
    complaint: str | None = None
    note: str | None = None
    at: str
    by: str | None = None

    def apply_to(self, opening: Opening) -> Opening:
        """Return the opening as it reads with this change."""
        names = ("host", "host_name", "label", "advice", "built_for", "reference", "tags", "complaint")
        changed = {name: value for name in names if (value := getattr(self, name)) is not None}
        return msgspec.structs.replace(opening, **changed)


class Withdrawal(Value, frozen=True, kw_only=True):
    """Results that no longer count, by the names of their files, and why. They stay where they are, chained as before.

    `moved_to` is the job that they were moved to. Withdrawing a closing reopens the job; withdrawing a withdrawal
    makes its results count again. `erased`: notes about the customer, by number, whose words went with what was moved.
    """

    schema: Literal["drivecare/withdrawal-1"] = "drivecare/withdrawal-1"
    files: tuple[str, ...]
    moved_to: str | None = None
    erased: tuple[int, ...] = ()
    note: str
    at: str
    by: str | None = None


class Move(Value, frozen=True, kw_only=True):
    """Results that were filed in another job and belong here, by the names of their files here.

    Their bytes are the same in both jobs. `jobs` are all that they were in before, oldest first.
    """

    schema: Literal["drivecare/move-1"] = "drivecare/move-1"
    files: tuple[str, ...]
    jobs: tuple[str, ...]
    note: str
    at: str
    by: str | None = None


class WordsApart(Value, frozen=True, kw_only=True):
    """The words of a note about the customer, kept apart: the size in bytes of their file, `note-NUMBER.json`, and its
    HMAC-SHA-256 in lower-case hex, by the key that the file holds.
    """

    length: int
    digest: str


class Fact(Value, frozen=True, kw_only=True):
    """Something a person did, decided or was told, which no drive can report.

    `about` is its subject, for a fact that needs one: a serial number, a route, an unreadable area as OFFSET+LENGTH.
    `words` stands for the `note` where that is about the customer.
    """

    schema: Literal["drivecare/fact-1"] = "drivecare/fact-1"
    fact: FactName
    about: str | None = None
    note: str | None = None
    words: WordsApart | None = None
    at: str
    by: str | None = None


class ImageLeft(Value, frozen=True, kw_only=True):
    """What a job kept of the customer's and its fate: an image, a bag of files, a file of names, words of a note."""

    path: str
    fate: ImageFate
    kind: CopyKind = "image"


class Closing(Value, frozen=True, kw_only=True):
    """How a job ended. `anyway` is the reason for closing it although the gate was shut.

    `erased`: the notes about the customer, by number, whose words it erased.
    """

    schema: Literal["drivecare/closing-1"] = "drivecare/closing-1"
    at: str
    by: str | None = None
    unit_started: bool
    old_drive: OldDriveFate
    images: tuple[ImageLeft, ...] = ()
    erased: tuple[int, ...] = ()
    gate_open: bool
    anyway: str | None = None
    note: str | None = None


class GateItem(Value, frozen=True, kw_only=True):
    """One thing that must hold before the unit is closed. `holds` is also false while nobody knows.

    `evidence` is what supports or contradicts it, `age` how old that is in words, `next` the one command that would
    settle it.
    """

    item: str
    holds: bool
    evidence: str
    age: str | None = None
    next: str | None = None


class Gate(Value, frozen=True, kw_only=True):
    """Whether the unit may be closed: open only if every item holds."""

    schema: Literal["drivecare/gate-1"] = "drivecare/gate-1"
    job: str
    route: Route
    open: bool
    items: tuple[GateItem, ...]

    @property
    def exit_code(self) -> ExitCode:
        """Whether the gate is open."""
        return ExitCode.DONE if self.open else ExitCode.GATE_SHUT


class NextStep(Value, frozen=True, kw_only=True):
    """Where a job stands, what is missing for the gate, and the one command that comes now.

    `command` is complete but for what a person must vouch for, which stays open: SERIAL, --note "...". It is null once
    the job is closed.
    """

    schema: Literal["drivecare/next-1"] = "drivecare/next-1"
    job: str
    state: Literal["gate-shut", "gate-open", "closed"]
    missing: tuple[str, ...] = ()  # items of the gate
    command: str | None = None
    why: str


class TimelineEntry(Value, frozen=True, kw_only=True):
    """One result of a job in a sentence. `file` is its name in the job's folder.

    `withdrawn_by` is the number of the entry by which it no longer counts. `by` and `bench`: who filed it, and where.
    """

    number: int
    kind: str
    filed_at: str
    serial: str | None = None
    says: str
    file: str
    withdrawn_by: int | None = None
    by: str | None = None
    bench: str | None = None


class UnfinishedCopy(Value, frozen=True, kw_only=True):
    """A copy of a job that was begun and is not finished; `resume` is the command that goes on with it.

    `bytes_total` is null where the whole is not known; `files` counts those of a file copy. `reading_back`: all is
    copied and remains to be proven. `rest_seconds`: what it takes at least to try the rest, where the copy stopped
    because nearly every read of it fails. `stopped_at_used`: all that is used was tried, and no more was asked for.
    `saved_at`: when its journal, the `file` in the job's folder, was last written.
    """

    kind: Literal["sectors", "files"]
    source: str
    target: str
    bytes_total: int | None = None
    bytes_copied: int = 0
    files: int | None = None
    reading_back: bool = False
    rest_seconds: float | None = None
    stopped_at_used: bool = False
    started: str
    saved_at: str | None = None
    file: str
    resume: str


class JobTimeline(Value, frozen=True, kw_only=True):
    """Everything filed in a job so far, in order, and the next step.

    `faults` names results that were removed, renamed, altered or added; `lost` is what the newest copy lacks, without
    the names of files; `why` is the reason for the `next` command.
    """

    schema: Literal["drivecare/job-1"] = "drivecare/job-1"
    id: str
    folder: str
    host: str
    host_name: str | None = None
    label: str
    complaint: str
    reference: str | None = None
    tags: tuple[str, ...] = ()
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
    unfinished: tuple[UnfinishedCopy, ...] = ()
    lost: tuple[AreaContents, ...] = ()
    next: str | None = None
    why: str | None = None


class FiledSelfTest(Value, frozen=True, kw_only=True):
    """The part of a filed self-test that the gate needs: which drive it was, how it ended and when."""

    schema: Literal["drivecare/selftest-1"] = "drivecare/selftest-1"
    drive: Drive
    state: str
    finished_at: str | None = None


class LeftOut(Value, frozen=True, kw_only=True):
    """A file left out of a job's archive: why it is taken for the customer's data, or cannot be read."""

    file: str
    reason: str


class Export(Value, frozen=True, kw_only=True):
    """An archive of a job as it was written; `files` are those in its manifest."""

    schema: Literal["drivecare/export-1"] = "drivecare/export-1"
    job: str
    path: str
    files: tuple[str, ...]
    with_images: bool
    with_names: bool = False
    left_out: tuple[LeftOut, ...] = ()


class DriveLabel(Value, frozen=True, kw_only=True):
    """What stands on one drive's label; null where it is not known. `size`: as on the drive's own label."""

    role: DriveRole
    model: str | None = None
    serial: str | None = None
    size: str | None = None


class DriveLabels(Value, frozen=True, kw_only=True):
    """The labels of a job's drives as they were written."""

    schema: Literal["drivecare/labels-1"] = "drivecare/labels-1"
    job: str
    path: str
    labels: tuple[DriveLabel, ...]


class ChainEnd(Value, frozen=True, kw_only=True):
    """Where the chain of a job's results ended: `digest` is the SHA-256 of its line number `results`."""

    results: int
    digest: str


class Handover(Value, frozen=True, kw_only=True):
    """A handover sheet as it was written. `missing` names the items of the gate that did not hold at that time.

    `chain` stands on the sheet too: whoever keeps it can tell whether a result was changed since. It is null in jobs
    of 0.1.0, which have no chain.
    """

    schema: Literal["drivecare/handover-1"] = "drivecare/handover-1"
    job: str
    path: str
    gate_open: bool
    missing: tuple[str, ...] = ()
    chain: ChainEnd | None = None
