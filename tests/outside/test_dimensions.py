"""Bodies against the published tables.

Sources: SFF-8201 rev 3.4 (2018) table 3-1; SFF-8301 and SFF-8300 table 3-1; JEDEC MO-300; the M.2 size code WWLL.
"""

from __future__ import annotations

import pytest

from drivecare.fit.standards import find_form_factor, form_factors


def test_2_5_inch_drives_measure_what_sff_8201_says() -> None:
    """SFF-8201: A1 heights, A2 and A3 tolerances, A4 and A5 width, A6 length."""
    body = form_factors()["2.5-inch"]
    assert [height.mm for height in body.heights] == [5.00, 7.00, 8.47, 9.50, 10.50, 12.70, 15.00, 17.00, 19.05]
    assert {height.mm: height.plus for height in body.heights if height.plus} == {5.00: 0.20, 7.00: 0.20, 9.50: 0.20}
    assert {height.mm for height in body.heights if height.minus == 0.20} == {5.00, 9.50}
    assert {height.minus for height in body.heights if height.mm not in (5.00, 9.50)} == {0.50}
    assert (body.width_mm, body.width_plus_mm, body.length_mm) == (69.85, 0.25, 100.45)
    assert body.screws is not None
    assert body.screws.thread == "M3"


@pytest.mark.parametrize(
    ("holes", "height", "depth"), [("side", 9.5, 3.0), ("side", 7.0, 2.0), ("side", 5.0, 2.0), ("bottom", 9.5, 2.5)]
)
def test_screws_go_no_deeper_than_sff_8201_says(holes: str, height: float, depth: float) -> None:
    """SFF-8201: A38 and A41; transcriptions disagree on least or greatest, so they are taken as the greatest."""
    screws = form_factors()["2.5-inch"].screws
    assert screws is not None
    assert screws.depth(holes, height) == depth


def test_3_5_inch_drives_measure_what_sff_8301_says() -> None:
    """SFF-8301: A1 heights, A2 length, A3 width; 6-32 UNC, 3.8 mm at most."""
    body = form_factors()["3.5-inch"]
    assert [height.mm for height in body.heights] == [17.80, 26.10, 42.00]
    assert (body.width_mm, body.length_mm) == (101.60, 147.00)
    assert body.screws is not None
    assert (body.screws.thread, body.screws.side_mm, body.screws.bottom_mm) == ("6-32 UNC", 3.8, 3.8)


def test_msata_cards_measure_what_mo_300_says() -> None:
    """JEDEC MO-300: 50.80 x 29.85 x 4.85 mm."""
    body = form_factors()["msata"]
    assert (body.length_mm, body.width_mm, body.heights[0].mm) == (50.80, 29.85, 4.85)


@pytest.mark.parametrize("code", ["2230", "2242", "2260", "2280", "22110"])
def test_an_m2_size_code_says_width_and_length(code: str) -> None:
    """The size code WWLL is width and length in millimetres; a board of 0.80 mm, parts up to 1.5 mm on a side."""
    body = form_factors()[f"m2-{code}"]
    assert (body.width_mm, body.length_mm) == (float(code[:2]), float(code[2:]))
    assert [height.mm for height in body.heights] == pytest.approx([0.80 + 1.5, 0.80 + 2 * 1.5])


@pytest.mark.parametrize(
    ("bay", "greatest"),
    [(7.0, 7.2), (9.5, 9.7), (12.7, 12.7), (15.0, 15.01), (10.0, 10.0), (9.6, 9.7), (4.0, 4.0)],
)
def test_a_bay_allows_the_tolerance_of_its_class(bay: float, greatest: float) -> None:
    assert form_factors()["2.5-inch"].greatest_height(bay) == pytest.approx(greatest)


@pytest.mark.parametrize(("drive", "goes"), [(26.1, True), (26.11, True), (26.12, False)])
def test_a_3_5_inch_bay_takes_both_roundings_of_sff_8301(drive: float, goes: bool) -> None:
    """SFF-8301, table 3-1: A1 is 26.10 mm or 1.028 inches, printed as 26.11 mm (25.4 mm to the inch)."""
    greatest = form_factors()["3.5-inch"].greatest_height(26.1)
    assert greatest == pytest.approx(round(1.028 * 25.4, 2))
    assert (drive <= greatest) is goes


@pytest.mark.parametrize(
    ("spelling", "id"),
    [
        ("2.5 inches", "2.5-inch"),  # as drives report it (ATA IDENTIFY word 168)
        ("3.5 inches", "3.5-inch"),
        ("1.8 inches", "1.8-inch"),
        ('2.5"', "2.5-inch"),
        ("2.5 in", "2.5-inch"),
        ("M.2 2280", "m2-2280"),
        ("mSATA", "msata"),
    ],
)
def test_a_form_factor_is_recognised_by_its_usual_spellings(spelling: str, id: str) -> None:
    body = find_form_factor(spelling)
    assert body is not None
    assert body.id == id


def test_m2_alone_names_no_length() -> None:
    assert find_form_factor("M.2") is None
