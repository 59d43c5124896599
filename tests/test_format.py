"""Amounts and lists as people read them."""

from __future__ import annotations

import pytest

from drivecare.format import (
    Excerpt,
    clip_text,
    format_bytes,
    format_count,
    format_minutes,
    format_value,
    join_and,
    join_some,
    spell_protocol,
)


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (None, "size unknown"),
        (0, "0 bytes"),
        (12, "12 bytes"),
        (999, "999 bytes"),
        (8192, "8.19 kB"),
        (64 << 20, "67.1 MB"),
        (99_600_000, "99.6 MB"),
        (251_000_193_024, "251 GB"),
        (500_107_862_016, "500 GB"),
        (999_999_999_999, "1 TB"),
        (1_000_204_886_016, "1 TB"),
        (1_500_301_910_016, "1.5 TB"),
        (24 * 10**15, "24 PB"),
        ((1 << 64) - 1, "18.4 EB"),
    ],
)
def test_bytes_read_as_on_a_label(count: int | None, words: str) -> None:
    assert format_bytes(count) == words


def test_one_thing_is_singular_and_none_is_plural() -> None:
    assert [format_count(count, "file") for count in (0, 1, 1204)] == ["0 files", "1 file", "1,204 files"]
    assert [format_count(count, "copy", "copies") for count in (1, 2)] == ["1 copy", "2 copies"]


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (0.4, "0 min"),
        (27.8, "28 min"),
        (119, "119 min"),
        (150, "2.5 h"),
        (71.5 * 60, "71.5 h"),
        (72 * 60, "3 days"),
        (729 * 1440, "729 days"),
        (2593 * 1440, "7.1 years"),
        (365_250 * 1440, "1,000.0 years"),
    ],
)
def test_a_duration_is_told_in_the_unit_that_suits_it(minutes: float, words: str) -> None:
    assert format_minutes(minutes) == words


@pytest.mark.parametrize(
    ("value", "words"),
    [(None, "-"), (0, "0"), (21904, "21,904"), (0.0, "0"), (1234.5, "1,234.5"), (0.126, "0.13"), ("failed", "failed")],
)
def test_an_absent_value_and_zero_differ(value: object, words: str) -> None:
    assert format_value(value) == words


@pytest.mark.parametrize(
    ("words", "sentence"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_a_list_reads_as_in_a_sentence(words: list[str], sentence: str) -> None:
    assert join_and(words) == sentence


def test_what_is_left_out_of_a_line_is_counted() -> None:
    names = [str(number) for number in range(1205)]
    assert join_some(names[:3], 3) == "0, 1, 2"
    assert join_some(names, 3) == "0, 1, 2 and 1,202 more"
    assert join_some(names, 2, "; ") == "0; 1 and 1,203 more"


@pytest.mark.parametrize(
    ("count", "lines"),
    [
        (0, []),
        (12, [str(number) for number in range(12)]),
        (13, [*"012345678", "... 1 more areas", "10", "11", "12"]),
        (100_000, [*"012345678", "... 99,988 more areas", "99997", "99998", "99999"]),
    ],
)
def test_of_a_long_list_both_ends_are_shown_and_the_middle_is_counted(count: int, lines: list[str]) -> None:
    assert list(Excerpt(range(count)).lines(str, "areas")) == lines


@pytest.mark.parametrize(("text", "clipped"), [("", ""), ("four", "four"), ("fours", "fou…"), ("of me", "of…")])
def test_a_text_that_is_too_long_ends_in_an_ellipsis(text: str, clipped: str) -> None:
    assert clip_text(text, 4) == clipped


@pytest.mark.parametrize(
    ("protocol", "words"),
    [("ata", "ATA"), ("sata", "SATA"), ("pata", "PATA"), ("sas", "SAS"), ("scsi", "SCSI"), ("nvme", "NVMe"), ("", "")],
)
def test_a_protocol_is_spelled_as_people_write_it(protocol: str, words: str) -> None:
    assert spell_protocol(protocol) == words
