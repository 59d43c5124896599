"""A window never shows lost bytes, but for those that the file system keeps twice."""

from __future__ import annotations

import pytest

from drivecare.contents.window import Window
from drivecare.transfer.areas import Area

BASE, SIZE = 1000, 4000
CONTENT = bytes(number % 251 for number in range(BASE + SIZE))


def window(*lost: tuple[int, int]) -> Window:
    """Of a partition whose bytes 100 to 199 stand again at 300; `lost` counts from the partition's start."""
    content = bytearray(CONTENT)
    content[BASE + 300 : BASE + 400] = content[BASE + 100 : BASE + 200]
    for offset, length in lost:
        content[BASE + offset : BASE + offset + length] = b"?" * length
    areas = [Area(offset=BASE + offset, length=length) for offset, length in lost]
    view = Window(lambda at, count: bytes(content[at : at + count]), Area(offset=BASE, length=SIZE), areas)
    view.keeps_twice(Area(offset=100, length=100), 200)
    return view


@pytest.mark.parametrize("lost", [((120, 10),), ((100, 100),), ((110, 5), (190, 10)), ((120, 10), (340, 5))])
def test_what_is_kept_twice_is_read_from_its_second_copy(lost: tuple[tuple[int, int], ...]) -> None:
    assert window(*lost).at(90, 120) == CONTENT[BASE + 90 : BASE + 210]


@pytest.mark.parametrize(
    "lost",
    [((90, 1),), ((200, 1),), ((95, 10),), ((195, 10),), ((120, 10), (320, 1)), ((150, 1), (350, 1)), ((100, 300),)],
)
def test_all_else_that_is_lost_is_an_error(lost: tuple[tuple[int, int], ...]) -> None:
    with pytest.raises(OSError, match="did not come across"):
        window(*lost).at(90, 120)
