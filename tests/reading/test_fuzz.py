"""Damaged reports: nothing but NoDrive and BadInput is raised, and what was not touched comes out unchanged."""

from __future__ import annotations

import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivecare.errors import BadInput
from drivecare.reading.decode import decode_report
from drivecare.reading.model import Reading
from drivecare.reading.reading_files import reading_of
from drivecare.risk.assess import assess
from tests.reading.recorded import INDEX, report

# The line that alone tells a value, by what it begins with.
TOLD_BY = {
    "reallocated": r" *5 +Reall",
    "pending": r" *197 +Current",
    "offline_uncorrectable": r" *198 +Offline",
    "crc_errors": r" *199 +(UDMA_)?CRC",
    "temperature_celsius": r"(?: *194 +Temp|Temperature:|Current Drive Temperature:)",
    "power_cycles": r"(?: *12 +Power|Power Cycles:)",
    "media_errors": r"Media and Data Integrity Errors:",
    "available_spare_percent": r"Available Spare:",
    "wear_percent_used": r"Percentage Used:",
    "grown_defects": r"Elements in grown defect list:",
    "uncorrected_reads": r"read: ",
    "uncorrected_writes": r"write: ",
}
# Where one line decides how others are read, or a log tells what a row tells too.
DEPENDENT = ("mail", "page", "shown", "frame", "written-head", "log-alone", "over-table")
SOUND = [name for name in INDEX if INDEX[name]["verdict"] != "unproven" and not any(word in name for word in DEPENDENT)]


def _tellers(lines: list[str], pattern: str) -> list[str]:
    return [line for line in lines if re.match(pattern, line)]


def mutated(lines: list[str], chance: random.Random) -> list[str]:
    """Some lines cut, doubled, moved, or with a digit turned."""
    lines = list(lines)
    for _ in range(chance.randint(1, 12)):
        if not lines:
            break
        at = chance.randrange(len(lines))
        match chance.randrange(5):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[at])
            case 2:
                lines.insert(chance.randrange(len(lines)), lines.pop(at))
            case 3:
                places = [place for place, letter in enumerate(lines[at]) if letter.isdigit()]
                if places:
                    place = chance.choice(places)
                    lines[at] = f"{lines[at][:place]}{chance.randrange(10)}{lines[at][place + 1 :]}"
            case _:
                lines[at] = lines[at][: chance.randrange(len(lines[at]) + 1)]
    return lines


def decoded(text: str) -> Reading | None:
    try:
        return decode_report(text)
    except BadInput:
        return None


def check(text: str, seed: int) -> int:
    """Decode a mutation of `text`; returns how many untouched values were compared."""
    lines = text.splitlines()
    changed = mutated(lines, random.Random(seed))
    before, after = decode_report(text), decoded("\n".join(changed))
    if after is None:
        return 0
    assess(after)
    if after.drive.protocol != before.drive.protocol or any(gap.code == "table-junk" for gap in after.gaps):
        return 0
    compared = 0
    for name, pattern in TOLD_BY.items():
        tellers = set(_tellers(lines, pattern))
        if len(tellers) == 1 and set(_tellers(changed, pattern)) == tellers and not _also_told(name, lines, changed):
            assert getattr(after.values, name) == getattr(before.values, name), (name, seed)
            compared += 1
    return compared


# What a changed line may begin with to tell the value too: a row whose id was turned into this one, or a log's row.
ALSO_TOLD_BY = {
    "reallocated": r" *5 |.*Number of Reallocated Logical Sectors",
    "pending": r" *197 ",
    "offline_uncorrectable": r" *198 ",
    "crc_errors": r" *199 ",
    "temperature_celsius": r" *194 ",
    "power_cycles": r" *12 ",
    "wear_percent_used": "",  # many rows may
}


def _also_told(name: str, lines: list[str], changed: list[str]) -> bool:
    """Whether a changed line may now speak for the value too."""
    pattern = ALSO_TOLD_BY.get(name)
    return pattern is not None and any(re.match(pattern, line) and line not in lines for line in changed)


def _many(count: int) -> None:
    texts = [report(name) for name in SOUND]
    compared = sum(check(texts[seed % len(texts)], seed) for seed in range(count))
    assert compared > count  # several values of most mutations were there to compare


def test_mutated_reports() -> None:
    _many(400)


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_twenty_thousand_mutated_reports() -> None:
    _many(20_000)


HEALTH = re.compile(r"START OF (?:READ )?SMART DATA SECTION|^SMART Health Status", re.M)


@pytest.mark.promise(4)
@pytest.mark.parametrize("name", INDEX)
def test_a_report_without_its_health_is_never_healthy(name: str) -> None:
    health = HEALTH.search(report(name))
    reading = decoded(report(name)[: health.start()] if health else "")
    if reading is not None:
        assert assess(reading).verdict == "unproven"


@given(st.text(max_size=400))
@settings(max_examples=150, deadline=None)
def test_any_text(text: str) -> None:
    reading = decoded(text)
    assert reading is None or assess(reading).verdict != "refit"


@given(st.binary(max_size=400))
@settings(max_examples=150, deadline=None)
def test_any_bytes(data: bytes) -> None:
    try:
        reading = reading_of(data, origin="given")
    except BadInput:
        return
    assert assess(reading).verdict != "refit"


ROW = st.tuples(
    st.integers(0, 999), st.integers(0, 999), st.integers(0, 999), st.integers(0, 999), st.text(max_size=30)
)


@given(st.lists(ROW, max_size=40))
@settings(max_examples=150, deadline=None)
def test_any_table(rows: list[tuple[int, int, int, int, str]]) -> None:
    table = "\n".join(
        f"{i:3} Some_Attribute          0x0033   {v:03}   {w:03}   {t:03}    Pre-fail  Always       -       {raw}"
        for i, v, w, t, raw in rows
    )
    reading = decode_report(f"Device Model: Kestrel KD-500\nSerial Number: KX1\n{table}\n")
    assert all(1 <= row.id <= 255 for row in reading.attributes)
