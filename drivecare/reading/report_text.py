"""A report as lines and labelled fields, whatever happened to it on its way here."""

from __future__ import annotations

import re
from dataclasses import dataclass

from drivecare.documents import MOST_LINE_LETTERS
from drivecare.errors import BadInput
from drivecare.reading.locale_numbers import leading_count

_QUOTE = re.compile(r"^(?:\s*>)+ ?")
_COLOUR = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")  # of a recorded terminal
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_FIELD = re.compile(r"^\s*([A-Za-z][^:]{1,60}?)\s*:(?!:)\s*(.*?)\s*$")


def text_of(data: bytes, *, origin: str) -> str:
    """Decode a report's bytes: UTF-8, UTF-16, else Windows' Western code page. BadInput for binary."""
    if wide := utf_16_of(data):
        text = data.decode(wide, errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252", errors="replace")
    text = _COLOUR.sub("", text)
    controls = len(_CONTROL.findall(text))
    if "\x00" in text or controls > len(text) // 50:
        raise BadInput(
            "is not text",
            location=origin,
            hint="Give a saved reading (JSON) or the text report of one drive.",
        )
    return text


def utf_16_of(data: bytes) -> str | None:
    """Which UTF-16 this is, by its mark or by the zeros that stand beside the letters of English; None for neither."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    high, low = data[0::2].count(0), data[1::2].count(0)
    if max(high, low) * 4 > len(data) and min(high, low) * 100 < len(data):
        return "utf-16-be" if high > low else "utf-16-le"
    return None


def split_lines(text: str) -> list[str]:
    """Lines without mail quoting, none longer than a report's."""
    return [_QUOTE.sub("", line[:MOST_LINE_LETTERS]) for line in re.split(r"\r\n|\r|\n", text)]


def tidy_lines(lines: list[str]) -> list[str]:
    """Lines without trailing blanks; runs of empty ones are one."""
    lines = [line.rstrip() for line in lines]
    return [line for before, line in zip(("", *lines), lines, strict=False) if line or before]


def lines_of(text: str) -> list[str]:
    """Lines without mail quoting and trailing blanks, none longer than a report's; runs of empty ones are one."""
    return tidy_lines(split_lines(text))


_SAYS_NOTHING = ("", "-", "[No Information Found]", "Not reported", "[not available]")


@dataclass(frozen=True)
class Report:
    """A report's lines and its `Label: value` fields, by label in lower case; a repeated label keeps all its values."""

    lines: list[str]
    fields: dict[str, list[str]]

    @classmethod
    def of_lines(cls, lines: list[str]) -> Report:
        """Find the fields of a report, or of a part of one."""
        fields: dict[str, list[str]] = {}
        for line in lines:
            if match := _FIELD.match(line):
                fields.setdefault(" ".join(match[1].lower().split()), []).append(match[2])
        return cls(lines, fields)

    @classmethod
    def of(cls, text: str) -> Report:
        """Split a report's text into its lines and fields."""
        return cls.of_lines(lines_of(text))

    def any_line(self, *parts: str) -> str | None:
        """The first line that holds one of the parts, letter case aside."""
        lowered = [part.lower() for part in parts]
        return next((line.strip() for line in self.lines if any(part in line.lower() for part in lowered)), None)

    def first(self, *labels: str) -> str | None:
        """The first value under any of these labels that says something."""
        values = (value for label in labels for value in self.fields.get(label, ()))
        return next((value for value in values if value not in _SAYS_NOTHING), None)

    def count(self, *labels: str) -> int | None:
        """The whole number with which the first of these fields begins."""
        return leading_count(self.first(*labels) or "")
