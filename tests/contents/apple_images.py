"""The HFS+ and APFS images of fixtures/file-systems: how they were made.

No Debian tool fills an HFS+ or APFS image, so drivers that are not ours did it: that of HFS+ in Debian's kernel, and
the one that the package apfs-dkms builds for APFS. An emulated machine loads both and copies the customer's files. The
empty APFS is of mkapfs, and apfsck found nothing wrong with it at the end; the empty HFS+ is written below.

    python -m tests.contents.apple_images      makes them anew: apt, gcc, QEMU; a minute
"""

from __future__ import annotations

import os
import re
import shutil
import struct
import subprocess
import tempfile
from pathlib import Path

from tests.bench.kernel import kernel
from tests.contents.images import APPLE, MIB, customer_files

_UNIT = 4096
_PACKAGES = ("apfsprogs", "apfs-dkms", "linux-kbuild-6.1", "linux-compiler-gcc-12-x86")
_MODULES = (
    *("virtio_ring", "virtio_pci_modern_dev", "virtio_pci_legacy_dev", "virtio", "virtio_pci", "virtio_blk"),
    *("nls_utf8", "crc32c_generic", "cdrom", "hfsplus", "libcrc32c", "apfs"),
)
# The video is written in turn with another file, which is then deleted: it lies in ten pieces, with free space between.
_INIT = """#!/bin/busybox sh
export PATH=/bin
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t devtmpfs dev /dev
for module in $(cat /modules/order); do insmod /modules/$module.ko; done
tr a-z A-Z < /content/Videos/holiday.mp4 > /content/Videos/deleted.mp4
sleep 1
fill() {
  mount -t $1 -o $3 $2 /mnt || return
  cp -r /content/Pictures /content/Documents /mnt/
  sync
  mkdir /mnt/Videos
  for i in 0 1 2 3 4 5 6 7 8 9; do
    for name in holiday.mp4 deleted.mp4; do
      dd if=/content/Videos/$name of=/mnt/Videos/$name bs=327680 count=1 skip=$i seek=$i conv=notrunc
      $4
    done
  done
  rm -f /mnt/Videos/deleted.mp4
  ln /mnt/Documents/letter.txt /mnt/Documents/letter-again.txt
  cmp /content/Videos/holiday.mp4 /mnt/Videos/holiday.mp4 && umount /mnt && echo FILLED $1
}
fill hfsplus /dev/vda rw,force sync
fill apfs /dev/vdb rw,readwrite true
poweroff -f
"""


def empty_hfs_plus(size: int, label: str) -> bytes:
    """An empty volume: headers, a record of free space, and two trees. Apple Technical Note TN1150."""
    units, bitmap, extents, catalog = size // _UNIT, (1, 1), (2, 4), (6, 32)
    used = [*range(38), units - 1]
    image = bytearray(size)
    for unit in used:
        image[_UNIT + unit // 8] |= 0x80 >> unit % 8
    image[2 * _UNIT : 3 * _UNIT] = _header_node(extents[1], depth=0, records=0, key_bytes=10, attributes=2)
    image[6 * _UNIT : 7 * _UNIT] = _header_node(catalog[1], depth=1, records=2, key_bytes=516, attributes=6)
    image[7 * _UNIT : 8 * _UNIT] = _catalog_leaf(label)
    header = struct.pack(">2sHI4s9I", b"H+", 4, 0x100, b"10.0", 0, 0, 0, 0, 0, 0, 0, _UNIT, units)
    header += struct.pack(">6IQ32x", units - len(used), 38, _UNIT, _UNIT, 16, 0, 1)
    for start, count in (bitmap, extents, catalog):
        header += struct.pack(">QIIII56x", count * _UNIT, _UNIT, count, start, count)
    image[1024:1536] = image[-1024:-512] = header.ljust(512, b"\0")
    return bytes(image)


def _header_node(nodes: int, *, depth: int, records: int, key_bytes: int, attributes: int) -> bytes:
    node, root = bytearray(_UNIT), depth
    struct.pack_into(">8xbBH", node, 0, 1, 0, 3)
    struct.pack_into(">H4I2H2I", node, 14, depth, root, records, root, root, _UNIT, key_bytes, nodes, nodes - 1 - root)
    struct.pack_into(">2xI2xI", node, 44, nodes * _UNIT, attributes)
    node[248] = 0xC0 if root else 0x80
    struct.pack_into(">4H", node, _UNIT - 8, _UNIT - 8, 248, 120, 14)
    return bytes(node)


def _catalog_leaf(label: str) -> bytes:
    """The root folder, number 2, in folder 1; and its thread, which tells its name by its number."""
    name = struct.pack(">H", len(label)) + label.encode("utf-16-be")
    folder = struct.pack(">HI", 4 + len(name), 1) + name
    folder += struct.pack(">hHII20xIIBBHI40x", 1, 0, 0, 2, 0, 0, 0, 0, 0o40755, 0)
    thread = struct.pack(">HIHhhI", 6, 2, 0, 3, 0, 1) + name
    content = struct.pack(">8xbBHH", -1, 1, 2, 0) + folder + thread
    ends = struct.pack(">3H", len(content), 14 + len(folder), 14)
    return content.ljust(_UNIT - len(ends), b"\0") + ends


def main() -> None:
    """Make both images and pack them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tools = _fetch(folder)
        hfs, apfs = folder / "HFS+.img", folder / "APFS.img"
        hfs.write_bytes(empty_hfs_plus(16 * MIB, "PHOTOS"))
        apfs.touch()
        os.truncate(apfs, 1024 * MIB)  # the driver fails in a smaller one: "internal pool seems full"
        _run(tools / "usr/sbin/mkapfs", "-L", "PHOTOS", apfs)
        _boot(folder, tools, hfs, apfs)
        _run(tools / "usr/sbin/apfsck", apfs)
        _run("tar", "--sparse", "--xz", "-C", folder, "--owner=0", "--group=0", "-cf", APPLE, hfs.name, apfs.name)


def _fetch(folder: Path) -> Path:
    """The tools and modules in a folder of their own, nothing installed."""
    tools = folder / "tools"
    depends = _run("apt-cache", "depends", "linux-image-amd64")
    version = re.findall(r"Depends: linux-image-([\w.-]+)-amd64", depends)[0]
    kernels = [f"linux-{part}" for part in (f"image-{version}-amd64", f"headers-{version}-amd64")]
    _run("apt-get", "download", *_PACKAGES, *kernels, f"linux-headers-{version}-common", folder=folder)
    for package in folder.glob("*.deb"):
        _run("dpkg", "-x", package, tools)
    headers, common = (tools / f"usr/src/linux-headers-{version}-{part}" for part in ("amd64", "common"))
    (headers / "Makefile").write_text(f"include {common}/Makefile\n")
    for name in ("scripts", "tools"):
        (common / name).unlink()
        (common / name).symlink_to(tools / "usr/lib/linux-kbuild-6.1" / name)
    _run("make", "-C", headers, f"M={next((tools / 'usr/src').glob('linux-apfs-rw-*'))}", "modules")
    return tools


def _boot(folder: Path, tools: Path, *disks: Path) -> None:
    tree, guest = folder / "tree", kernel()
    for name in ("bin", "modules", "proc", "dev", "mnt"):
        (tree / name).mkdir(parents=True)
    customer_files(tree / "content")
    shutil.copy(guest.busybox, tree / "bin/busybox")
    for module in _MODULES:
        shutil.copy(next(tools.glob(f"**/{module}.ko")), tree / "modules")
    (tree / "modules/order").write_text("\n".join(_MODULES))
    (tree / "init").write_text(_INIT)
    (tree / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(tree)) for path in sorted(tree.rglob("*")))
    cpio: list[str | Path] = [guest.busybox, "cpio", "-o", "-H", "newc"]
    packed = subprocess.run(cpio, input=names.encode(), cwd=tree, capture_output=True, check=True).stdout
    (folder / "initramfs").write_bytes(packed)
    drives = [word for disk in disks for word in ("-drive", f"file={disk},format=raw,if=virtio")]
    console = _run(
        *("qemu-system-x86_64", "-m", 512, "-nographic", "-no-reboot", "-kernel", guest.image),
        *("-initrd", folder / "initramfs", "-append", "console=ttyS0 quiet", *drives),
    )
    assert re.findall(r"FILLED (\w+)", console) == ["hfsplus", "apfs"], console[-2000:]


def _run(*command: object, folder: Path | None = None) -> str:
    words = [str(word) for word in command]
    done = subprocess.run(words, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (words, done.stdout[-1000:], done.stderr[-1000:])
    return done.stdout


if __name__ == "__main__":
    main()
