"""The drive's own verdict on its health: passed, failing or silent, its words, and what weakens or explains it."""

from __future__ import annotations

import re
from typing import NamedTuple

from drivecare.reading.model import Drive, DriveSays, Values
from drivecare.reading.report_text import Report

_VERDICT = re.compile(r"(?:overall-health self-assessment test result|SMART Health Status):\s*(\S.*?)\s*$", re.I)
_QUALIFIERS = (
    ("result is based on an attribute check", "attribute check only"),
    ("smart status not supported", "status not returned"),
    ("smart status command failed", "status not returned"),
    ("expected in less than 24 hours", "failure expected within 24 hours"),
    ("no failed attributes found", "no attribute has failed"),
    ("attribute list for failed attributes", "attributes have failed"),
    ("failed attributes:", "attributes have failed"),
    ("marginal attributes", "attributes failed in the past"),
    ("attributes and thresholds cannot be read", "attributes not read"),
    ("specified temperature exceeded", "temperature exceeded"),
)
FAILURE_WARNINGS = frozenset({"reliability", "read-only"})


class OwnVerdict(NamedTuple):
    """What the drive says of itself."""

    says: DriveSays = "silent"
    words: str | None = None
    qualifiers: tuple[str, ...] = ()


def read_verdict(report: Report, drive: Drive, values: Values) -> OwnVerdict:
    """The verdict in the report, in its words and in one of ours."""
    words = next((match[1] for line in report.lines if (match := _VERDICT.search(line))), None)
    qualifiers = tuple(dict.fromkeys(meaning for phrase, meaning in _QUALIFIERS if report.any_line(phrase)))
    return OwnVerdict(_in_a_word((words or "").lower(), drive, values), words, qualifiers)


def _in_a_word(words: str, drive: Drive, values: Values) -> DriveSays:
    """The verdict as passed, failing or silent, whatever its wording.

    NVMe knows no overall verdict: the backend words one from the warning bits, and calls an overheated drive failed.
    There only the bits that mean failure (reliability, read-only) are taken for one; the others speak for themselves.
    """
    if re.match(r"passed|ok\b", words):
        return "passed"
    if values.failure_prediction is not None:
        return "silent" if values.failure_prediction == "5d/ff" else "failing"
    if not words.startswith("fail"):
        return "silent"
    warnings = set(values.critical_warnings or ())
    harmless = drive.protocol == "nvme" and warnings and not warnings & FAILURE_WARNINGS
    return "silent" if harmless else "failing"
