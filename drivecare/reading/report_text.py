"""A report as lines and labelled fields, whatever happened to it on its way here."""

from __future__ import annotations

import re

from drivecare.documents import MOST_LINE_LETTERS
from drivecare.errors import BadInput

_QUOTE = re.compile(r"^(?:\s*>)+ ?")
_COLOUR = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")  # of a recorded terminal
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
_FIELD = re.compile(r"^\s*([A-Za-z][^:]{1,60}?)\s*:(?!:)\s*(.*?)\s*$")


def text_of(data: bytes, *, origin: str) -> str:
    """Bytes of a report as text: UTF-8, UTF-16 with its mark, else Windows' Western code page. BadInput for binary."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", errors="replace")
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


def lines_of(text: str) -> list[str]:
    """Lines without mail quoting and trailing blanks, each cut where no report goes on; many empty ones are one."""
    lines = [_QUOTE.sub("", line[:MOST_LINE_LETTERS]).rstrip() for line in re.split(r"\r\n|\r|\n", text)]
    return [line for before, line in zip(("", *lines), lines, strict=False) if line or before]


def fields_of(lines: list[str]) -> dict[str, list[str]]:
    """Every `Label: value` line, by label in lower case with single blanks; a repeated label keeps all its values."""
    fields: dict[str, list[str]] = {}
    for line in lines:
        match = _FIELD.match(line)
        if match:
            label = " ".join(match[1].lower().split())
            fields.setdefault(label, []).append(match[2])
    return fields


def first(fields: dict[str, list[str]], *labels: str) -> str | None:
    """The first value that says something under any of these labels."""
    for label in labels:
        for value in fields.get(label, ()):
            if value and value not in ("-", "[No Information Found]", "Not reported", "[not available]"):
                return value
    return None
