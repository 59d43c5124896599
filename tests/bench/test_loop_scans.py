"""Timed reads of a surface that fails or slows down in known places, by the installed command."""

from __future__ import annotations

import signal

import pytest

from tests.bench.drives import MIB, noise
from tests.bench.faults import Faults
from tests.bench.shop import Shop

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

SIZE = 32 * MIB  # four zones of eight blocks of 1 MiB, in which a block is compared with its neighbours
CONTENT = noise(7, SIZE)


def pace(seconds: float) -> tuple[tuple[int, int, float], ...]:
    """A surface that is half as fast at its end, so slow that the jitter of a busy machine is small beside it."""
    return tuple((at, MIB, seconds + seconds * at / SIZE) for at in range(0, SIZE, MIB))


def test_a_scan_finds_the_unreadable_sectors(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, unreadable=[0, 1, 5_000, 30_000, SIZE // 512 - 1])
    scan = shop.run("readscan", source, code=20)
    areas = [(area["offset"], area["length"]) for area in scan["unreadable"]]
    assert areas == [(0, 1024), (5_000 * 512, 512), (30_000 * 512, 512), (SIZE - 512, 512)]
    assert (scan["complete"], scan["bytes_read"]) == (True, SIZE)
    assert shop.rig.backing("source").read_bytes() == CONTENT


def test_enough_unreadable_areas_end_a_scan(shop: Shop) -> None:
    """More reading only wears a drive that should be copied: that is a result, not an interruption."""
    source = shop.rig.device("source", CONTENT, unreadable=range(0, 100 * 600, 600))
    scan = shop.run("readscan", source, code=20)
    assert scan["complete"] is False
    assert "copy it" in scan["stopped_because"], scan["stopped_because"]
    assert all(area["offset"] % (600 * 512) == 0 and area["length"] == 512 for area in scan["unreadable"])


def test_a_surface_without_slow_areas_has_none(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, faults=Faults(slow=pace(0.05)))
    scan = shop.run("readscan", source, code=0)
    assert (scan["slow"], scan["unreadable"], scan["complete"]) == ([], [], True)


def test_slow_areas_are_found_at_their_places(shop: Shop) -> None:
    planted = (0, 13 * MIB)
    slow = tuple((at + MIB // 2, 4096, 4.0) for at in planted)
    source = shop.rig.device("source", CONTENT, faults=Faults(slow=(*pace(0.05), *slow)))
    scan = shop.run("readscan", source, code=0)
    assert [(area["offset"], area["length"]) for area in scan["slow"]] == [(at, MIB) for at in planted], scan["slow"]
    for area in scan["slow"]:
        assert area["milliseconds"] >= 4000 > area["expected_milliseconds"], area
    assert scan["latency"]["longest"] >= 4000 > scan["latency"]["p50"], scan["latency"]


def test_a_stopped_scan_resumes_and_finds_the_same(shop: Shop) -> None:
    slow = ((29 * MIB, 4096, 4.0),)
    failing = ((3 * MIB + 8192, 512), (30 * MIB, 512))
    source = shop.rig.device("source", CONTENT, faults=Faults(slow=(*pace(0.2), *slow), failing=failing))
    process = shop.midway("readscan", source)
    process.send_signal(signal.SIGINT)
    shop.ended(process, code=23)
    shop.rig.set_faults("source", Faults(slow=(*pace(0.05), *slow), failing=failing))
    scan = shop.run("readscan", source, "--resume", code=20)
    assert (scan["complete"], scan["bytes_read"]) == (True, SIZE)
    assert [area["offset"] for area in scan["slow"]] == [29 * MIB], scan["slow"]
    assert [(area["offset"], area["length"]) for area in scan["unreadable"]] == list(failing)
