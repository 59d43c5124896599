"""The policy for damaged sources, measured on a model of a failing drive: good data first, all of it, within budget."""

from __future__ import annotations

import pytest

from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.sectors.damage import DamagePolicy
from tests.transfer.sectors.failing_drive import SECTOR, FailingDrive, Model, Rescue, lost, rescue

POLICY = DamagePolicy()
SMALL = Model(
    size_bytes=20_000_000_000 // SECTOR * SECTOR,
    clusters=20,
    longest_cluster_sectors=100,
    weak_region_bytes=64 << 20,
    track_bytes=256 << 10,
    weak_track=64,
    third_try_sectors=20,
    drops=10,
)


def judge(rescued: Rescue) -> None:
    drive = rescued.drive
    assert rescued.copied_bytes == drive.readable_bytes
    assert lost(rescued, POLICY) == drive.damage
    for sector, touches in drive.touches.items():
        place = Area(offset=sector * SECTOR, length=SECTOR)
        dropped = sum(overlap(place, area) is not None for area in drive.dropped_on)
        assert touches <= POLICY.touches + dropped
    _, damage_seconds, _ = rescued.at_share(0.99)
    assert damage_seconds < 0.05 * drive.now
    assert rescued.sessions == drive.drops + 1


def test_small_failing_drive() -> None:
    judge(rescue(FailingDrive(SMALL, seed=1), POLICY))


@pytest.mark.slow
@pytest.mark.timeout(280)
@pytest.mark.parametrize("seed", [1, 2])
def test_failing_drive_of_a_terabyte(seed: int) -> None:
    judge(rescue(FailingDrive(Model(), seed), POLICY))


TINY = Model(size_bytes=1 << 30, clusters=2, longest_cluster_sectors=20, weak_region_bytes=1 << 20, drops=0)


@pytest.mark.parametrize(("retries", "all_of_it"), [(2, False), (3, True)])
def test_retries_are_what_brings_back_a_sector_that_reads_late(retries: int, all_of_it: bool) -> None:
    drive = FailingDrive(TINY, seed=1)
    drive.late = dict.fromkeys(list(drive.late)[:5], 5)  # five failures, of which three are of larger reads
    drive._late = sorted(drive.late)
    rescued = rescue(drive, DamagePolicy(retries=retries))
    assert (rescued.copied_bytes == drive.readable_bytes) is all_of_it
