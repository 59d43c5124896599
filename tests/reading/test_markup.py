"""What programs wrap around a report on its way hides nothing of it: mails, pages, lists, marks, letters unseen."""

from __future__ import annotations

import html
import json
import quopri
import re
from collections.abc import Callable

import pytest

from drivecare.errors import BadInput
from drivecare.reading.markup import unwrap
from drivecare.reading.reading_files import reading_of
from drivecare.reading.transit import restore_lines
from drivecare.risk.assess import assess
from tests.reading.recorded import INDEX, report

PENDING = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       "
DRIVES = {
    "evacuate": report("hdd-nothing-against-it").replace(f"{PENDING}0", f"{PENDING}24"),
    "refit": report("hdd-nothing-against-it"),
    "nvme": report("nvme-nothing-against-it").replace(
        "Warning:                   0x00", "Warning:                   0x08"
    ),
    "sas": report("sas-nothing-against-it").replace("defect list: 0", "defect list: 812"),
}
VERDICTS = {"nvme": "evacuate", "sas": "replace"}


def _rows(text: str, change: Callable[[str], str]) -> str:
    return "\n".join(change(line) if re.match(r" *\d+ \S+ +0x", line) else line for line in text.split("\n"))


def _cells(separator: str) -> Callable[[str], str]:
    return lambda text: _rows(text, lambda row: separator.join(row.split()))


WRAPPINGS: dict[str, Callable[[str], str]] = {
    "a saved mail": lambda text: quopri.encodestring(text.encode(), quotetabs=False).decode(),
    "a saved page": lambda text: f"<html><body><pre>{html.escape(text)}</pre></body></html>",
    "a mail in HTML": lambda text: "<p>" + html.escape(text).replace(" ", "&nbsp;").replace("\n", "<br>\n") + "</p>",
    "lines in boxes": lambda text: "".join(f'<div class="line">{html.escape(line)}</div>' for line in text.split("\n")),
    "letters of XML": lambda text: html.escape(text).replace("\n", "&#10;"),
    "a string of JSON": json.dumps,
    "blanks that do not break": lambda text: text.replace(" ", "\u00a0"),
    "marks of no width": lambda text: text.replace("\n", "\u200b\n\ufeff"),
    "marks of direction": lambda text: "\u202a" + text.replace("\n", "\u202c\n\u202a"),
    "long dashes": lambda text: text.replace(" - ", " \u2013 "),
    "hyphens that do not break": lambda text: text.replace("-", "\u2011"),
    "line ends that are shown": lambda text: text.replace("\t", "^I").replace("\n", "$\n"),
    "a frame": lambda text: "\n".join(f"| {line:100} |" for line in text.split("\n")),
    "a list with semicolons": _cells(";"),
    "a list with commas": _cells(","),
    "a table of Markdown": lambda text: _rows(text, lambda row: "| " + " | ".join(row.split()) + " |"),
    "cells in quotes": lambda text: _rows(text, lambda row: ",".join(f'"{cell}"' for cell in row.split())),
}


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("wrapping", WRAPPINGS)
def test_a_wrapped_report_gives_the_verdict_of_the_plain_one(wrapping: str, drive: str) -> None:
    plain, wrapped = DRIVES[drive], WRAPPINGS[wrapping](DRIVES[drive])
    assert assess(reading_of(plain.encode(), origin="plain")).verdict == VERDICTS.get(drive, drive)
    assert assess(reading_of(wrapped.encode(), origin="wrapped")).verdict == VERDICTS.get(drive, drive)


LOSING = [name for name in INDEX if "refit" not in (INDEX[name]["verdict"], *INDEX[name].get("also", ()))]


@pytest.mark.promise(4)
@pytest.mark.parametrize("number", range(len(WRAPPINGS)), ids=WRAPPINGS)
def test_no_wrapping_makes_a_drive_in_trouble_look_sound(number: int) -> None:
    """Every fourth report of the recorded ones, another quarter for each wrapping."""
    wrap = list(WRAPPINGS.values())[number]
    for name in LOSING[number % 4 :: 4]:
        try:
            verdict = assess(reading_of(wrap(report(name)).encode(), origin=name)).verdict
        except BadInput:
            continue  # refused, which no one takes for sound
        assert verdict != "refit", name


@pytest.mark.parametrize("drive", DRIVES)
def test_plain_text_comes_back_unchanged(drive: str) -> None:
    assert unwrap(DRIVES[drive]) == DRIVES[drive]


def test_a_letter_unseen_in_a_name_is_left_to_be_shown() -> None:
    text = DRIVES["refit"].replace("KX25-00417", "KX25-\u202e00417")
    assert reading_of(text.encode(), origin="named").drive.serial == "KX25-\u202e00417"


def test_a_count_in_quotes_keeps_its_thousands() -> None:
    row = '"197","Current_Pending_Sector","0x0032","200","200","000","Old_age","Always","-","2,544"'
    text = re.sub(r"^197 .*$", row, DRIVES["evacuate"], flags=re.M)
    assert reading_of(text.encode(), origin="list").values.pending == 2_544


def test_rows_that_all_end_in_zero_keep_their_counts() -> None:
    """What stands behind every line alike is a mark only where it is no letter, digit or dash."""
    rows = [line for line in DRIVES["refit"].split("\n") if re.match(r" *\d+ \S+ +0x", line) and line.endswith(" 0")]
    assert len(rows) >= 8
    assert restore_lines("\n".join(rows)) == rows


def test_warnings_that_did_not_come_through_are_not_none() -> None:
    text = re.sub(r"^Critical Warning:.*\n", "", DRIVES["nvme"], flags=re.M)
    assessment = assess(reading_of(text.encode(), origin="cut"))
    assert assessment.values.critical_warnings is None
    assert assessment.verdict == "recheck"


def test_tags_without_an_end_take_no_time() -> None:
    text = "<p " * 200_000 + DRIVES["refit"]
    assert unwrap(text).endswith(DRIVES["refit"][-100:])
