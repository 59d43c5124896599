"""A reading in the making: what the steps of the decoder have found so far, and how a step is taken."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import msgspec

from drivecare.reading.attributes import AttributeTable
from drivecare.reading.circumstances import UnknownBridge
from drivecare.reading.gaps import GapNotes
from drivecare.reading.model import Drive, LoggedErrors, Protocol, RawReport, Reading, SelfTest, UnreadableLba, Values
from drivecare.reading.own_verdict import OwnVerdict
from drivecare.reading.report_text import Report


@dataclass(frozen=True)
class Step:
    """One function of the decoder. It takes the parts of the draft that its parameters are named for, and nothing else.

    `fills`: the part that its answer becomes, or one field of it ("drive.kind"). `completes`: the part whose unknown
    fields its answer fills. A step without either only notes gaps, or refuses the report.
    """

    function: Callable[..., Any]
    needs: str
    fills: str = ""
    completes: str = ""


@dataclass
class Draft:
    """The parts of a reading. A step replaces a part as a whole; only `gaps` grows."""

    raw: RawReport
    report: Report
    read_at: str | None
    transport: str | None
    bridge: UnknownBridge | None = None
    protocol: Protocol | None = None
    drive: Drive = Drive()  # noqa: RUF009  frozen, as are the others
    table: AttributeTable = AttributeTable()  # noqa: RUF009
    errors: LoggedErrors = LoggedErrors()  # noqa: RUF009
    selftests: tuple[SelfTest, ...] = ()
    zoneless_time: str | None = None
    unreadable_lbas: tuple[UnreadableLba, ...] = ()
    statistics: dict[str, int] = field(default_factory=dict)
    values: Values = Values()  # noqa: RUF009
    health: bool = False  # there is health data that can speak for the drive as well as against it
    verdict: OwnVerdict = OwnVerdict()  # noqa: RUF009
    gaps: GapNotes = field(default_factory=GapNotes)

    def take(self, steps: Iterable[Step]) -> None:
        """Take the steps, one after the other."""
        for step in steps:
            answer = step.function(*(getattr(self, part) for part in step.needs.split()))
            part, _, name = step.fills.partition(".")
            if name:
                setattr(self, part, msgspec.structs.replace(getattr(self, part), **{name: answer}))
            elif part:
                setattr(self, part, answer)
            elif step.completes:
                setattr(self, step.completes, getattr(self, step.completes).completed_by(answer))

    def reading(self, path: str | None) -> Reading:
        """The reading that the draft has become."""
        return Reading(
            read_at=self.read_at,
            zoneless_time=self.zoneless_time,
            path=path or (self.bridge.path if self.bridge else None),
            transport=self.transport,
            bridge=self.raw.bridge or (self.bridge.chip if self.bridge else None),
            drive_says=self.verdict.says,
            drive_says_words=self.verdict.words,
            qualifiers=self.verdict.qualifiers,
            drive=self.drive,
            values=self.values,
            attributes=self.table.rows,
            selftests=self.selftests,
            errors=self.errors,
            unreadable_lbas=self.unreadable_lbas,
            statistics=self.statistics,
            gaps=tuple(self.gaps.noted),
            raw=self.raw,
        )
