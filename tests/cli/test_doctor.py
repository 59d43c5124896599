"""`drivecare doctor`: the whole output on a machine in order, and the exit code on one that is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.cli.doctor import doctor
from drivecare.fit.host_catalogue import load_hosts
from drivecare.hardware.smart_port import Recorded
from tests.cli.bench import recorded_machine, run
from tests.fit.samples import PROFILE
from tests.hardware.reports import BANNER, answer
from tests.hardware.sysfs import Tree

READY = """\
ok       smartmontools: version 7.3
LOOK     rights: you are not root
         Use sudo for assess, selftest, readscan and copy of real drives; the
         group `disk` is not enough. Files and images need no rights.
ok       docks: no drive is attached over USB; attach one and run this again to
         try its dock
ok       automounting: no automounter is running
ok       file systems: parsed in a process that can open, start and write
         nothing
ok       profiles: {profiles} units and bays, 0 of them the shop's own

Ready.
"""


def test_a_machine_in_order(tmp_path: Path) -> None:
    Tree(tmp_path)
    ran = run(doctor, machine=recorded_machine(tmp_path, Recorded({"-V": answer(BANNER)}), is_root=False))
    assert (ran.exit_code, ran.out) == (0, READY.format(profiles=len(load_hosts().hosts)))


def test_a_profile_of_the_shops_that_cannot_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Named, and no more than a warning: every other unit can be worked on."""
    Tree(tmp_path / "machine")
    (tmp_path / "hosts").mkdir()
    (tmp_path / "hosts" / "good.toml").write_text(PROFILE)
    (tmp_path / "hosts" / "torn.toml").write_text("id = ")
    monkeypatch.setenv("DRIVECARE_HOSTS", str(tmp_path / "hosts"))
    machine = recorded_machine(tmp_path / "machine", Recorded({"-V": answer(BANNER)}))
    ran = run(doctor, "--json", machine=machine)
    (check,) = [check for check in ran.json["checks"] if check["check"] == "profiles"]
    assert (ran.exit_code, ran.json["ready"], check["result"]) == (0, True, "warn")
    assert f"{tmp_path}/hosts/torn.toml: is not valid TOML" in check["found"]
    assert "hosts list" in check["advice"]


@pytest.mark.parametrize(("version", "exit_code"), [("smartctl 7.3", 0), ("smartctl 6.2", 3)])
def test_the_document_and_the_exit_code(tmp_path: Path, version: str, exit_code: int) -> None:
    Tree(tmp_path)
    ran = run(doctor, "--json", machine=recorded_machine(tmp_path, Recorded({"-V": answer(version)})))
    assert ran.exit_code == exit_code
    assert (ran.json["schema"], ran.json["ready"]) == ("drivecare/doctor-1", exit_code == 0)
    assert ran.json["checks"][0]["check"] == "smartmontools"
