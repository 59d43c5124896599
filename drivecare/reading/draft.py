"""What has been gathered from a report so far: each protocol's decoder fills one of these."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from drivecare.reading.gaps import gap
from drivecare.reading.model import Attribute, Gap, LoggedErrors, SelfTest
from drivecare.reading.report_text import fields_of, lines_of


@dataclass(frozen=True)
class Report:
    """A report's lines and its labelled fields."""

    lines: list[str]
    fields: dict[str, list[str]]

    @classmethod
    def of(cls, text: str) -> Report:
        """Split a report's text into its lines and fields."""
        lines = lines_of(text)
        return cls(lines, fields_of(lines))

    def any_line(self, *parts: str) -> str | None:
        """The first line that holds one of the parts, letter case aside."""
        lowered = [part.lower() for part in parts]
        return next((line.strip() for line in self.lines if any(part in line.lower() for part in lowered)), None)


@dataclass
class Said:
    """Values found, by their field names in the model, and what was missing or impossible."""

    drive: dict[str, Any] = field(default_factory=dict)
    values: dict[str, Any] = field(default_factory=dict)
    attributes: tuple[Attribute, ...] = ()
    selftests: tuple[SelfTest, ...] = ()
    errors: LoggedErrors = LoggedErrors()  # noqa: RUF009  frozen
    statistics: dict[str, int] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)
    table_trusted: bool = True
    ends_in_table: bool = False  # the report stops at a row of the attribute table
    health: bool = False  # there is health data that can speak for the drive as well as against it

    def miss(self, code: str, what: str) -> None:
        """Note a gap once."""
        if not any(known.code == code and known.what == what for known in self.gaps):
            self.gaps.append(gap(code, what))

    def put(self, name: str, value: int | None, *, limit: int, code: str = "count-implausible") -> None:
        """Keep a value up to `limit`; beyond it the value is None and a gap tells the number."""
        if value is None:
            return
        if 0 <= value <= limit:
            self.values.setdefault(name, value)
        else:
            self.miss(code, f"{name.replace('_', ' ')}: {value:,} is not a possible number.")

    def fill(self, name: str, candidates: Iterable[int | None]) -> None:
        """Take the first candidate that says something, where nothing better is known."""
        for candidate in candidates:
            if candidate is not None and self.values.get(name) is None:
                self.values[name] = candidate
