"""How close a verified copy comes to the medium: ratios against dd, from one run.

usage (as root): nice python -m tests.benchmarks.copy_ratio [--mib 2000] [--pairs 5] [--folder DIR] [--memory DIR]

Two loop devices are held at 200 MB/s each by the kernel's blkio throttle, so that the numbers do not drift with the
machine. The pair to beat is `dd` (direct, no digest) for the copy and `dd` (direct) for reading the target back. Then
the same on image files of this machine's own disk and from memory to memory, the median of several pairs, and for
comparison `cp`, `sync`, dropped caches and `sha256sum` of both. A copy of next to nothing is the start-up; the largest
of the program's processes is its memory. Only devices made here are touched.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path

from tests.bench.loop import attached

BYTES_PER_SECOND = 200_000_000
BLKIO_V1 = Path("/sys/fs/cgroup/blkio")
CGROUP_V2 = Path("/sys/fs/cgroup/cgroup.controllers")


def timed(*command: str | Path, group: Path | None = None) -> float:
    """Seconds a command takes, in a control group if one is given."""

    def join() -> None:
        if group is not None:
            (group / "cgroup.procs").write_text(str(os.getpid()))

    began = time.monotonic()
    done = subprocess.run([str(word) for word in command], preexec_fn=join, capture_output=True, check=False)
    if done.returncode:
        sys.exit(f"{command}: {done.stderr.decode()}")
    return time.monotonic() - began


def loop(path: Path, mib: int) -> AbstractContextManager[Path]:
    """A loop device over the first `mib` MiB of a file, with direct I/O."""
    return attached(path, "--direct-io=on", "--sizelimit", f"{mib}MiB")


@contextlib.contextmanager
def throttle(*devices: Path) -> Iterator[Path]:
    """A control group in which these devices read and write at a fixed speed."""
    v1 = BLKIO_V1.is_dir()
    root = BLKIO_V1 if v1 else CGROUP_V2.parent
    group = root / "drivecare-benchmark"
    group.mkdir()
    try:
        for device in devices:
            number = f"{os.major(device.stat().st_rdev)}:{os.minor(device.stat().st_rdev)}"
            if v1:
                for name in ("read", "write"):
                    (group / f"blkio.throttle.{name}_bps_device").write_text(f"{number} {BYTES_PER_SECOND}")
            else:
                (root / "cgroup.subtree_control").write_text("+io")
                (group / "io.max").write_text(f"{number} rbps={BYTES_PER_SECOND} wbps={BYTES_PER_SECOND}")
        yield group
    finally:
        group.rmdir()


def dd_pair(source: Path, target: Path, mib: int, group: Path | None = None) -> tuple[float, float]:
    """Seconds of a direct copy, flushed, and of a direct read-back."""
    size = ("bs=4M", f"count={mib // 4}", "status=none")
    copied = timed(
        "dd", f"if={source}", f"of={target}", *size, "iflag=direct", "oflag=direct", "conv=fsync,notrunc", group=group
    )
    return copied, timed("dd", f"if={target}", "of=/dev/null", *size, "iflag=direct", group=group)


def ours(
    source: Path, target: Path, receipt: Path, overwrite: Path, *more: str | Path, group: Path | None = None
) -> float:
    """Seconds of a verified copy, from starting the program to its end."""
    for old in receipt.parent.glob("ratio*.json"):
        old.unlink()
    tool = Path(sys.executable).with_name("drivecare")
    return timed(tool, "copy", source, target, "--receipt", receipt, "--allow-overwrite", overwrite, *more, group=group)


def drop_caches() -> None:
    """Write back and drop, so that the next read comes from the disk."""
    os.sync()
    Path("/proc/sys/vm/drop_caches").write_text("3")


def on_throttled_loops(folder: Path, mib: int, limit: float) -> None:
    """The ratio where the medium is slower than any digest."""
    source, target = folder / "source.img", folder / "target.img"
    with loop(source, mib) as old_drive, loop(target, mib) as new_drive, throttle(old_drive, new_drive) as group:
        copied, back = dd_pair(old_drive, new_drive, mib, group)
        verified = ours(old_drive, new_drive, folder / "ratio.json", target, group=group)
    print(f"throttled loops, {mib} MiB: dd {copied:.2f} s + {back:.2f} s, verified copy {verified:.2f} s")
    print(f"ratio {verified / (copied + back):.3f} (at most {limit} wanted)")


def also_beside_a_throttled_loop(folder: Path, memory: Path, mib: int) -> None:
    """The ratio of a clone and an image in one pass to the slower of the two alone.

    The image lies in memory, as on a disk of its own: only the medium that is copied from and to is to set the pace.
    """
    source, target, image = folder / "source.img", folder / "target.img", memory / "also.img"
    receipt, also = folder / "ratio.json", ("--also", image)
    with loop(source, mib) as old_drive, loop(target, mib) as new_drive, throttle(old_drive, new_drive) as group:
        to_drive = ours(old_drive, new_drive, receipt, target, group=group)
        to_image = ours(old_drive, image, receipt, image, group=group)
        image.unlink()
        both = ours(old_drive, new_drive, receipt, target, *also, group=group)
    image.unlink()
    print(f"throttled loops, {mib} MiB: clone {to_drive:.2f} s, image {to_image:.2f} s, in one pass {both:.2f} s")
    print(f"ratio {both / max(to_drive, to_image):.3f} to the slower alone (at most 1.1 wanted)")


def on_this_disk(folder: Path, mib: int, pairs: int) -> None:
    """The median ratio on image files of this disk; at most 1.15 is wanted."""
    source, target = folder / "source.img", folder / "target.img"
    ratios = []
    for _ in range(pairs):
        target.unlink()  # each makes its target anew: writing in place takes this disk half of the time
        drop_caches()
        pair = sum(dd_pair(source, target, mib))
        target.unlink()
        drop_caches()
        verified = ours(source, target, folder / "ratio.json", target)
        ratios.append(verified / pair)
        print(f"this disk, {mib} MiB: dd pair {pair:.2f} s, verified copy {verified:.2f} s, ratio {ratios[-1]:.3f}")
    print(f"median ratio {statistics.median(ratios):.3f} (at most 1.15 wanted)")
    began = time.monotonic()
    timed("cp", "--sparse=never", source, target)
    drop_caches()
    timed("sha256sum", source, target)
    print(f"for comparison: cp, sync, dropped caches, sha256sum of both {time.monotonic() - began:.2f} s")


def in_memory(folder: Path, mib: int, pairs: int) -> None:
    """The median ratios from memory to memory, where the digests set the pace."""
    source, target = folder / "source.img", folder / "target.img"
    timed("dd", "if=/dev/urandom", f"of={source}", "bs=4M", f"count={mib // 4}")
    size = ("bs=4M", f"count={mib // 4}", "status=none")
    ratios: dict[str, list[float]] = {"sha256": [], "blake3": []}
    for _ in range(pairs):
        for digest, measured in ratios.items():
            target.unlink(missing_ok=True)  # each makes its target anew: giving a file its pages is half of the time
            pair = timed("dd", f"if={source}", f"of={target}", *size, "conv=notrunc")
            pair += timed("dd", f"if={target}", "of=/dev/null", *size)
            target.unlink()
            verified = ours(source, target, folder / "ratio.json", target, "--digest", digest)
            measured.append(verified / pair)
            print(f"memory, {mib} MiB, {digest}: dd pair {pair:.2f} s, verified copy {verified:.2f} s")
    for digest, limit in (("sha256", 2.2), ("blake3", 1.5)):
        print(f"memory, {digest}: median ratio {statistics.median(ratios[digest]):.2f} (at most {limit} wanted)")


def start_up(folder: Path, pairs: int) -> None:
    """Seconds that a copy of next to nothing takes, and the memory of the largest process so far."""
    source, target = folder / "source.img", folder / "target.img"
    source.write_bytes(b"next to nothing")
    target.unlink(missing_ok=True)
    seconds = statistics.median(ours(source, target, folder / "ratio.json", target) for _ in range(pairs))
    print(f"start-up {seconds:.2f} s (at most 0.2 wanted)")
    kib = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"largest process {kib / 1024:.0f} MiB (under 95 MiB, 100 MB, wanted)")


def main() -> None:
    """Print both ratios."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mib", type=int, default=2000)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path.cwd(), help="on the disk to measure, not in memory")
    parser.add_argument("--memory", type=Path, default=Path("/dev/shm"), help="a folder in memory")
    chosen = parser.parse_args()
    if os.geteuid() != 0:
        sys.exit("root is needed for loop devices, the throttle and dropping caches")
    with tempfile.TemporaryDirectory(dir=chosen.memory) as name:
        in_memory(Path(name), chosen.mib, chosen.pairs)
        start_up(Path(name), chosen.pairs)
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
        folder = Path(name)
        for image in ("source.img", "target.img"):
            timed("dd", "if=/dev/urandom", f"of={folder / image}", "bs=4M", f"count={chosen.mib // 4}", "conv=fsync")
        on_throttled_loops(folder, chosen.mib, 1.03)
        on_throttled_loops(folder, chosen.mib // 4, 1.06)
        with tempfile.TemporaryDirectory(dir=chosen.memory) as memory:
            for mib in (chosen.mib, chosen.mib // 4):
                also_beside_a_throttled_loop(folder, Path(memory), mib)
        on_this_disk(folder, chosen.mib, chosen.pairs)


if __name__ == "__main__":
    main()
