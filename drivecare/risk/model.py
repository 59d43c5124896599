"""The values that a judgement is made of.

An assessment is a pure function of readings and rules: the same reading gives the same assessment. A finding's severity
is the verdict that it asks for by itself, with two more: `note` asks for nothing, `blocked` means that the reading
cannot be judged.
"""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.exit_codes import ExitCode
from drivecare.reading.model import Drive, DriveSays, UnreadableLba, Values

Verdict = Literal["refit", "recheck", "replace", "evacuate", "unproven"]
Severity = Literal["note", "recheck", "replace", "evacuate", "blocked"]
FaultClass = Literal["media", "wear", "mechanics", "heat", "link", "locked", "electronics", "none"]
SourceKind = Literal["measured", "published", "judgement"]
Sale = Literal["used", "new"]
Observed = int | float | str

# What a process that yields this verdict ends with.
EXIT_CODES: dict[Verdict, ExitCode] = {
    "refit": ExitCode.DONE,
    "recheck": ExitCode.RECHECK,
    "replace": ExitCode.REPLACE,
    "evacuate": ExitCode.EVACUATE,
    "unproven": ExitCode.UNPROVEN,
}


# What a self-test says failed, as ACS-3 tells it apart, in words for a screen.
_FAILED_PARTS = {
    "read": "could not read",
    "servo": "the servo failed",
    "electrical": "the electronics failed",
    "unknown-element": "something failed that it does not name",
    "handling-damage": "perhaps damaged by handling",
    "not-completed": "could not be completed",
}


class Finding(Value, frozen=True, kw_only=True):
    """One signal on which a rule holds.

    `signal`: a field of `Values` or another stable snake_case name; `label`: the same in words. `limit`: what was
    exceeded, None without a number. `detail`: what was seen beside the number. `source` starts with its kind:
    "measured: ..."; `source_name` is its title alone, empty for a judgement. `action`: what to do.
    """

    signal: str
    label: str
    observed: Observed | None = None
    limit: Observed | None = None
    severity: Severity
    fault_class: FaultClass
    detail: str = ""
    why: str = ""
    source: str
    source_kind: SourceKind
    source_name: str = ""
    action: str

    @property
    def failed_part(self) -> str | None:
        """What failed in a self-test, in words; None where the finding is of anything else."""
        is_test = self.signal in ("last_selftest", "old_failed_selftest")
        return _FAILED_PARTS.get(str(self.observed)) if is_test else None


class Chance(Value, frozen=True, kw_only=True):
    """The chance of failing within 12 months as fractions 0 to 1; all None where no data applies to this drive.

    Four in five models lie between `low` and `high`: sampling error and the spread between models. `basis`: one
    sentence on where it comes from. `clean`: the estimate for a drive of the same maker and age with nothing to show.
    `unmeasured`: what of this drive the data behind the base rate do not hold; the base rate of any drive stands then.
    """

    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    basis: str
    clean: float | None = None
    unmeasured: tuple[str, ...] = ()


class UnitSign(Value, frozen=True, kw_only=True):
    """What one count says about the unit that the drive came from. `text`: what it fits with, never a proof.

    `sign`: power-cuts, restarts, hard-starts, shocks, heat, link or parking. `signal`: the count it rests on.
    """

    sign: str
    signal: str
    observed: int
    text: str
    source: str


class Endurance(Value, frozen=True, kw_only=True):
    """A solid-state drive's rated endurance at the pace of its life so far.

    `years_left`: of running, at the least, up to 20; None where nothing can be told. `counted`: whether the drive
    counts its wear at all.
    """

    percent_used: int
    years_left: float | None = None
    counted: bool = True
    text: str


class Growth(Value, frozen=True, kw_only=True):
    """A count of `Values` that has risen between two readings."""

    value: str
    before: int
    now: int


class Sighting(Value, frozen=True, kw_only=True):
    """Another job that read this drive before: how it was then (`verdict`), and what has grown since.

    `text`: the same in a sentence.
    """

    job: str
    read_at: str | None = None
    verdict: Verdict | None = None
    power_on_hours: int | None = None
    growth: tuple[Growth, ...] = ()
    text: str


class Assessment(Value, frozen=True, kw_only=True):
    """The judgement of one drive by one reading, with its history and a surface scan where there are any.

    `findings`: the worst first. `way_out`: what clears up a `recheck`. `unit`: what the drive says about the unit it
    came from; it does not count in the verdict. `sightings`: other jobs that read the drive before, oldest first; what
    has grown since counts. `counted`: what is on the drive, where a job has a copy of it. `next_steps`: for the bench.
    """

    schema: Literal["drivecare/assessment-1"] = "drivecare/assessment-1"
    read_at: str | None = None
    path: str | None = None
    transport: str | None = None
    bridge: str | None = None
    drive_says: DriveSays = "silent"
    drive_says_words: str | None = None
    drive: Drive
    values: Values
    sale: Sale = "used"
    verdict: Verdict
    headline: str
    leading_signal: str | None = None
    fault_classes: tuple[FaultClass, ...] = ()
    failure_12_months: Chance
    findings: tuple[Finding, ...] = ()
    way_out: str | None = None
    unreadable_lbas: tuple[UnreadableLba, ...] = ()
    endurance: Endurance | None = None
    unit: tuple[UnitSign, ...] = ()
    sightings: tuple[Sighting, ...] = ()
    counted: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """The code of the verdict."""
        return EXIT_CODES[self.verdict]
