"""Attached drives from recorded trees: what each is, and every way in which one is in use."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drivecare.errors import BadInput, Unavailable
from drivecare.hardware.blockdev import Partition, inspect_drive, list_drives
from drivecare.reading.identity import Identity
from tests.bench.loop import attached
from tests.hardware.sysfs import Tree, identify_page, page_80

SATA = "pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0"
USB = "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0"
NVME = "pci0000:00/0000:01:00.0/nvme/nvme0"
SAS = "pci0000:00/0000:02:00.0/host1/port-1:0/end_device-1:0/target1:0:0/1:0:0:0"


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def sata(tree: Tree, name: str = "sda", at: str = SATA, **files: Any) -> Path:
    page = identify_page(model="Kestrel KD-500 Media Edition", serial="KX25-00417", wwn="5000c5a0b1c2d3e4")
    return tree.drive(
        name, at, sectors=976_773_168, queue__rotational="1", device__vpd_pg89=page, device__vendor="ATA", **files
    )


def usb(tree: Tree, name: str = "sdb", driver: str = "usb-storage", serial: str = "DOCK0001", **files: Any) -> Path:
    drive = tree.drive(name, USB, queue__rotational="1", device__vendor="Plumdock", device__model="Twin", **files)
    dock = "sys/devices/pci0000:00/0000:00:14.0/usb2/2-1"
    for key, value in {"idVendor": "1d6b", "idProduct": "0104", "product": "Twin Dock", "serial": serial}.items():
        tree.write(f"{dock}/{key}", value)
    tree.write(f"{dock}/2-1:1.0/bInterfaceClass", "08")
    (tree.root / "sys/bus/usb/drivers" / driver).mkdir(parents=True)
    (tree.root / dock / "2-1:1.0/driver").symlink_to(tree.root / "sys/bus/usb/drivers" / driver)
    return drive


def test_a_sata_drive_gives_its_whole_name_without_udev(tree: Tree) -> None:
    sata(tree, device__model="Kestrel KD-500 M", queue__physical_block_size="4096", diskseq="9")
    (drive,) = list_drives(root=tree.root)
    assert drive.path == "/dev/sda"
    assert drive.model == "Kestrel KD-500 Media Edition"
    assert drive.serial == "KX25-00417"
    assert drive.identity == Identity(wwn="5000c5a0b1c2d3e4", native_serial="KX25-00417", strength="strong")
    assert (drive.bus, drive.kind, drive.capacity_bytes) == ("sata", "hdd", 500_107_862_016)
    assert (drive.logical_sector_bytes, drive.physical_sector_bytes, drive.disk_sequence) == (512, 4096, 9)
    assert (drive.in_use, drive.system) == ((), False)


def test_size_is_in_512_byte_units_on_4096_byte_sectors_too(tree: Tree) -> None:
    tree.drive("sda", SATA, sectors=16384, queue__logical_block_size="4096")
    assert list_drives(root=tree.root)[0].capacity_bytes == 8 << 20


def test_a_bridge_that_hides_the_drive_lends_no_identity(tree: Tree) -> None:
    usb(tree, device__vpd_pg80=page_80("FFFFFF0042"), device__wwid="naa.5000000000000001")
    (drive,) = list_drives(root=tree.root)
    assert (drive.bus, drive.kind) == ("usb", "unknown")
    assert drive.identity == Identity(bridge_serial="DOCK0001", strength="weak")
    assert (drive.serial, drive.bridge) == ("DOCK0001", "Twin Dock (1d6b:0104)")


def test_a_bridge_that_passes_the_identity_on(tree: Tree) -> None:
    usb(tree, driver="uas", device__vpd_pg89=identify_page(model="Lumen S1", serial="L-9", rotation=1))
    (drive,) = list_drives(root=tree.root)
    assert (drive.bus, drive.kind, drive.model) == ("uas", "ssd", "Lumen S1")
    assert drive.identity == Identity(native_serial="L-9", bridge_serial="DOCK0001", strength="strong")


def test_udev_speaks_for_a_drive_behind_a_bridge_only_when_it_asked_the_drive(tree: Tree) -> None:
    number = (usb(tree) / "dev").read_text().strip()
    tree.write(f"run/udev/data/b{number}", "E:ID_BUS=usb\nE:ID_SERIAL_SHORT=DOCK0001\nE:ID_WWN=0x5000c50000000000\n")
    assert list_drives(root=tree.root)[0].identity == Identity(bridge_serial="DOCK0001", strength="weak")
    words = (
        "I:12",
        "E:ID_BUS=ata",
        "E:ID_SERIAL_SHORT=KX25-7",
        "E:ID_WWN=0x5000C5000000000A",
        r"E:ID_MODEL_ENC=Kestrel\x20KD\x20",
    )
    tree.write(f"run/udev/data/b{number}", "\n".join(words))
    (drive,) = list_drives(root=tree.root)
    assert (drive.model, drive.wwn, drive.serial) == ("Kestrel KD", "5000c5000000000a", "KX25-7")


def test_an_nvme_namespace_has_each_of_its_names(tree: Tree) -> None:
    tree.drive(
        "nvme0n1",
        NVME,
        device__serial="N2-77 ",
        eui="00 25 38 5b 71 b0 00 01\n",
        nguid="002538b1-7100-0001-0025-385b71b00001\n",
        nsid="1\n",
    )
    identity = inspect_drive("/dev/nvme0n1", root=tree.root).identity
    assert (identity.eui64, identity.nguid) == ("0025385b71b00001", "002538b1710000010025385b71b00001")
    assert (identity.wwn, identity.namespace, identity.strength) == ("0025385b71b00001", 1, "strong")


def test_nvme_namespaces_are_told_apart_by_their_own_names(tree: Tree) -> None:
    for index, eui in ((1, "00 25 38 8b 71 b0 a4 d1"), (2, "00 25 38 8b 71 b0 a4 d2")):
        tree.drive(
            f"nvme0n{index}", NVME, device__model="Lumen N2  ", device__serial="N2-77 ", eui=eui, nsid=f"{index}\n"
        )
    first, second = list_drives(root=tree.root)
    assert (first.model, first.serial, first.bus, first.kind) == ("Lumen N2", "N2-77", "nvme", "ssd")
    assert (first.wwn, second.wwn) == ("0025388b71b0a4d1", "0025388b71b0a4d2")
    assert (first.identity.namespace, second.identity.namespace) == (1, 2)


def test_sas_and_memory_card_and_virtual(tree: Tree) -> None:
    tree.drive(
        "sda", SAS, device__vpd_pg80=page_80("S1"), device__vendor="HERON", device__model="H15K", queue__rotational="1"
    )
    tree.drive("mmcblk0", "platform/mmc0:0001", device__name="CARD8", device__serial="0x1234abcd")
    tree.drive("vda", serial="image-7")
    by_bus = {drive.bus: drive for drive in list_drives(root=tree.root)}
    assert (by_bus["sas"].model, by_bus["sas"].serial, by_bus["sas"].kind) == ("HERON H15K", "S1", "hdd")
    assert (by_bus["mmc"].model, by_bus["mmc"].serial) == ("CARD8", "0x1234abcd")
    assert by_bus["virtio"].serial == "image-7"


def test_only_drives_are_listed(tree: Tree) -> None:
    for name in ("zram0", "ram0", "sr0", "loop0", "sdb"):
        tree.drive(name, sectors=0 if name == "sdb" else 100)  # an empty card reader has no size
    tree.drive("loop7", loop__backing_file="/srv/bench.img")
    tree.drive("nvme0c0n1", NVME, hidden="1")
    tree.stack("dm-0")
    assert [(drive.path, drive.backing_file) for drive in list_drives(root=tree.root)] == [
        ("/dev/loop7", "/srv/bench.img")
    ]


def test_the_kernels_order(tree: Tree) -> None:
    for name in ("sdaa", "sdb", "loop10", "loop2"):
        tree.drive(name, loop__backing_file="/x")
    assert [drive.path for drive in list_drives(root=tree.root)] == [
        "/dev/loop2",
        "/dev/loop10",
        "/dev/sdb",
        "/dev/sdaa",
    ]


def test_a_mounted_partition_keeps_the_whole_drive_in_use(tree: Tree) -> None:
    drive = sata(tree)
    tree.partition(drive, 1)
    tree.mount(tree.partition(drive, 2, start=4096), "/media/my photos")
    attached = inspect_drive("/dev/sda", root=tree.root)
    assert attached.in_use == ("/dev/sda2 mounted at /media/my photos",)
    assert attached.partitions[1] == Partition(
        path="/dev/sda2",
        number=2,
        start_bytes=4096 * 512,
        capacity_bytes=512_000,
        mounted_at=("/media/my photos",),
    )
    assert not attached.system


def test_device_numbers_are_compared_whole(tree: Tree) -> None:
    """8:1 must not match 8:10."""
    drives = [tree.drive(f"sd{letter}") for letter in "abcdefghijk"]
    tree.mount(drives[10], "/mnt", source="/dev/disk/by-label/x")
    in_use = [drive.path for drive in list_drives(root=tree.root) if drive.in_use]
    assert in_use == ["/dev/sdk"]


def test_swap_is_use_and_makes_a_system_drive(tree: Tree) -> None:
    drive = sata(tree)
    tree.swap(tree.partition(drive, 3))
    attached = inspect_drive("/dev/sda", root=tree.root)
    assert (attached.in_use, attached.system) == (("/dev/sda3 in use as swap",), True)


def test_lvm_upon_encryption_is_traced_down_to_the_drive(tree: Tree) -> None:
    drive = sata(tree)
    crypt = tree.stack("dm-0", tree.partition(drive, 3), mapper="luks-1")
    root = tree.stack("dm-1", crypt, mapper="vg-root")
    tree.mount(root, "/", source="/dev/mapper/vg-root")
    attached = inspect_drive("/dev/sda", root=tree.root)
    assert attached.system
    assert attached.in_use == (
        "/dev/sda3 held by dm-0 (luks-1)",
        "/dev/mapper/luks-1 held by dm-1 (vg-root)",
        "/dev/mapper/vg-root mounted at /",
    )


def test_both_members_of_a_raid_set_are_in_use(tree: Tree) -> None:
    first, second = tree.drive("sda"), tree.drive("sdb")
    tree.stack("md0", tree.partition(first, 1), tree.partition(second, 1))
    assert [drive.in_use for drive in list_drives(root=tree.root)] == [
        ("/dev/sda1 member of the RAID set md0",),
        ("/dev/sdb1 member of the RAID set md0",),
    ]


def test_every_member_of_a_btrfs_volume_is_in_use_and_system(tree: Tree) -> None:
    """mountinfo names one member and an anonymous device number."""
    first, second = tree.drive("sda"), tree.drive("sdb")
    for drive in (first, second):
        tree.write(f"sys/fs/btrfs/1234-5678/devices/{drive.name}", "")
    tree.mount("0:43", "/", type="btrfs", source="/dev/sda")
    assert [(drive.in_use, drive.system) for drive in list_drives(root=tree.root)] == [
        (("/dev/sda mounted at /",), True),
        (("/dev/sdb mounted at /",), True),
    ]


def test_a_live_system_runs_from_the_stick_below_overlay_and_image(tree: Tree) -> None:
    stick = usb(tree)
    tree.mount(tree.partition(stick, 1), "/run/live/medium", type="vfat")
    image = tree.drive("loop0", loop__backing_file="/run/live/medium/live/filesystem.squashfs")
    tree.mount(image, "/run/live/rootfs", type="squashfs")
    tree.mount("0:50", "/", type="overlay", options="rw,lowerdir=/run/live/rootfs,upperdir=/run/live/rw,workdir=/w")
    assert inspect_drive("/dev/sdb", root=tree.root).system


def test_a_loop_device_over_the_drive_is_use(tree: Tree) -> None:
    sata(tree)
    tree.drive("loop0", loop__backing_file="/dev/sda")
    assert inspect_drive("/dev/sda", root=tree.root).in_use == ("/dev/sda attached as loop0",)


def test_a_program_that_may_write_to_it_is_use(tree: Tree) -> None:
    """A virtual machine on a raw disk takes no exclusive hold. Reading programs, and ourselves, are none of it."""
    sata(tree)
    for process, flags in ((4242, "0100002"), (4243, "0100000"), (os.getpid(), "0100002")):
        tree.write(f"proc/{process}/comm", "guest\n")
        tree.write(f"proc/{process}/fdinfo/5", f"pos:\t0\nflags:\t{flags}\n")
        (tree.root / f"proc/{process}/fd").mkdir(parents=True)
        (tree.root / f"proc/{process}/fd/5").symlink_to("/dev/sda")
    assert inspect_drive("/dev/sda", root=tree.root).in_use == ("/dev/sda open for writing in guest (process 4242)",)


def test_a_partition_is_no_drive(tree: Tree) -> None:
    tree.partition(sata(tree), 1)
    with pytest.raises(BadInput) as caught:
        inspect_drive("/dev/sda1", root=tree.root)
    assert caught.value.message() == "/dev/sda1: is a partition. Name the whole drive: /dev/sda."


def test_nothing_there(tree: Tree) -> None:
    tree.drive("loop3")
    for path, problem in (("/dev/sdq", "there is no such device"), ("/dev/loop3", "nothing is attached there")):
        with pytest.raises(Unavailable, match=problem):
            inspect_drive(path, root=tree.root)


@pytest.mark.parametrize("path", ["/etc/hostname", "/dev", "/dev/null"])
def test_what_is_no_drive_on_this_machine(path: str) -> None:
    with pytest.raises(BadInput, match="is not a drive"):
        inspect_drive(path)
    with pytest.raises(Unavailable, match="no such device"):
        inspect_drive("/dev/no-such-drive")


def test_this_machine_can_be_listed() -> None:
    for drive in list_drives():
        assert (Path("/sys/class/block") / Path(drive.path).name).exists()
        assert drive.capacity_bytes == 512 * int(
            (Path("/sys/class/block") / Path(drive.path).name / "size").read_text()
        )


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[str]:
    if os.geteuid() != 0:
        pytest.skip("needs root")
    image = tmp_path / "bench.img"
    image.write_bytes(bytes(8 << 20))
    subprocess.run(["mkfs.ext4", "-q", image], check=True)
    with attached(image) as device:
        assert device.name.startswith("loop")
        yield str(device)


@pytest.mark.bench
def test_a_real_loop_device_free_and_mounted(loop: str, tmp_path: Path) -> None:
    free = inspect_drive(loop)
    assert (free.bus, free.capacity_bytes, free.in_use, free.system) == ("loop", 8 << 20, (), False)
    assert free.backing_file == str(tmp_path / "bench.img")
    point = tmp_path / "a mount"
    point.mkdir()
    subprocess.run(["mount", "-o", "ro", loop, point], check=True)
    try:
        assert inspect_drive(loop).in_use == (f"{loop} mounted at {point}",)
    finally:
        subprocess.run(["umount", point], check=True)
    lsblk = subprocess.run(["lsblk", "-bno", "SIZE,PHY-SEC,LOG-SEC", loop], check=True, capture_output=True, text=True)
    assert lsblk.stdout.split() == [str(n) for n in (8 << 20, free.physical_sector_bytes, free.logical_sector_bytes)]


@pytest.mark.bench
def test_a_real_writer_is_seen(loop: str) -> None:
    holder = subprocess.Popen(
        ["sh", "-c", f"setsid sh -c 'exec 3<>{loop}; echo ready; read line' <&0"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    try:
        assert holder.stdout.readline() == "ready\n"
        assert "open for writing in sh" in inspect_drive(loop).in_use[0]
    finally:
        holder.communicate("done\n")
    assert inspect_drive(loop).in_use == ()
