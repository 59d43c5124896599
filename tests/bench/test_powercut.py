"""The power fails: what was flushed is there, what was not may be lost, and a copy resumes from that."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import get_args

import pytest

from tests.bench.conftest import AT_ONCE, BOOT_SECONDS, GuestCheck
from tests.bench.drives import MIB
from tests.bench.guests import powercut
from tests.bench.machine import Machine, outcome
from tests.bench.writelog import Kept, after_power_cut, entries

pytestmark = [pytest.mark.bench, pytest.mark.timeout(2700)]

MIDWAY: GuestCheck = ("powercut", "check_cut_in_the_middle")
GO_ON = "check_goes_on_after_the_cut"
KEPT: tuple[Kept, ...] = get_args(Kept)


def durable(machine: Machine, name: str, kept: Kept = "nothing") -> bytes:
    """What a logged drive of a machine holds after the cut."""
    (drive,) = (drive for drive in machine.drives if drive.name == name)
    return after_power_cut(drive.content(), entries(machine.log(name)), kept)


@pytest.fixture
def cut(booted: Callable[[GuestCheck], Machine], guest_check: GuestCheck) -> Machine:
    """A machine that has run one check up to its power cut."""
    return booted(guest_check)


def cut_by(check: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("guest_check", [("powercut", check)], ids=[check])


@cut_by("check_direct_writes")
def test_only_a_flush_makes_direct_writes_durable(cut: Machine) -> None:
    assert durable(cut, "flushed")[: 8 * MIB] == b"\xa5" * 8 * MIB
    assert not any(durable(cut, "unflushed"))
    assert cut.image("unflushed").read_bytes()[: 8 * MIB] == b"\xa5" * 8 * MIB


def verified_copy_is_durable(cut: Machine) -> bool:
    source = cut.image("source").read_bytes()
    assert cut.image("target").read_bytes()[: len(source)] == source
    return durable(cut, "target")[: len(source)] == source


@pytest.mark.promise(2)
@cut_by("check_cut_after_verified")
def test_what_is_called_verified_survives_the_cut(cut: Machine) -> None:
    assert verified_copy_is_durable(cut)


@cut_by("check_cut_after_verified_without_fsync")
def test_that_this_finds_a_copy_without_fsync(cut: Machine) -> None:
    """One of the four breakages: see tests/bench/breakage."""
    assert not verified_copy_is_durable(cut)


@pytest.fixture(scope="module")
def gone_on(
    booted: Callable[[GuestCheck], Machine], tmp_path_factory: pytest.TempPathFactory
) -> Mapping[Kept, Machine]:
    """A copy that was cut off in the middle and then resumed, by what the drives kept of unflushed writes."""
    cut = booted(MIDWAY)
    machines = {kept: _with_what_was_kept(cut, kept, tmp_path_factory.mktemp("kept") / "machine") for kept in KEPT}
    with ThreadPoolExecutor(AT_ONCE) as pool:
        list(pool.map(lambda m: m.run("tests.bench.guest", "powercut", GO_ON, seconds=BOOT_SECONDS), machines.values()))
    return machines


def _with_what_was_kept(cut: Machine, kept: Kept, folder: Path) -> Machine:
    machine = Machine(folder, powercut.LARGE)
    for name in ("target", "folder"):
        machine.image(name).write_bytes(durable(cut, name, kept))
    source = cut.image("source").read_bytes()
    assert machine.image("target").read_bytes()[: len(source)] != source, "the cut came too late to show anything"
    return machine


@pytest.mark.promise(6)
@pytest.mark.parametrize("guest_check", [MIDWAY], ids=["check_cut_in_the_middle"])
@pytest.mark.parametrize("kept", KEPT)
def test_a_copy_resumes_from_what_was_durable(
    gone_on: Mapping[Kept, Machine], guest_check: GuestCheck, kept: Kept
) -> None:
    machine = gone_on[kept]
    failure = outcome(machine, GO_ON)["failure"]
    assert failure is None, failure
    source = machine.image("source").read_bytes()
    assert machine.image("target").read_bytes()[: len(source)] == source
