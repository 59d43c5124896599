"""A drive named in somebody's own words above a pasted part of its report: "Model: KD-500 SN KX25-00417"."""

from __future__ import annotations

import re

from drivecare.reading.attributes import is_whole_row
from drivecare.reading.model import Protocol
from drivecare.reading.report_text import Report

_MOST_LINES = 10  # of a head; what stands further below is no head
_SERIAL = re.compile(
    r"\b(?:s/?n|ser(?:ial)?\.?(?:[ -]?(?:no|nr|number|num))?)\b\.?\s*[:=#]?\s*((?=[A-Z0-9-]*\d)[A-Z0-9][A-Z0-9-]{3,})",
    re.I,
)
_MODEL = re.compile(r"\b(?:model|drive|disk|type|mdl)\b(?:[ -]?(?:no|nr|number|name))?\.?\s*[:=]?\s*(\S.*)", re.I)
_LONGEST_MODEL = 40


def read_names(report: Report, protocol: Protocol | None) -> tuple[str | None, str | None]:
    """(model, serial) in the lines above the data; neither where the text holds no data of a drive or no serial."""
    data = next((at for at, line in enumerate(report.lines) if is_whole_row(line)), len(report.lines))
    if protocol is None and data == len(report.lines):
        return None, None
    head = report.lines[: min(data, _MOST_LINES)]
    serials = [match for line in head if (match := _SERIAL.search(line))]
    if not serials:
        return None, None
    # What follows a word for a model, up to the word for the serial number.
    before = (_SERIAL.split(line)[0] for line in head)
    models = [match[1].strip(" ,;:|/-()") for line in before if (match := _MODEL.search(line))]
    return next((model for model in models if _is_model(model)), None), serials[0][1]


def _is_model(text: str) -> bool:
    return 0 < len(text) <= _LONGEST_MODEL and any(letter.isdigit() for letter in text)
