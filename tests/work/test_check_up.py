"""What `drivecare doctor` finds on prepared machines."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NoReturn

import pytest

from drivecare.errors import Unavailable
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import Recorded
from drivecare.work.check_up import MachineCheck, check_machine
from tests.hardware.reports import BANNER, NO_IDENTITY, answer, sata
from tests.hardware.sysfs import Tree
from tests.hardware.test_blockdev import usb


def machine(root: Path, **more: Any) -> Machine:
    backend = more.pop("recorded", Recorded({"-V": answer(BANNER)}))
    programs = frozenset(more.pop("running", ()))
    usual: dict[str, Any] = {
        "backend": lambda: backend,
        "programs": lambda: programs,
        "is_root": True,
        "parser_lacks": str,
    }
    return Machine(root=root, **usual | more)


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def check_of(tree: Tree, name: str, **more: Any) -> MachineCheck:
    return next(check for check in check_machine(machine(tree.root, **more)).checks if check.check.startswith(name))


def test_a_machine_in_order(tree: Tree) -> None:
    checkup = check_machine(machine(tree.root))
    assert checkup.ready
    assert [check.result for check in checkup.checks] == ["ok"] * 6


def test_without_smartmontools_it_is_not_ready(tree: Tree) -> None:
    class Nothing:
        def ask(self, *_: object, **__: object) -> NoReturn:
            raise Unavailable("smartmontools is not installed")

    checkup = check_machine(machine(tree.root, recorded=Nothing()))
    assert not checkup.ready
    assert checkup.checks[0].result == "missing"
    assert checkup.checks[0].advice == "sudo apt install smartmontools"


@pytest.mark.parametrize(
    ("words", "result"),
    [("smartctl 7.3 2022", "ok"), ("smartctl 7.0 2018", "ok"), ("smartctl 6.6 2017", "missing"), ("?", "missing")],
)
def test_new_enough(tree: Tree, words: str, result: str) -> None:
    assert check_of(tree, "smartmontools", recorded=Recorded({"-V": answer(words)})).result == result


def test_a_missing_list_of_system_calls_is_worth_a_look(tree: Tree) -> None:
    check = check_of(tree, "file systems", parser_lacks=lambda: "the list is not in force")
    assert (check.result, check.advice) == ("warn", "sudo apt install libseccomp2")
    assert check.found == "parsed without one of the measures against harm: the list is not in force"


def test_no_root_is_worth_a_look_and_no_hindrance(tree: Tree) -> None:
    assert check_of(tree, "rights", is_root=False).result == "warn"
    assert check_machine(machine(tree.root, is_root=False)).ready


@pytest.mark.parametrize(
    ("reply", "result", "words"),
    [
        (sata(), "ok", "Twin Dock (1d6b:0104) lets health data through"),
        (NO_IDENTITY, "warn", "Twin Dock (1d6b:0104) lets no health data through"),
    ],
    ids=["a good dock", "a blocking dock"],
)
def test_docks_are_tried(tree: Tree, reply: str, result: str, words: str) -> None:
    usb(tree)
    check = check_of(tree, "dock", recorded=Recorded({"-V": answer(BANNER), "-i": answer(reply)}))
    assert (check.check, check.result, check.found) == ("dock of /dev/sdb", result, words)
    not_root = check_of(tree, "dock", is_root=False)
    assert (not_root.result, not_root.advice) == ("warn", "Run this again with sudo.")


def test_a_running_automounter_and_how_to_switch_it_off(tree: Tree) -> None:
    check = check_of(tree, "automounting", running={"udisksd", "bash"})
    assert check.result == "warn"
    assert "sudo systemctl stop udisks2" in (check.advice or "")
    assert 'SUBSYSTEM=="block", ENV{UDISKS_IGNORE}="1"' in (check.advice or "")


def test_a_rule_that_keeps_the_automounter_off_drives(tree: Tree) -> None:
    rule = 'SUBSYSTEM=="block", ENV{UDISKS_IGNORE}="1"\n'
    tree.write("etc/udev/rules.d/99-bench.rules", "# " + rule)
    assert check_of(tree, "automounting", running={"udisksd"}).result == "warn", "a comment is no rule"
    tree.write("etc/udev/rules.d/99-bench.rules", rule)
    check = check_of(tree, "automounting", running={"udisksd"})
    assert (check.result, "/etc/udev/rules.d/99-bench.rules" in check.found) == ("ok", True)
    assert check_of(tree, "automounting", running={"udisksd", "udiskie"}).result == "warn"


def test_raid_members_that_assemble_themselves(tree: Tree) -> None:
    rule = "64-md-raid-assembly.rules"
    tree.write(f"usr/lib/udev/rules.d/{rule}", "")
    assert check_of(tree, "RAID members").result == "warn"
    (tree.root / "etc/udev/rules.d").mkdir(parents=True)
    (tree.root / "etc/udev/rules.d" / rule).symlink_to("/dev/null")
    assert "RAID members" not in [check.check for check in check_machine(machine(tree.root)).checks]
