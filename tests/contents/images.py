"""Small file systems with known files, made by the tools of each file system; root only where one must be mounted."""

from __future__ import annotations

import os
import shutil
import subprocess
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bench.loop import attached

PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
MIB = 1 << 20
APPLE = (
    Path(__file__).parents[2] / "fixtures" / "file-systems" / "apple.tar.xz"
)  # made by tests/contents/apple_images.py


def run(*command: object) -> str:
    """Run a system utility; returns what it printed."""
    words = [str(word) for word in command]
    done = subprocess.run(words, check=True, capture_output=True, text=True, env={**os.environ, "PATH": PATH})
    return done.stdout


def need(*tools: str, root: bool = False) -> None:
    """Skip, or fail where .ci/run asks for everything, without these tools."""
    missing = [tool for tool in tools if not shutil.which(tool, path=PATH)]
    if root and os.geteuid() != 0:
        missing.append("root")
    if missing and os.environ.get("DRIVECARE_REQUIRE_BENCH"):
        pytest.fail(f"needed here: {', '.join(missing)}")
    if missing:
        pytest.skip(f"needs {', '.join(missing)}")


def content_of(name: str, size: int) -> bytes:
    """Content of which every piece tells whose it is, and which place in it."""
    return b"".join(f"{name:<45} byte {position:>12,}\n".encode() for position in range(0, size, 64))[:size]


def customer_files(folder: Path) -> Path:
    """The files of an invented customer, each with content of its own."""
    for name in ("Pictures/2024", "Documents/empty", "Videos"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for number in range(40):
        (folder / f"Pictures/2024/IMG_{number:04}.jpg").write_bytes(
            content_of(f"IMG_{number:04}", 20_000 + 37 * number)
        )
    for number in range(300):
        (folder / f"Documents/note-{number:05}-with-a-rather-long-name.txt").write_bytes(b"x" * (3 * number))
    (folder / "Documents/letter.txt").write_bytes(b"hello")
    (folder / "Videos/holiday.mp4").write_bytes(content_of("holiday", 3_200_000))
    return folder


FILES, FOLDERS = 342, 5


def make_ext4(image: Path, files: Path) -> None:
    need("mkfs.ext4")
    run("mkfs.ext4", "-q", "-F", "-L", "PHOTOS", "-d", files, image, "32M")


def make_fat32(image: Path, files: Path) -> None:
    need("mkfs.vfat", "mcopy")
    run("mkfs.vfat", "-C", "-F", "32", "-s", "1", "-n", "PHOTOS", image, 40 * 1024)
    run("mcopy", "-s", "-i", image, *sorted(files.iterdir()), "::")


def mounted(make: tuple[str, ...], mount: tuple[str, ...], size: int) -> Callable[[Path, Path], None]:
    """Make an image by mounting a loop device of it: root only."""

    def fill(image: Path, files: Path) -> None:
        need(make[0], *({mount[0]} - {"mount"}), root=True)
        image.touch()
        os.truncate(image, size)
        place = image.with_suffix(".mount")
        place.mkdir()
        with attached(image) as device:
            run(*make, device)
            run(*mount, device, place)
            try:
                shutil.copytree(files, place, dirs_exist_ok=True, copy_function=shutil.copyfile)
            finally:
                run("umount", place)

    return fill


make_ntfs = mounted(("mkntfs", "-q", "-F", "-f", "-L", "PHOTOS"), ("ntfs-3g",), 32 * MIB)
make_exfat = mounted(("mkfs.exfat", "-L", "PHOTOS"), ("mount.exfat-fuse",), 32 * MIB)
make_xfs = mounted(("mkfs.xfs", "-q", "-L", "PHOTOS", "-d", "agcount=3"), ("mount",), 330 * MIB)


def unpack(image: Path, files: Path) -> None:
    with tarfile.open(APPLE) as archive:
        archive.extract(image.name, image.parent, filter="data")


MAKERS: dict[str, Callable[[Path, Path], None]] = {
    "ext4": make_ext4,
    "FAT32": make_fat32,
    "NTFS": make_ntfs,
    "exFAT": make_exfat,
    "XFS": make_xfs,
    "HFS+": unpack,
    "APFS": unpack,
}
