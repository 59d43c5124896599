"""The values a judgement is made of.

An assessment is a pure function of readings and rules: the same reading gives the same assessment. Its `severity` words
are the verdict a finding asks for by itself, with two more: `note` asks for nothing, `blocked` says that the reading
cannot be judged.
"""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.exit_codes import ExitCode
from drivecare.reading.model import Drive, DriveSays, Values

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


class Finding(Value, frozen=True, kw_only=True):
    """One signal that a rule has something to say about.

    `signal` is a field of `Values` or another stable snake_case name; `label` says it in words. `limit` is what was
    exceeded, None where there is no number. `detail` is what was seen beside the number. `source` starts with its
    kind: "measured: ...". `action`: what to do.
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
    action: str


class Chance(Value, frozen=True, kw_only=True):
    """The chance of failing within 12 months as fractions 0 to 1; all None where no data bears on this drive.

    `low` to `high` carries sampling error and the spread between makers and models. `basis` says in one sentence where
    it comes from. `clean` is the estimate for a drive of the same age with nothing to show.
    """

    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    basis: str
    clean: float | None = None


class Assessment(Value, frozen=True, kw_only=True):
    """What one reading, with its history and a surface scan where there are any, says about one drive.

    `findings` stand worst first. `way_out` is set for `recheck`: what clears it up. `next_steps` are for the bench.
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
    next_steps: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """The code of the verdict."""
        return EXIT_CODES[self.verdict]
