"""Which area belongs to what."""

from __future__ import annotations

import pytest

from drivecare.contents.attribution import MOST_HOLDS, Attribution, Owner
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import Hold


def area(offset: int, length: int) -> Area:
    return Area(offset=offset, length=length)


PHOTO = Owner("file", "/photo", 100, identity=1)


def test_a_file_owns_its_extent_but_is_hit_only_where_its_content_is() -> None:
    attribution = Attribution([area(0, 1000)])
    attribution.claim(PHOTO, area(0, 512), content_bytes=100)
    holds = attribution.holds(0, [area(512, 488)], "")
    assert holds == (
        Hold(kind="file", path="/photo", size_bytes=100, bytes=100),
        Hold(kind="free", bytes=488),
    )


def test_two_names_of_one_file_are_one_hold() -> None:
    attribution = Attribution([area(0, 100)])
    for name in ("/photo", "/also"):
        attribution.claim(Owner("file", name, 100, identity=1), area(0, 100))
    assert attribution.holds(0, [], "") == (Hold(kind="file", path="/photo", size_bytes=100, bytes=100),)


@pytest.mark.parametrize(
    ("free", "holds"),
    [
        ([area(0, 100)], (Hold(kind="free", bytes=100),)),
        ([area(0, 40)], (Hold(kind="unknown", bytes=60, structure="why"), Hold(kind="free", bytes=40))),
        ([], (Hold(kind="unknown", bytes=100, structure="why"),)),
        (None, (Hold(kind="unknown", bytes=100, structure="why"),)),
    ],
)
@pytest.mark.promise(3)
def test_what_nobody_claims_is_free_only_where_that_is_recorded(
    free: list[Area] | None, holds: tuple[Hold, ...]
) -> None:
    assert Attribution([area(0, 100)]).holds(0, free, "why") == holds


def test_a_file_in_free_space_is_a_contradiction_and_a_structure_is_none() -> None:
    attribution = Attribution([area(0, 100)])
    attribution.claim(Owner("structure", structure="table"), area(0, 50))
    assert not attribution.disagrees(0, [area(0, 100)])
    attribution.claim(PHOTO, area(60, 10))
    assert attribution.disagrees(0, [area(0, 100)])
    assert not attribution.disagrees(0, [area(70, 30)])


def test_areas_may_overlap_and_come_in_any_order() -> None:
    attribution = Attribution([area(50, 10), area(0, 100), area(20, 10)])
    attribution.claim(PHOTO, area(25, 30))
    hits = [[hold.bytes for hold in attribution.holds(index, [], "") if hold.kind == "file"] for index in range(3)]
    assert hits == [[5], [30], [5]]


def test_the_most_important_comes_first() -> None:
    attribution = Attribution([area(0, 100)])
    attribution.claim(Owner("structure", structure="table"), area(0, 50))
    attribution.claim(Owner("file", "/small", 5, identity=1), area(50, 5))
    attribution.claim(Owner("directory", "/folder"), area(60, 20))
    attribution.claim(Owner("file", "/large", 10, identity=2), area(80, 10))
    kinds = [(hold.kind, hold.path) for hold in attribution.holds(0, [], "")]
    assert kinds[:4] == [("file", "/large"), ("file", "/small"), ("directory", "/folder"), ("structure", None)]


def test_more_files_than_can_be_listed_are_summed_up() -> None:
    attribution = Attribution([area(0, 2 * MOST_HOLDS)])
    for number in range(MOST_HOLDS + 5):
        attribution.claim(Owner("file", f"/{number}", 1, identity=number), area(number, 1))
    holds = attribution.holds(0, [], "")
    assert len([hold for hold in holds if hold.kind == "file"]) == MOST_HOLDS + 1
    assert holds[0] == Hold(kind="file", structure="more than can be listed", bytes=5)
