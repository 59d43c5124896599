"""Copies by the installed command where only a real kernel can answer: loops, mounts, drives that hang at once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from drivecare.errors import Interrupted
from drivecare.hardware.machine import Machine
from drivecare.record.folder import FolderRecord
from drivecare.transfer.medium import Watch
from drivecare.work.copy_paperwork import CopyRequest
from drivecare.work.copy_sectors import copy_sectors
from tests.bench import loop
from tests.bench.faults import Faults
from tests.bench.loop import LoopRig, attached

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

MIB = 1 << 20
Attach = Callable[..., Path]


@pytest.fixture
def attach(tmp_path: Path) -> Iterator[Attach]:
    """Attach an image as a loop device; all go at the end."""
    if (reason := loop.unready()) is not None:
        (pytest.fail if os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1" else pytest.skip)(reason)
    with ExitStack() as held:
        yield lambda image, *options: held.enter_context(attached(image, *options))


def drivecare(folder: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(Path(sys.executable).with_name("drivecare")), *map(str, arguments)]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=120)
    assert "Traceback" not in done.stderr, done.stderr
    return done


def image(folder: Path, name: str, size: int, content: bytes = b"") -> Path:
    path = folder / name
    with path.open("wb") as stream:
        stream.write(content)
        stream.truncate(size)
    return path


@pytest.mark.promise(1)
def test_an_image_whose_file_system_is_mounted_is_in_use(tmp_path: Path, attach: Attach) -> None:
    mounted, other = image(tmp_path, "mounted.img", 16 * MIB), image(tmp_path, "other.img", MIB, b"data")
    subprocess.run(["mkfs.ext4", "-q", mounted], check=True)
    device, point = attach(mounted), tmp_path / "mnt"
    point.mkdir()
    subprocess.run(["mount", device, point], check=True)
    try:
        before = mounted.read_bytes()
        onto = drivecare(tmp_path, "copy", other, mounted, "--allow-overwrite", mounted)
        assert (onto.returncode, f"{device} mounted at {point}" in onto.stderr) == (22, True), onto.stderr
        assert mounted.read_bytes() == before
        assert drivecare(tmp_path, "copy", mounted, "copy.img").returncode == 22
    finally:
        subprocess.run(["umount", point], check=True)
    assert drivecare(tmp_path, "copy", mounted, "copy.img").returncode == 0


def test_two_names_of_one_thing(tmp_path: Path, attach: Attach) -> None:
    one = image(tmp_path, "one.img", MIB, b"data")
    first, second = attach(one), attach(one)
    (tmp_path / "hard.img").hardlink_to(one)
    (tmp_path / "soft.img").symlink_to(one)
    for source, target in ((one, first), (first, one), (first, second), (tmp_path / "hard.img", first)):
        done = drivecare(tmp_path, "copy", source, target, "--allow-overwrite", one)
        assert (done.returncode, "under two names" in done.stderr) == (22, True), done.stderr
    assert one.read_bytes()[:4] == b"data"


def test_both_drives_are_to_be_told_apart_at_the_end_in_a_document_too(tmp_path: Path, attach: Attach) -> None:
    source, target = attach(image(tmp_path, "s.img", MIB, b"data")), attach(image(tmp_path, "t.img", MIB))
    done = drivecare(tmp_path, "copy", source, target, "--json")
    assert json.loads(done.stdout)["verified"] is True
    assert "Power off and detach one of the two now" in done.stderr


def test_a_resume_does_not_take_another_drive_in_the_same_dock_for_its_own(tmp_path: Path, attach: Attach) -> None:
    """A loop device says nothing of itself, like a drive behind a dock that hides it: here it is attached anew."""
    source, first = image(tmp_path, "s.img", MIB, os.urandom(MIB)), image(tmp_path, "t.img", 2 * MIB)
    began = attach(first)
    receipt = ("--receipt", tmp_path / "r.json")
    assert drivecare(tmp_path, "copy", source, began, *receipt).returncode == 0
    precious = image(tmp_path, "precious.img", 2 * MIB, b"the only copy of something else")
    for path in (tmp_path / "r.journal.json", tmp_path / "r.json"):
        assert path.exists()
    done = drivecare(tmp_path, "copy", source, attach(precious), *receipt, "--resume")
    assert (done.returncode, "does not hold at byte 0 what" in done.stderr) == (22, True), done.stderr
    assert precious.read_bytes()[:31] == b"the only copy of something else"
    again = attach(image(tmp_path, "again.img", 2 * MIB, source.read_bytes()[:MIB]))
    assert drivecare(tmp_path, "copy", source, again, *receipt, "--resume").returncode == 0


@pytest.mark.promise(6)
def test_a_copy_begun_on_one_loop_device_is_resumed_on_another(tmp_path: Path) -> None:
    """As a drive in another dock: neither says which it is, so the job, the size and the content tell."""
    if (reason := loop.unready()) is not None:
        (pytest.fail if os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1" else pytest.skip)(reason)
    job = ("--job", "7", "--jobs", tmp_path / "jobs")
    done = drivecare(tmp_path, "job", "new", "7", "--host", "CH-2103", "--complaint", "x", *job[2:])
    assert done.returncode == 0, done.stderr
    content = os.urandom(48 * MIB)
    source, target = image(tmp_path, "s.img", 48 * MIB, content), image(tmp_path, "t.img", 64 * MIB)
    twin = image(tmp_path, "twin.img", 64 * MIB, os.urandom(8 * MIB))
    with attached(target) as first:
        far: list[int] = []
        watch = Watch(
            on_progress=lambda progress: far.append(progress.done),
            stop_reason=lambda: "stopped" if far and far[-1] >= 16 * MIB else None,
            overlap=False,
        )
        folder = FolderRecord(root=tmp_path / "jobs").job("7")
        with pytest.raises(Interrupted):
            copy_sectors(CopyRequest(source=str(source), target=str(first), folder=folder), Machine(), watch=watch)
    (half_done,) = json.loads(drivecare(tmp_path, "job", "show", "7", "--json", *job[2:]).stdout)["unfinished"]
    assert 0 < half_done["bytes_copied"] < 48 * MIB
    with attached(image(tmp_path, "other.img", MIB)), attached(twin) as impostor, attached(target) as second:
        assert second != first
        before = twin.read_bytes()
        done = drivecare(tmp_path, "copy", source, impostor, "--resume", *job)
        assert (done.returncode, "the target does not hold at byte 0" in done.stderr) == (22, True), done.stderr
        assert twin.read_bytes() == before
        done = drivecare(tmp_path, "copy", source, second, *job)
        assert (done.returncode, "may have written what is on the target" in done.stderr) == (22, True), done.stderr
        done = drivecare(tmp_path, "copy", source, second, "--resume", "--json", *job)
        assert done.returncode == 0, done.stderr
        receipt = json.loads(done.stdout)
        assert [note["code"] for note in receipt["notes"] if note["code"].startswith("resumed")] == [
            "resumed-by-content"
        ]
    assert target.read_bytes()[: 48 * MIB] == content
    assert json.loads(drivecare(tmp_path, "job", "show", "7", "--json", *job[2:]).stdout)["unfinished"] == []


def test_a_larger_target_loses_the_old_layout_in_its_tail(tmp_path: Path, attach: Attach) -> None:
    source = image(tmp_path, "s.img", 8 * MIB, b"new content")
    target = image(tmp_path, "t.img", 32 * MIB)
    subprocess.run(["sfdisk", "-q", target], input="label: gpt\nsize=8M\n", text=True, check=True)
    assert b"EFI PART" in target.read_bytes()[-512:]
    done = drivecare(tmp_path, "copy", source, attach(target), "--allow-overwrite", target, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["tail"]["found"] == ["backup partition table (GPT)"]
    assert b"EFI PART" not in target.read_bytes()
    assert target.read_bytes()[: 8 * MIB] == source.read_bytes()


def test_a_write_protected_target(tmp_path: Path, attach: Attach) -> None:
    source, target = image(tmp_path, "s.img", MIB, b"data"), image(tmp_path, "t.img", MIB)
    done = drivecare(tmp_path, "copy", source, attach(target, "-r"))
    assert (done.returncode, "read-only" in done.stderr) == (22, True)


@pytest.mark.promise(6)
@pytest.mark.parametrize("hangs", ["source", "target"])
def test_a_drive_that_hangs_at_the_first_look_is_left(tmp_path: Path, attach: Attach, hangs: str) -> None:
    """Its server stands still before the command begins; the command says who still waits, and ends."""
    with LoopRig(tmp_path) as rig:
        sides = {name: rig.device(name, bytes(4 * MIB), faults=Faults()) for name in ("source", "target")}
        rig.processes[hangs].send_signal(signal.SIGSTOP)
        time.sleep(2)  # until the kernel has forgotten what the server said of its file
        try:
            began = time.monotonic()
            done = drivecare(tmp_path, "copy", sides["source"], sides["target"], "--stuck-after", "2")
            assert time.monotonic() - began < 60
            assert done.returncode == 23, done.stderr
            assert "still waits for it" in done.stderr
        finally:
            rig.processes[hangs].send_signal(signal.SIGCONT)
        time.sleep(1)
        assert drivecare(tmp_path, "copy", sides["source"], sides["target"], "--resume").returncode == 0


def test_a_file_copy_names_its_file_systems(tmp_path: Path, attach: Attach) -> None:
    """A loop device is no drive with a name, so a person has to vouch; the kind of file system is known."""
    inner, point = image(tmp_path, "inner.img", 16 * MIB), tmp_path / "mnt"
    subprocess.run(["mkfs.ext4", "-q", inner], check=True)
    point.mkdir()
    subprocess.run(["mount", attach(inner), point], check=True)
    try:
        (tmp_path / "files").mkdir()
        (tmp_path / "files" / "letter").write_text("dear shop")
        done = drivecare(tmp_path, "copy-files", tmp_path / "files", point / "bag", "--json")
        target = json.loads(done.stdout)["target"]
        assert (done.returncode, target["file_system"], target["identity"]) == (0, "ext4", None), done.stderr
        image(tmp_path / "files", "full", 20 * MIB, os.urandom(20 * MIB))
        done = drivecare(tmp_path, "copy-files", tmp_path / "files", point / "other")
        assert (done.returncode, "bytes are needed" in done.stderr) == (22, True), done.stderr
        assert not (point / "other").exists()
    finally:
        subprocess.run(["umount", point], check=True)


def test_a_bag_on_a_read_only_mount_is_verified(tmp_path: Path, attach: Attach) -> None:
    inner, point = image(tmp_path, "inner.img", 16 * MIB), tmp_path / "mnt"
    subprocess.run(["mkfs.ext4", "-q", inner], check=True)
    point.mkdir()
    (tmp_path / "files").mkdir()
    (tmp_path / "files" / "letter").write_text("dear shop")
    subprocess.run(["mount", attach(inner), point], check=True)
    try:
        assert drivecare(tmp_path, "copy-files", tmp_path / "files", point / "bag").returncode == 0
        subprocess.run(["mount", "-o", "remount,ro", point], check=True)
        done = drivecare(tmp_path, "verify", point / "bag")
        assert (done.returncode, "stands only here" in done.stdout) == (0, True), done
    finally:
        subprocess.run(["umount", point], check=True)
