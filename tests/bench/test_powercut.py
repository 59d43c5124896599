"""The power goes: what a flush has promised is there, what it has not may be lost, and a copy goes on from that."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.drives import MIB
from tests.bench.guests import powercut
from tests.bench.machine import Machine
from tests.bench.writelog import after_power_cut, entries

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600), pytest.mark.usefixtures("machine_rig")]


def durable(machine: Machine, name: str, *, seed: int | None = None) -> bytes:
    """What a logged drive of a machine holds after the cut."""
    (drive,) = (drive for drive in machine.drives if drive.name == name)
    return after_power_cut(drive.content(), entries(machine.log(name)), seed=seed)


def test_only_a_flush_makes_direct_writes_durable(tmp_path: Path) -> None:
    machine = Machine(tmp_path / "machine", powercut.DRIVES)
    machine.run_until_cut("tests.bench.guest", "powercut", "check_direct_writes", seconds=120)
    assert durable(machine, "flushed")[: 8 * MIB] == b"\xa5" * 8 * MIB
    assert durable(machine, "unflushed") == bytes(len(durable(machine, "unflushed")))
    assert machine.image("unflushed").read_bytes()[: 8 * MIB] == b"\xa5" * 8 * MIB
