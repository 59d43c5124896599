"""The order of reading: every readable byte comes in the end, no bad sector is touched too often, and it is soon."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, merge, overlap
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.damage import DamagePolicy, Outcome, ReadingOrder
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.stages import (
    COPIED,
    FAILED_BLOCK,
    FAILED_PIECE,
    LATER,
    UNREAD,
    Stages,
    stage_of_journal,
)
from drivecare.transfer.sectors.stride import Stride
from drivecare.transfer.sectors.worth import Rank, UsedSpace
from tests.benchmarks import used_table
from tests.benchmarks.damage_models import MIB
from tests.benchmarks.damage_table import MOST_SLOWER, compare, missed, slower_after_forgetting
from tests.transfer.sectors.fake_medium import Call, FakeMedium, MemoryStore, buffers, end_of, fresh_journal

SECTOR, SIZE = 512, 4096 * 512 + 100
POLICY = DamagePolicy(block_bytes=64 * SECTOR, piece_bytes=8 * SECTOR, retries=1)


def read_all(
    stages: Stages,
    bad: tuple[Area, ...],
    *,
    short: bool,
    seconds: float,
    stop_after: int = 10**9,
    ranks: tuple[Rank, ...] = (),
) -> list[Area]:
    """Follow the order over bad areas, to its end or for so many reads. `short`: what lies before one comes."""
    reads = ReadingOrder(stages, POLICY, SECTOR).reads(ranks)
    attempts: list[Area] = []
    attempt = next(reads, None)
    while attempt is not None and len(attempts) < stop_after:
        attempts.append(attempt.area)
        hits = [shared.offset for area in bad if (shared := overlap(area, attempt.area))]
        length = attempt.area.length if not hits else (min(hits) - attempt.area.offset) * short
        try:
            attempt = reads.send(Outcome(length, seconds * (1 + 50 * bool(hits))))
        except StopIteration:
            break
    return attempts


PLACES = st.lists(st.tuples(st.integers(0, 4095), st.integers(1, 300)), max_size=12)


def areas_at(places: list[tuple[int, int]]) -> tuple[Area, ...]:
    return merge(Area(offset=at * SECTOR, length=min(length * SECTOR, SIZE - at * SECTOR)) for at, length in places)


@settings(max_examples=40)  # of some hundred reads each
@given(PLACES, st.booleans(), st.sampled_from([0.0, 0.01]), st.integers(1, 400), PLACES, st.booleans())
def test_every_readable_byte_comes_and_no_bad_sector_is_touched_too_often(
    damage: list[tuple[int, int]],
    short: bool,
    seconds: float,
    stop_after: int,
    used: list[tuple[int, int]],
    still_known: bool,
) -> None:
    """Stopped after any number of reads and taken up with the map alone, too, whatever is known to be in use."""
    bad = areas_at(damage)
    known = UsedSpace(used=areas_at(used[2:]), structures=areas_at(used[:2]))
    ranks = known.ranks(SIZE, gap_bytes=20 * SECTOR, unit_bytes=POLICY.piece_bytes)
    stages = Stages(SIZE)
    attempts = read_all(stages, bad, short=short, seconds=seconds, stop_after=stop_after, ranks=ranks)
    for later in stages.areas(LATER):
        stages.assign(later, UNREAD)  # as a journal tells it
    attempts += read_all(stages, bad, short=short, seconds=seconds, ranks=ranks if still_known else ())
    assert merge(stages.areas_from(POLICY.unreadable)) == bad
    assert sum(area.length for area in stages.areas(COPIED)) == SIZE - sum(area.length for area in bad)
    assert all(area.offset % SECTOR == 0 and 0 < area.length <= POLICY.block_bytes for area in attempts)
    for area in bad:
        for sector in {area.offset, area.end - 1}:
            assert sum(attempt.offset <= sector < attempt.end for attempt in attempts) <= POLICY.touches + 1


def test_a_sound_drive_is_read_once_and_in_order() -> None:
    attempts = read_all(Stages(SIZE), (), short=False, seconds=0.01)
    assert attempts == [
        Area.between(at, min(at + POLICY.block_bytes, SIZE)) for at in range(0, SIZE, POLICY.block_bytes)
    ]


def test_what_is_used_comes_first_rank_by_rank_and_what_is_free_in_the_end() -> None:
    kib = 1 << 10
    structures, used = Area.between(1000 * kib, 1008 * kib), Area.between(100 * kib, 260 * kib)
    known = UsedSpace(structures=(structures,), used=(used, Area.between(270 * kib, 280 * kib), structures))
    ranks = known.ranks(SIZE, gap_bytes=16 * kib, unit_bytes=4 * kib)
    attempts = read_all(Stages(SIZE), (), short=False, seconds=0.01, ranks=ranks)
    assert attempts[0] == structures
    of_used = next(n for n in range(1, len(attempts)) if attempts[n].offset < attempts[n - 1].offset and n > 1)
    assert merge(attempts[1:of_used]) == (Area.between(100 * kib, 280 * kib),)  # with a gap too short to leap over
    assert merge(attempts) == (Area.between(0, SIZE),)
    assert sum(area.length for area in attempts) == SIZE


def test_what_is_given_up_stays_so_where_a_resume_leaves_the_rest_out() -> None:
    policy = DamagePolicy(block_bytes=64 * SECTOR, piece_bytes=8 * SECTOR, retries=1, until_used=True)
    used, given_up = Area.between(0, 128 * SECTOR), Area.between(600 * SECTOR, 601 * SECTOR)
    stages = Stages(SIZE)
    stages.assign(given_up, policy.unreadable)
    order = ReadingOrder(stages, policy, SECTOR)
    next(order.reads(((used,),)))
    assert list(stages.areas(policy.unreadable)) == [given_up]
    assert order.left_out_bytes == SIZE - used.length - given_up.length


def test_free_space_that_reads_well_comes_before_the_bad_sectors_of_what_is_used() -> None:
    bad, used = Area.between(300 * SECTOR, 420 * SECTOR), Area.between(128 * SECTOR, 640 * SECTOR)
    attempts = read_all(Stages(SIZE), (bad,), short=False, seconds=0.01, ranks=((used,),))
    swept = next(index for index, area in enumerate(attempts) if area.end == SIZE)
    assert any(area.length == SECTOR for area in attempts)
    assert all(area.length > SECTOR for area in attempts[:swept])


def test_the_rest_of_the_drive_comes_before_the_inside_of_damage() -> None:
    bad = Area.between(100 * SECTOR, 1500 * SECTOR)
    attempts = read_all(Stages(SIZE), (bad,), short=False, seconds=0.01)
    swept = next(index for index, area in enumerate(attempts) if area.end == SIZE)
    assert sum(overlap(area, bad) is not None for area in attempts[: swept + 1]) < 8 < 1400 // 64


@pytest.mark.parametrize(
    ("number", "stage"), [(-1, -1), (0, UNREAD), (1, UNREAD), (2, FAILED_BLOCK), (3, FAILED_BLOCK), (4, FAILED_PIECE),
                          (5, FAILED_PIECE), (6, 6), (7, 7), (8, 8)]
)  # fmt: skip
def test_journals_of_every_version_mean_the_same(number: int, stage: int) -> None:
    assert stage_of_journal(number) == stage


def test_a_dead_area_that_would_take_years_stops_the_copy_until_it_is_asked_for() -> None:
    size, bad, now = 4 * MIB, Area.between(MIB, 2 * MIB), [0.0]

    def take_hours(call: Call) -> None:
        now[0] += 10_000 if overlap(call.area, bad) else 0.01

    source = FakeMedium(random.Random(3).randbytes(size), bad=[bad], faults=[take_hours])
    target, store, watch = FakeMedium(bytes(size)), MemoryStore(), Watch(clock=lambda: now[0])
    policy = DamagePolicy(block_bytes=MIB // 4, retries=0, to_the_end=False)
    begun = fresh_journal(end_of(source), end_of(target))
    with pytest.raises(Interrupted, match=r"what is left, [\d.]+ MB, .* takes \d+ days") as caught:
        copy_and_prove(source, target, begun, store, buffers(MIB // 4), CopySettings(policy=policy), watch)
    assert caught.value.exit_code == 23
    assert "--resume --to-the-end" in caught.value.message()
    assert sum(run.length for run in store.saved[-1].copied) >= 3 * MIB - 2 * policy.block_bytes
    assert store.saved[-1].rest_seconds == pytest.approx(10_000 * MIB // SECTOR, rel=0.3)
    settings = CopySettings(policy=DamagePolicy(block_bytes=MIB // 4, retries=0))
    receipt = copy_and_prove(source, target, store.saved[-1], store, buffers(MIB // 4), settings, watch)
    assert merge(receipt.unreadable) == (bad,)
    assert store.saved[-1].rest_seconds is None


class TestStride:
    """Bands at distances that shrink are foreseen; damage anywhere is not."""

    block = 4 * MIB

    def met(self, starts: list[int], length: int) -> Stride:
        stride = Stride(self.block)
        for start in starts:
            stride.add_start(start)
            if stride.suspected:
                stride.add_anchor(start, length)
        return stride

    def test_bands_are_foreseen(self) -> None:
        starts, distance = [0], 512 * MIB
        for _ in range(12):
            starts.append(starts[-1] + distance)
            distance -= MIB
        expected = self.met(starts[:-1], 64 * MIB).expected(starts[-2] + 100 * MIB)
        assert expected is not None
        assert expected[0] <= starts[-1] <= starts[-1] + 64 * MIB <= expected[1]
        assert expected[1] - expected[0] < 66 * MIB  # the band and little beside it

    @pytest.mark.parametrize("seed", range(20))
    def test_random_damage_is_none(self, seed: int) -> None:
        chance = random.Random(seed)
        starts = sorted(chance.randrange(100 << 30) for _ in range(40))
        assert self.met(starts, 4 * MIB).expected(starts[-1] + 5 * MIB) is None


def test_bands_that_the_map_tells_of_are_foreseen() -> None:
    """Each left in two stages that touch: its first block failed, the rest was leapt over."""
    period, length = 1920 * SECTOR, 256 * SECTOR
    bands = [Area(offset=start + 700 * SECTOR, length=length) for start in range(0, 40 * period, period)]
    stages = Stages(40 * period)
    stages.assign(Area.between(0, 6 * period), COPIED)
    for band in bands[:6]:
        stages.assign(band, LATER)
        stages.assign(Area(offset=band.offset, length=POLICY.block_bytes), FAILED_BLOCK)
    attempts = read_all(stages, tuple(bands), short=False, seconds=0.01)
    sweep = attempts[: next(index for index, area in enumerate(attempts) if area.end == stages.total)]
    touched = [any(overlap(area, band) for area in sweep) for band in bands]
    assert touched[6:9] == [True, True, False]  # two are measured, the third is passed over
    assert sum(touched) <= 6


@pytest.mark.slow
@pytest.mark.timeout(280)
@pytest.mark.parametrize("model", ["clusters", "64 of 512 MiB", "shrinking bands", "dropouts"])
def test_most_is_safe_sooner_than_by_the_former_order(model: str) -> None:
    """A part of `python -m tests.benchmarks.damage_table`, which holds every model and seed."""
    for share, former, present in compare(model, 1):
        assert not missed(model, share, former, present), f"{share:.2%}: {former} before, {present} now"


@pytest.mark.slow
@pytest.mark.parametrize("model", ["clusters", "64 of 512 MiB"])
def test_a_resume_that_knows_the_map_alone_takes_little_longer(model: str) -> None:
    assert slower_after_forgetting(model, 1, 0.5) < MOST_SLOWER


@pytest.mark.slow
def test_what_is_used_of_a_failing_drive_is_safe_in_less_than_two_fifths_of_the_time() -> None:
    """A part of `python -m tests.benchmarks.used_table`, which holds three seeds."""
    plain, used_first = used_table.compare(used_table.failing_drive, 1)
    assert used_first.used < used_table.MOST_TIME * plain.used
