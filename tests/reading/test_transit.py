"""A report that was wrapped, prefixed or stored in another encoding on its way here tells the same as before."""

from __future__ import annotations

import textwrap
from collections.abc import Callable

import pytest

from drivecare.reading.decode import decode_report
from drivecare.reading.model import Reading
from drivecare.reading.reading_files import reading_of
from drivecare.risk.assess import assess
from tests.reading.recorded import report

NAMES = (
    "hdd-pending-2544",
    "hdd-pending-1971-brief-table",
    "ssd-past-its-rating",
    "nvme-test-failed",
    "sas-test-failed",
)


def _broken(width: int) -> Callable[[str], str]:
    """Cut every line hard at a width, as a terminal of that width prints it."""

    def apply(text: str) -> str:
        lines = text.expandtabs().split("\n")
        return "\n".join(line[at : at + width] for line in lines for at in range(0, max(len(line), 1), width))

    return apply


def _wrapped(width: int) -> Callable[[str], str]:
    """Break lines at blanks, as a mail program does."""

    def apply(text: str) -> str:
        wrap = textwrap.TextWrapper(width, expand_tabs=False, replace_whitespace=False, break_long_words=False)
        return "\n".join("\n".join(wrap.wrap(line)) for line in text.expandtabs().split("\n"))

    return apply


def _prefixed(prefix: str) -> Callable[[str], str]:
    return lambda text: "\n".join(
        prefix.replace("NN", f"{number:4}") + line for number, line in enumerate(text.split("\n"), start=1)
    )


def _told(reading: Reading) -> object:
    return reading.drive, reading.values, reading.selftests, reading.attributes


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "change",
    [_wrapped(72), _wrapped(80), _broken(80), lambda text: _prefixed("> ")(_wrapped(72)(text))],
    ids=["72", "80", "80-hard", "72-quoted"],
)
def test_rows_wrapped_by_a_mail_are_joined(name: str, change: Callable[[str], str]) -> None:
    whole, wrapped = decode_report(report(name)), decode_report(change(report(name)))
    assert wrapped.values == whole.values
    assert wrapped.selftests == whole.selftests
    assert [row.raw for row in wrapped.attributes] == [row.raw for row in whole.attributes]
    assert assess(wrapped).verdict == assess(whole).verdict


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "prefix",
    [
        "| ",
        "* ",
        "# ",
        ">>> ",
        "NN: ",
        "NN\t",
        "NN | ",
        "bench-3: ",
        "Nov 24 10:31:01 bench-3 report[812]: ",
        "2026-11-24T10:31:01.123456+01:00 bench-3 report[812]: ",
        "2026-11-24 10:31:01 ",
        "[ 1234.567890] ",
        "[10:31:01] ",
        "> | ",
    ],
)
def test_a_prefix_of_every_line_is_stripped(name: str, prefix: str) -> None:
    assert _told(decode_report(_prefixed(prefix)(report(name)))) == _told(decode_report(report(name)))


def test_a_few_lines_that_begin_alike_keep_their_beginning() -> None:
    head = "Device Model:     Kestrel KD-500\nSerial Number:    KX25-00417\n"
    rows = "".join(f"19{n} Unknown_Attribute 0x0032 100 100 000 Old_age Always - {n}\n" for n in range(10))
    assert [row.id for row in decode_report(head + rows).attributes] == list(range(190, 200))


def test_rows_that_cannot_be_joined_are_said_to_be_broken() -> None:
    lines = [line for line in _wrapped(60)(report("hdd-nothing-against-it")).split("\n") if not line.isdigit()]
    text = "\n".join(line for line in lines if not line.startswith(("Always", "Offline", "Pre-fail", "Old_age")))
    reading = decode_report(text)
    (gap,) = [gap for gap in reading.gaps if gap.blocks]
    assert gap.code == "table-broken"
    assert "bridge" not in (gap.advice or "")
    assert assess(reading).verdict == "unproven"


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_without_its_mark(encoding: str) -> None:
    text = report("hdd-pending-2544")
    assert _told(reading_of(text.encode(encoding), origin="report.txt")) == _told(decode_report(text))
