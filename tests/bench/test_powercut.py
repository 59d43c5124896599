"""The power goes: what a flush has promised is there, what it has not may be lost, and a copy goes on from that."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.bench.drives import MIB, Drive
from tests.bench.guests import powercut
from tests.bench.machine import Machine, outcome
from tests.bench.writelog import after_power_cut, entries

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900), pytest.mark.usefixtures("machine_rig")]


def cut(folder: Path, drives: Sequence[Drive], check: str) -> Machine:
    """A machine that has run one check up to its power cut."""
    machine = Machine(folder / "machine", drives)
    machine.run_until_cut("tests.bench.guest", "powercut", check, seconds=300)
    return machine


def durable(machine: Machine, name: str, *, seed: int | None = None) -> bytes:
    """What a logged drive of a machine holds after the cut."""
    (drive,) = (drive for drive in machine.drives if drive.name == name)
    return after_power_cut(drive.content(), entries(machine.log(name)), seed=seed)


def test_only_a_flush_makes_direct_writes_durable(tmp_path: Path) -> None:
    machine = cut(tmp_path, powercut.WRITES, "check_direct_writes")
    assert durable(machine, "flushed")[: 8 * MIB] == b"\xa5" * 8 * MIB
    assert not any(durable(machine, "unflushed"))
    assert machine.image("unflushed").read_bytes()[: 8 * MIB] == b"\xa5" * 8 * MIB


def verified_copy_is_durable(folder: Path, check: str) -> bool:
    machine = cut(folder, powercut.SMALL, check)
    source = machine.image("source").read_bytes()
    assert machine.image("target").read_bytes()[: len(source)] == source
    return durable(machine, "target")[: len(source)] == source


def test_what_is_called_verified_survives_the_cut(tmp_path: Path) -> None:
    assert verified_copy_is_durable(tmp_path, "check_cut_after_verified")


def test_that_this_finds_a_copy_without_fsync(tmp_path: Path) -> None:
    """One of the four breakages: see tests/bench/breakage."""
    assert not verified_copy_is_durable(tmp_path, "check_cut_after_verified_without_fsync")


@pytest.fixture(scope="module")
def cut_machine(machine_rig: None, tmp_path_factory: pytest.TempPathFactory) -> Machine:
    """A machine whose power went in the middle of a copy."""
    return cut(tmp_path_factory.mktemp("cut"), powercut.LARGE, "check_cut_in_the_middle")


@pytest.mark.parametrize("seed", [None, 1], ids=["last-flush", "random"])
def test_a_copy_goes_on_from_what_was_durable(cut_machine: Machine, tmp_path: Path, seed: int | None) -> None:
    source = cut_machine.image("source").read_bytes()
    machine = Machine(tmp_path / "machine", powercut.LARGE)
    for name in ("target", "folder"):
        machine.image(name).write_bytes(durable(cut_machine, name, seed=seed))
    assert machine.image("target").read_bytes()[: len(source)] != source, "the cut came too late to show anything"
    machine.run("tests.bench.guest", "powercut", "check_goes_on_after_the_cut", seconds=300)
    failure = outcome(machine, "check_goes_on_after_the_cut")["failure"]
    assert failure is None, failure
    assert machine.image("target").read_bytes()[: len(source)] == source
