"""The guest's kernel and first file system, made once from Debian packages into a cache folder.

Nothing is installed: the packages are downloaded with apt's own client and unpacked beside each other. The cache is
`$DRIVECARE_BENCH_CACHE`, else `~/.cache/drivecare-bench`; delete it to have it made afresh.
"""

from __future__ import annotations

import contextlib
import lzma
import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.bench.guest import SHARE, WORK

# Needed before this machine's file tree is the guest's root; and after it. What each needs is found from the files.
EARLY = ("virtio_pci", "9pnet_virtio", "9p", "overlay", "virtio_console")
LATE = (
    *("sd_mod", "sg", "ahci", "nvme", "virtio_scsi", "xhci_pci", "usb-storage", "uas"),
    *("dm-mod", "loop", "ext4", "crc32c_generic"),
)
EXTRA = ("scsi_debug", "dm-flakey")  # kept in the cache; a guest loads them with options of its own

INIT = f"""#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /lower /over /root /run
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t sysfs sysfs /sys
/bin/busybox mount -t devtmpfs dev /dev
for module in $(/bin/busybox cat /modules/order); do /bin/busybox insmod /modules/$module; done
/bin/busybox mount -t 9p -o trans=virtio,version=9p2000.L,msize=512000,cache=loose,ro host /lower
/bin/busybox mount -t tmpfs tmpfs /over
/bin/busybox mkdir /over/upper /over/work
/bin/busybox mount -t overlay -o lowerdir=/lower,upperdir=/over/upper,workdir=/over/work overlay /root
for folder in proc sys dev; do /bin/busybox mount --move /$folder /root/$folder; done
# What udev knows here is of other drives; nothing else of this machine is hidden, for the checkout may lie anywhere.
[ ! -d /root/run/udev ] || /bin/busybox mount -t tmpfs tmpfs /root/run/udev
/bin/busybox mkdir /root{WORK}
/bin/busybox mount -t tmpfs tmpfs /root{WORK}
/bin/busybox mkdir /root{SHARE}
/bin/busybox mount -t 9p -o trans=virtio,version=9p2000.L,msize=512000 share /root{SHARE}
exec /bin/busybox switch_root /root /bin/sh {SHARE}/start
"""


@dataclass(frozen=True)
class Kernel:
    """Files a guest boots from; `late` are the files in the folder `modules` to load, in their order."""

    image: Path
    initramfs: Path
    busybox: Path
    late: tuple[Path, ...]
    modules: Path


class Unready(RuntimeError):
    """The machine rig cannot be made here; the message is the reason."""


def cache_folder() -> Path:
    """Where the rig keeps what it downloads."""
    chosen = os.environ.get("DRIVECARE_BENCH_CACHE")
    return Path(chosen) if chosen else Path.home() / ".cache" / "drivecare-bench"


def kernel() -> Kernel:
    """The kernel from the cache, built first if it is missing."""
    folder = cache_folder() / "machine-2"  # raise the number when the layout below changes
    if not folder.exists():
        building = folder.with_name(f"{folder.name}.{os.getpid()}.part")
        shutil.rmtree(building, ignore_errors=True)
        building.mkdir(parents=True)
        try:
            _build(building)
            with contextlib.suppress(OSError):  # another run was first; its result is just as good
                building.rename(folder)
        finally:
            shutil.rmtree(building, ignore_errors=True)
    modules = {path.stem: path for path in (folder / "modules").iterdir()}
    return Kernel(
        image=folder / "vmlinux",
        initramfs=folder / "initramfs",
        busybox=folder / "busybox",
        late=tuple(modules[name] for name in _in_order(LATE, modules) if name not in _in_order(EARLY, modules)),
        modules=folder / "modules",
    )


def _build(folder: Path) -> None:
    unpacked = folder / "unpacked"
    for package in (_kernel_package(), "busybox-static"):
        _run(["apt-get", "download", package], folder)
    for archive in folder.glob("*.deb"):
        _run(["dpkg", "-x", archive.name, str(unpacked)], folder)
    (boot,) = unpacked.glob("boot/vmlinuz-*")
    packed = boot.read_bytes()
    start = packed.index(b"\xfd7zXZ\x00")  # the plain kernel inside boots 3 s faster than its unpacker does
    (folder / "vmlinux").write_bytes(lzma.LZMADecompressor().decompress(packed[start:]))
    (busybox,) = [*unpacked.glob("bin/busybox"), *unpacked.glob("usr/bin/busybox")]
    shutil.copy(busybox, folder / "busybox")
    everything = {path.stem: path for path in unpacked.glob("**/lib/modules/**/*.ko")}
    kept = folder / "modules"
    kept.mkdir()
    for name in _in_order((*EARLY, *LATE, *EXTRA), everything):
        shutil.copy(everything[name], kept)
    _initramfs(folder, [kept / f"{name}.ko" for name in _in_order(EARLY, everything)])
    shutil.rmtree(unpacked)
    for archive in folder.glob("*.deb"):
        archive.unlink()


def _kernel_package() -> str:
    dependencies = _run(["apt-cache", "depends", "linux-image-amd64"], Path.cwd())
    package = re.search(r"Depends: (linux-image-[\w.-]+-amd64)", dependencies)
    if not package:
        raise Unready("apt knows no Debian kernel linux-image-amd64 (run apt-get update)")
    return package[1]


def _in_order(names: tuple[str, ...], modules: dict[str, Path]) -> list[str]:
    """`names` and all they depend on, each after what it needs; built-in ones are left out."""
    by_module = {name.replace("-", "_"): name for name in modules}
    order: list[str] = []

    def visit(name: str) -> None:
        stem = by_module.get(name.replace("-", "_"))
        if stem is None or stem in order:
            return
        needs = re.search(rb"\0depends=([^\0]*)\0", modules[stem].read_bytes())
        for need in needs[1].decode().split(",") if needs else ():
            visit(need)
        order.append(stem)

    for name in names:
        visit(name)
    return order


def _initramfs(folder: Path, modules: list[Path]) -> None:
    tree = folder / "tree"
    (tree / "bin").mkdir(parents=True)
    (tree / "modules").mkdir()
    shutil.copy(folder / "busybox", tree / "bin" / "busybox")
    for module in modules:
        shutil.copy(module, tree / "modules")
    (tree / "modules" / "order").write_text("\n".join(module.name for module in modules))
    (tree / "init").write_text(INIT)
    (tree / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(tree)) for path in sorted(tree.rglob("*")))
    packed = subprocess.run(
        [folder / "busybox", "cpio", "-o", "-H", "newc"],
        input=names.encode(),
        cwd=tree,
        capture_output=True,
        check=True,
    )
    (folder / "initramfs").write_bytes(packed.stdout)
    shutil.rmtree(tree)


def _run(command: list[str], folder: Path) -> str:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
    except FileNotFoundError as error:
        raise Unready(f"{command[0]} is not installed") from error
    except subprocess.CalledProcessError as error:
        raise Unready(f"{' '.join(command)} failed: {error.stderr.strip()[-300:]}") from error
    return done.stdout
