"""`drivecare drives` on recorded machines: the whole output."""

from __future__ import annotations

from pathlib import Path

from drivecare.cli.drives import drives
from drivecare.hardware.smart_port import Recorded
from tests.cli.bench import recorded_machine, run
from tests.hardware.sysfs import Tree, identify_page
from tests.hardware.test_blockdev import sata, usb


def test_what_a_person_sees(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    drive = sata(tree)
    tree.mount(tree.partition(drive, 1), "/")
    usb(tree)
    tree.drive("loop0", sectors=131_072, loop__backing_file="/srv/copies/old drive.img", ro="1")
    ran = run(drives, machine=recorded_machine(tmp_path, Recorded({})))
    assert ran.exit_code == 0
    assert ran.out == (
        "/dev/loop0      67.1 MB  image file, read-only       free\n"
        "               /srv/copies/old drive.img\n"
        "/dev/sda         500 GB  hard drive, SATA            THIS MACHINE RUNS FROM IT\n"
        "               Kestrel KD-500 Media Edition   serial KX25-00417\n"
        "               /dev/sda1 mounted at /\n"
        "/dev/sdb        1.02 GB  drive, USB                  free\n"
        "               Plumdock Twin   serial DOCK0001 (the bridge's own)\n"
        "               behind Twin Dock (1d6b:0104)\n"
    )


def test_no_serial_number_is_ever_cut(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    serial = "SERIAL-NUMBER-AS-LONG-AS-NVME-ALLOWS-20"
    tree.drive("nvme0n1", "pci0000:00/nvme/nvme0", device__model="M" * 40, device__serial=serial)
    page = identify_page(model="K" * 40, serial="12345678901234567890")
    tree.drive("sda", "pci0000:00/ata1/0:0:0:0", device__vpd_pg89=page)
    ran = run(drives, machine=recorded_machine(tmp_path, Recorded({})))
    assert f"serial {serial}\n" in ran.out
    assert "serial 12345678901234567890\n" in ran.out


def test_the_document(tmp_path: Path) -> None:
    sata(Tree(tmp_path))
    ran = run(drives, "--json", machine=recorded_machine(tmp_path, Recorded({})))
    assert ran.json["schema"] == "drivecare/drives-1"
    (drive,) = ran.json["drives"]
    assert (drive["path"], drive["serial"], drive["in_use"], drive["system"]) == ("/dev/sda", "KX25-00417", [], False)
    assert (drive["bus"], drive["kind"], drive["capacity_bytes"]) == ("sata", "hdd", 500_107_862_016)


def test_nothing_attached(tmp_path: Path) -> None:
    Tree(tmp_path)
    ran = run(drives, machine=recorded_machine(tmp_path, Recorded({})))
    assert ran.out.startswith("No drive is attached.")
    assert ran.exit_code == 0


def test_a_machine_without_sysfs_says_so(tmp_path: Path) -> None:
    ran = run(drives, machine=recorded_machine(tmp_path, Recorded({})))
    assert (ran.exit_code, ran.out) == (3, "")
    assert ran.err == f"drivecare: {tmp_path}/sys/block: the kernel's list of drives cannot be read\n"
