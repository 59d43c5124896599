from __future__ import annotations

import pytest

from drivecare.reading.locale_numbers import leading_count, leading_decimal, parse_number, within


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("4,000,787,030,016 bytes [4.00 TB]", 4_000_787_030_016),
        ("256.060.514.304 [256 GB]", 256_060_514_304),
        ("2’000’398’934’016 bytes", 2_000_398_934_016),
        ("2'000'398'934'016 bytes", 2_000_398_934_016),
        ("12\u202f000\u202f138\u202f625\u202f024 bytes", 12_000_138_625_024),
        ("2\u00a0000\u00a0398\u00a0934\u00a0016 bytes", 2_000_398_934_016),
        ("240 057 409 536 bytes [240 GB]", 240_057_409_536),
        (
            "2\u00e2\u20ac\u2122000\u00e2\u20ac\u2122398\u00e2\u20ac\u2122934\u00e2\u20ac\u2122016 bytes",
            2_000_398_934_016,
        ),
        (
            "7\u00e2\u0080\u00af681\u00e2\u0080\u00af501\u00e2\u0080\u00af126\u00e2\u0080\u00af656 bytes",
            7_681_501_126_656,
        ),
        ("2\u00c2\u00a0000\u00c2\u00a0398\u00c2\u00a0934\u00c2\u00a0016", 2_000_398_934_016),
        ("500\ufffd107\ufffd862\ufffd016 bytes", 500_107_862_016),
        ("5,00,10,78,62,016 bytes", 500_107_862_016),
        ("250059350016 bytes", 250_059_350_016),
        ("7200 rpm", 7200),
        ("100%", 100),
        ("0", 0),
        ("1,506,179 [771 GB]", 1_506_179),
        ("9.34%", None),
        ("38280,029", None),
        ("-", None),
        ("", None),
        ("0x00", 0),
    ],
)
def test_count(text: str, number: int | None) -> None:
    assert leading_count(text) == number


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("38280,029", 38280.029),
        ("38.280,029", 38280.029),
        ("1’238,280.5", 1238280.5),
        ("1.234", 1.234),
        ("-3.5", -3.5),
        ("8347.20", 8347.2),
        ("9,34%", 9.34),
        ("1,234,567", 1_234_567.0),  # a repeated sign cannot be the decimal one
        ("1.234.567 GB", 1_234_567.0),
        ("-1.234.567,5", -1_234_567.5),
        ("7", 7.0),
        ("none", None),
    ],
)
def test_decimal(text: str, number: float | None) -> None:
    assert leading_decimal(text) == number


def test_within() -> None:
    assert within(5, 5, 6) == 5
    assert within(7, 5, 6) is None
    assert within(None, 5, 6) is None


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("9,5", 9.5),
        ("9.5", 9.5),
        ("500", 500),
        ("4,000,787,030,016", 4_000_787_030_016),
        ("256.060.514.304", 256_060_514_304),
        ("2’000’398’934’016", 2_000_398_934_016),
        ("12\u202f000\u202f138\u202f625\u202f024", 12_000_138_625_024),
        ("2\u00a0000\u00a0398\u00a0934\u00a0016", 2_000_398_934_016),
        ("1_000_204_886_016", 1_000_204_886_016),
    ],
)
def test_a_typed_number(text: str, number: float) -> None:
    assert parse_number(text) == number


@pytest.mark.parametrize("text", ["", "abc", "1,2,3", "1.234,567.890", "12,34,567", "--5", "0x10", "1e5"])
def test_what_is_not_a_typed_number(text: str) -> None:
    with pytest.raises(ValueError, match="is not a number"):
        parse_number(text)
