from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.transfer.areas import Area, count_pieces, merge, overlap, pieces, total, uncovered
from drivecare.transfer.sectors.stages import COPIED, UNREAD, Stages

ends = st.tuples(st.integers(0, 60), st.integers(0, 60))
some_areas = st.lists(ends.map(lambda pair: Area.between(min(pair), max(pair))), max_size=8)


def bytes_of(areas: list[Area] | tuple[Area, ...]) -> set[int]:
    return {at for area in areas for at in range(area.offset, area.end)}


@given(some_areas)
def test_merge_keeps_the_bytes_and_leaves_gaps_between(areas: list[Area]) -> None:
    merged = merge(areas)
    assert bytes_of(merged) == bytes_of(areas)
    assert all(area.end < after.offset for area, after in itertools.pairwise(merged))


@given(some_areas)
def test_gaps_are_what_the_areas_are_not(areas: list[Area]) -> None:
    within = Area.between(10, 50)
    assert bytes_of(uncovered(areas, within)) == bytes_of((within,)) - bytes_of(areas)


@pytest.mark.parametrize(
    ("first", "second", "shared"),
    [
        (Area.between(0, 10), Area.between(10, 20), None),
        (Area.between(0, 10), Area.between(9, 20), Area.between(9, 10)),
        (Area.between(0, 30), Area.between(5, 6), Area.between(5, 6)),
    ],
    ids=["touching", "one byte", "inside"],
)
def test_overlap(first: Area, second: Area, shared: Area | None) -> None:
    assert overlap(first, second) == shared == overlap(second, first)


def test_pieces_are_cut_at_multiples_counted_from_zero() -> None:
    assert list(pieces(Area.between(5, 21), 8)) == [Area.between(5, 8), Area.between(8, 16), Area.between(16, 21)]
    assert total(pieces(Area.between(5, 21), 8)) == 16


@given(st.integers(0, 40), st.integers(0, 40), st.integers(1, 9))
def test_pieces_are_counted_without_making_them(start: int, length: int, size: int) -> None:
    whole = Area.between(start, start + length)
    assert count_pieces(whole, size) == len(list(pieces(whole, size)))


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 70), st.integers(-1, 3)), max_size=12))
def test_stages_agree_with_a_stage_for_every_byte(steps: list[tuple[int, int, int]]) -> None:
    stages, plain = Stages(60), [UNREAD] * 60
    for start, end, stage in steps:
        stages.assign(Area.between(start, end), stage)
        for at in range(start, min(end, 60)):
            plain[at] = stage
    assert [stage for area, stage in stages.runs() for _ in range(area.length)] == plain
    assert stages.missing_bytes == sum(stage > COPIED for stage in plain)
    assert bytes_of(stages.areas(COPIED)) == {at for at, stage in enumerate(plain) if stage == COPIED}
    assert bytes_of(stages.areas_from(2)) == {at for at, stage in enumerate(plain) if stage >= 2}
