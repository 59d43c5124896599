"""The surface scan against a medium whose every fault is known."""

from __future__ import annotations

import errno
import math
import re
from pathlib import Path

import msgspec
import pytest

from drivecare.errors import BadInput
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.reading.surface import SurfaceScan
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Buffer, Watch
from drivecare.transfer.sectors.surface_scan import (
    Scan,
    ScanPolicy,
    ScanState,
    Thermometer,
    block_bytes_for,
    new_state,
    plan_blocks,
)
from tests.transfer.sectors.fake_medium import Call, FakeMedium, never_written

MIB = 1 << 20


class Surface(FakeMedium):
    """A medium of zeros with a clock of its own: blocks at its end take twice as long; slow and bad sectors as told.

    `slow`: milliseconds more by sector number; with `once` only the first time. `bad`: sector numbers.
    """

    def __init__(
        self,
        size_bytes: int = 64 * MIB,
        *,
        bad: frozenset[int] = frozenset(),
        slow: dict[int, float] | None = None,
        once: bool = False,
        vanish_at: int | None = None,
    ) -> None:
        areas = (Area(offset=sector * 512, length=512) for sector in bad)
        faults = (never_written, self._vanish, self._take_time)
        super().__init__(size_bytes=size_bytes, bad=areas, path="surface", faults=faults)
        self.slow, self.once, self.vanish_at = dict(slow or {}), once, vanish_at
        self.now = 0.0

    def _vanish(self, call: Call) -> None:
        if self.vanish_at is not None and call.area.offset >= self.vanish_at:
            self.gone = True
            raise OSError(errno.EIO, "Input/output error")

    def _take_time(self, call: Call) -> None:
        offset, end = call.area.offset, call.area.end
        self.now += call.area.length / MIB * (0.008 + 0.008 * offset / self.size_bytes)
        for sector in [sector for sector in self.slow if offset // 512 <= sector < -(-end // 512)]:
            self.now += self.slow[sector] / 1000
            if self.once:
                del self.slow[sector]


def scan(surface: Surface, **options: object) -> tuple[SurfaceScan, Scan]:
    percent = float(options.pop("percent", 100.0))  # type: ignore[arg-type]
    state = options.pop("state", None) or new_state(surface, sample_percent=percent, started="t0")
    assert isinstance(state, ScanState)
    watch = options.pop("watch", None) or Watch(clock=lambda: surface.now)
    running = Scan(surface, Buffer(memoryview(bytearray(MIB))), state, watch=watch, **options)  # type: ignore[arg-type]
    running.run()
    return running.result(finished="t1", drive=Drive(model="M", serial="S")), running


def test_a_sound_surface() -> None:
    result, _ = scan(Surface())
    assert (result.unreadable, result.slow, result.complete, result.bytes_read) == ((), (), True, 64 * MIB)
    assert result.curve[0].mb_per_s == pytest.approx(MIB / 8e3, rel=0.1)
    assert result.curve[-1].mb_per_s == pytest.approx(result.curve[0].mb_per_s / 2, rel=0.1)


def test_unreadable_sectors_are_found_exactly() -> None:
    bad = frozenset({7, 8, 9, 70_000, 131_071})
    result, _ = scan(Surface(bad=bad))
    sectors = {sector for a in result.unreadable for sector in range(a.offset // 512, (a.offset + a.length) // 512)}
    assert sectors == bad
    assert (result.complete, result.bytes_read) == (True, 64 * MIB)  # readable or not
    assert [(a.offset, a.length) for a in result.unreadable] == [
        (7 * 512, 1536),
        (70_000 * 512, 512),
        (131_071 * 512, 512),
    ]


def test_a_result_names_its_drive_and_its_times() -> None:
    _, running = scan(Surface())
    identity = Identity(wwn="50c0ffe0a1b20417", native_serial="KX25-00417", strength="strong")
    drive = Drive(model="Kestrel KD-500", serial="KX25-00417", identity=identity)
    result = running.result(finished="t1", drive=drive)
    assert (result.path, result.model, result.serial, result.wwn) == (
        "surface",
        drive.model,
        drive.serial,
        identity.wwn,
    )
    assert (result.identity, result.started, result.finished) == (identity, "t0", "t1")
    unnamed = running.result(finished="t1", drive=None)
    assert (unnamed.model, unnamed.serial, unnamed.wwn, unnamed.identity) == (None, None, None, Identity())


@pytest.mark.parametrize(
    ("size", "zones"), [(3000 * MIB, 256), (64 * MIB, 8), (16 * MIB, 2), (15 * MIB, 1), (200_000, 1)], ids=str
)
def test_a_zone_of_the_curve_has_eight_blocks_at_the_least(size: int, zones: int) -> None:
    result, running = scan(Surface(size_bytes=size))
    blocks = -(-size // running.state().block_bytes)
    assert len(result.curve) == min(256, max(1, blocks // 8)) == zones


def test_a_bad_sector_is_looked_for_by_halves() -> None:
    """Each failed read may cost a failing drive seconds: one sector takes two reads for every halving of its block."""
    surface = Surface(bad=frozenset({70_000}))
    _, running = scan(surface)
    blocks = -(-surface.size_bytes // running.state().block_bytes)
    halvings = math.log2(running.state().block_bytes / 512)
    assert len(surface.reads) == blocks + 2 * halvings


def test_slow_against_its_own_zone_and_twice() -> None:
    result, _ = scan(Surface(slow={4096: 300.0, 100_000: 150.0}))
    assert [a.offset // MIB for a in result.slow] == [2, 100_000 * 512 // MIB]
    assert result.slow[0].milliseconds == pytest.approx(308, abs=2)
    assert result.slow[0].expected_milliseconds == pytest.approx(8.2, abs=0.5)
    once, _ = scan(Surface(slow={4096: 300.0}, once=True))
    assert once.slow == ()


def test_a_drive_that_is_slow_everywhere_has_no_slow_areas() -> None:
    result, _ = scan(Surface(slow=dict.fromkeys(range(0, 131_072, 2048), 500.0)))
    assert result.slow == ()


def test_an_interrupted_scan_goes_on_and_sees_the_same() -> None:
    faults = {"bad": frozenset({50_000, 100_001}), "slow": {90_000: 400.0}}
    whole, _ = scan(Surface(**faults))  # type: ignore[arg-type]
    surface = Surface(**faults)  # type: ignore[arg-type]
    asked = iter(range(10_000))
    watch = Watch(clock=lambda: surface.now, stop_reason=lambda: "interrupted" if next(asked) == 40 else None)
    part, running = scan(surface, watch=watch)
    assert (part.complete, part.stopped_because) == (False, "interrupted")
    rest, _ = scan(Surface(**faults), state=running.state())  # type: ignore[arg-type]
    assert (rest.unreadable, rest.slow, rest.bytes_read) == (whole.unreadable, whole.slow, whole.bytes_read)


def test_it_can_be_stopped_while_it_looks_again_at_slow_areas() -> None:
    slow = {4096: 300.0, 100_000: 150.0}
    surface = Surface(slow=slow)
    watch = Watch(clock=lambda: surface.now, stop_reason=lambda: "interrupted" if len(surface.reads) == 65 else None)
    part, running = scan(surface, watch=watch)  # 64 blocks and one of the two slow ones again
    assert (part.complete, part.stopped_because, running.settled_early) == (False, "interrupted", False)
    rest, _ = scan(Surface(slow=slow), state=running.state())
    assert (rest.complete, [a.offset // MIB for a in rest.slow]) == (True, [2, 48])


def test_another_size_is_another_drive() -> None:
    state = new_state(Surface(), sample_percent=100, started="t0")
    with pytest.raises(BadInput, match="its size differs"):
        Scan(Surface(size_bytes=32 * MIB), Buffer(memoryview(bytearray(MIB))), state)


@pytest.mark.promise(3)
def test_a_vanished_drive_has_no_unreadable_areas() -> None:
    result, _ = scan(Surface(vanish_at=20 * MIB))
    assert result.unreadable == ()
    assert result.stopped_because == "surface is no longer there"


def test_enough_is_enough() -> None:
    result, running = scan(Surface(bad=frozenset(range(0, 131_072, 4096))), policy=ScanPolicy(most_unreadable_areas=5))
    assert (result.complete, running.settled_early) == (False, True)
    assert len(result.unreadable) == 5
    surface = Surface(bad=frozenset(range(2048, 8192)))
    result, running = scan(surface, policy=ScanPolicy(most_failed_reads=50))
    assert (result.complete, running.settled_early) == (False, True)
    assert sum(area.length for area in result.unreadable) <= 50 * 512
    assert running.state().failed_reads == 50
    assert len(surface.reads) < 200


def test_heat_stops_it() -> None:
    result, _ = scan(
        Surface(),
        thermometer=Thermometer(celsius=lambda: 61, limit_celsius=60),
        policy=ScanPolicy(temperature_seconds=0),
    )
    assert result.temperature_max_celsius == 61
    assert result.stopped_because == "the drive is at 61 °C, above its own limit of 60 °C: let it cool, then resume"


@pytest.mark.parametrize("percent", [0.5, 5.0, 50.0])
def test_a_sample_looks_everywhere(percent: float) -> None:
    blocks = 10_000
    numbers = list(plan_blocks(blocks, percent, seed=3))
    assert numbers == sorted(set(numbers))
    assert len(numbers) == pytest.approx(blocks * percent / 100, rel=0.2)
    strides = [after - before for before, after in zip([0, *numbers], [*numbers, blocks], strict=True)]
    assert max(strides) <= 2 * blocks / min(1000, blocks * percent / 100)
    assert numbers != list(plan_blocks(blocks, percent, seed=4))


@pytest.mark.promise(7)
def test_memory_is_bounded() -> None:
    for size in (1, MIB, 10**12, 20 * 10**12, 10**15):
        block = block_bytes_for(size)
        assert block & (block - 1) == 0
        assert math.ceil(size / block) <= 1 << 20


def test_the_page_of_the_scan_names_the_policy_as_it_is() -> None:
    page = (Path(__file__).parents[3] / "docs" / "read-scan.md").read_text("utf-8")
    rows = dict(re.findall(r"^\| (\w+) \| ([\d.]+) \|", page, flags=re.MULTILINE))
    policy = ScanPolicy()
    assert {name: float(value) for name, value in rows.items()} == {
        field.name: float(getattr(policy, field.name)) for field in msgspec.structs.fields(ScanPolicy)
    }
