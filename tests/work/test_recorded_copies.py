"""Copies and verifications of drives on a recorded machine: every guard and every question, without a device."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from drivecare.cli.copy import copy
from drivecare.cli.verify import verify
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import Recorded
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from tests.cli.bench import recorded_machine, run
from tests.hardware.reports import answer, sata
from tests.hardware.sysfs import Tree
from tests.job.carried import assessment, filed

SIZE = 4 << 20
CONTENT = random.Random(5).randbytes(SIZE)


def report(serial: str, *, pending: int = 0) -> str:
    """The report of a drive that is as large as the files that stand for it."""
    return sata(serial=serial, pending=pending).replace("500,107,862,016 bytes [500 GB]", f"{SIZE:,} bytes [4.19 MB]")


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Tree:
    """Two drives on SATA ports, sdx with data and sdy empty; files of /dev stand for them."""
    monkeypatch.chdir(tmp_path)
    tree = Tree(tmp_path / "tree")
    for number, (name, content) in enumerate({"sdx": CONTENT, "sdy": bytes(SIZE)}.items()):
        tree.drive(name, f"pci0000:00/ata{number}/host{number}", sectors=SIZE // 512)
        tree.write(f"dev/{name}", content)
    return tree


def machine(tree: Tree, *, pending: int = 0) -> Machine:
    return recorded_machine(
        tree.root,
        Recorded({"/dev/sdx": answer(report("KX25-00417", pending=pending)), "/dev/sdy": answer(report("PM24-0001"))}),
    )


def test_a_copy_asks_both_drives_and_moves_every_byte(tree: Tree) -> None:
    ran = run(copy, "/dev/sdx", "/dev/sdy", "--json", machine=machine(tree))
    assert ran.exit_code == 0, ran.err
    assert (ran.json["source"]["serial"], ran.json["target"]["serial"]) == ("KX25-00417", "PM24-0001")
    assert (tree.root / "dev/sdy").read_bytes() == CONTENT
    assert ran.err.endswith("two drives with the same content confuse a computer.\n")


def test_what_a_losing_source_means_is_said(tree: Tree) -> None:
    ran = run(copy, "/dev/sdx", "copy.img", machine=machine(tree, pending=24))
    assert "/dev/sdx: the source is losing data." in ran.err


def test_a_mounted_source_is_refused_before_anything_is_written(tree: Tree) -> None:
    partition = tree.partition(tree.root / "sys/block/sdx", 1)
    tree.mount(partition, "/mnt/old")
    ran = run(copy, "/dev/sdx", "/dev/sdy", machine=machine(tree))
    assert ran.exit_code == 22
    assert "the source is in use: /dev/sdx1 mounted at /mnt/old" in ran.err
    assert (tree.root / "dev/sdy").read_bytes() == bytes(SIZE)


def test_a_target_with_data_needs_its_own_serial_number(tree: Tree) -> None:
    tree.write("dev/sdy", bytes(SIZE - 1) + b"x")
    ran = run(copy, "/dev/sdx", "/dev/sdy", machine=machine(tree))
    assert ran.exit_code == 22
    assert "add --allow-overwrite SERIAL, the number on its label" in ran.err
    assert "PM24-0001" not in ran.err
    ran = run(copy, "/dev/sdx", "/dev/sdy", "--allow-overwrite", "PM24-0001", machine=machine(tree))
    assert ran.exit_code == 0, ran.err


def in_job(tree: Tree, old: str, new: str) -> tuple[str, ...]:
    """A job whose two drives, with these serial numbers, were read; the options that file in it."""
    jobs = tree.root.parent / "jobs"
    drives = [
        Drive(
            model="Kestrel KD-500",
            serial=serial,
            identity=Identity.from_names(native_serial=serial),
            capacity_bytes=SIZE,
        )
        for serial in (old, new)
    ]
    filed(jobs, [assessment(drives[0], "evacuate"), assessment(drives[1], "refit", sale="new")])
    return ("--job", "1042", "--jobs", str(jobs))


@pytest.mark.promise(5)
@pytest.mark.parametrize(("old", "new"), [("KX25-99999", "PM24-0001"), ("KX25-00417", "PM24-9999")])
def test_a_drive_that_is_not_the_jobs_is_said_before_the_first_byte(tree: Tree, old: str, new: str) -> None:
    job = in_job(tree, old, new)
    ran = run(copy, "/dev/sdx", "/dev/sdy", *job, machine=machine(tree))
    assert ran.exit_code == 22
    whose = "the customer's drive" if old == "KX25-99999" else "the new drive"
    assert f", but {whose} of this job is Kestrel KD-500 " in ran.err
    assert (tree.root / "dev/sdy").read_bytes() == bytes(SIZE)
    ran = run(copy, "/dev/sdx", "/dev/sdy", "--acknowledge", "other-drive", "--json", *job, machine=machine(tree))
    assert (ran.exit_code, ran.json["acknowledged"]) == (0, ["other-drive"]), ran.err


def test_a_copy_that_will_not_count_is_said_before_the_first_byte(tree: Tree) -> None:
    job = in_job(tree, "KX25-00417", "PM24-0001")
    nameless = recorded_machine(tree.root, Recorded({"/dev/sdx": answer(report("KX25-00417"))}))
    ran = run(copy, "/dev/sdx", "/dev/sdy", *job, machine=nameless)
    assert "/dev/sdy does not say which drive it is, so the gate will not count this copy" in ran.err
    assert "drivecare job record 1042 weak-identity SERIAL" in ran.err
    assert "/dev/sdx does not say" not in ran.err


def test_a_verification_asks_the_drive_whether_it_is_the_target(tree: Tree) -> None:
    run(copy, "/dev/sdx", "/dev/sdy", "--receipt", "r.json", machine=machine(tree))
    ran = run(verify, "r.json", "--json", machine=machine(tree))
    assert (ran.exit_code, ran.json["instead_of"]) == (0, None), ran.err
    ran = run(verify, "r.json", "/dev/sdx", "--json", machine=machine(tree))
    assert (ran.exit_code, ran.json["instead_of"]["serial"]) == (0, "PM24-0001"), ran.err
