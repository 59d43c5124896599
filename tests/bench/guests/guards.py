"""A drive in use is refused, as source and as target, whoever uses it; and what the kernel alone would have caught."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from pathlib import Path

from tests.bench.drives import MIB, Drive
from tests.bench.guest import WORK, Bench, Ended, opens_exclusively, promise, read_direct, system, wait_for

DRIVES = (
    Drive("partition", bus="sata"),  # one partition of it is mounted
    Drive("mounted", bus="nvme"),  # a file system on the whole of it is mounted
    Drive("mapped", bus="scsi"),  # under device-mapper
    Drive("swap", bus="usb"),
    Drive("held", bus="uas"),  # another program holds it exclusively
    Drive("small", bus="sata", mib=1, seed=1),  # a free source
    Drive("large", bus="scsi", mib=64, seed=2),  # a free target that holds data
)
USED = ("partition", "mounted", "mapped", "swap", "held")


@contextlib.contextmanager
def in_use(bench: Bench, name: str) -> Iterator[str]:
    """Put a drive to its use for a while."""
    path = bench.path(name)
    with contextlib.ExitStack() as undo:
        match name:
            case "partition":
                system("sh", "-c", f"echo start=2048 | sfdisk --quiet --wipe always {path}")
                wait_for(Path(f"{path}1").exists, 300, "no partition appears")
                mount(f"{path}1", undo)
            case "mounted":
                mount(path, undo)
            case "mapped":
                system("dmsetup", "create", "upper", "--table", f"0 {16 * MIB // 512} linear {path} 0")
                undo.callback(system, "dmsetup", "remove", "upper")
            case "swap":
                system("mkswap", path)
                system("swapon", path)
                undo.callback(system, "swapoff", path)
            case "held":
                undo.callback(os.close, os.open(path, os.O_RDONLY | os.O_EXCL))
        yield path


def mount(device: str, undo: contextlib.ExitStack) -> None:
    """Mount read-only: that may replay a journal all the same."""
    system("mke2fs", "-q", "-F", "-t", "ext4", device)
    point = f"{WORK}/{Path(device).name}"
    Path(point).mkdir(exist_ok=True)
    system("mount", "-o", "ro", device, point)
    undo.callback(system, "umount", point)


def check_o_excl_alone_notices_every_use(bench: Bench) -> None:
    """Measured on Linux 6.1: even the whole drive whose one partition is mounted (bd_may_claim)."""
    for name in USED:
        assert opens_exclusively(bench.path(name)), f"{name} before"
        with in_use(bench, name) as path:
            assert not opens_exclusively(path), name
        assert opens_exclusively(path), f"{name} after"


def check_a_plain_open_notices_nothing(bench: Bench) -> None:
    for name in USED:
        with in_use(bench, name) as path:
            os.close(os.open(path, os.O_RDWR))


def check_drives_says_who_uses_what(bench: Bench) -> None:
    says = {
        "partition": f"mounted at {WORK}/",
        "mounted": f"mounted at {WORK}/",
        "mapped": "upper",
        "swap": "swap",
    }
    with contextlib.ExitStack() as uses:
        paths = {name: uses.enter_context(in_use(bench, name)) for name in says}
        listed = {drive["path"]: drive for drive in bench.run("drives", "--json").json["drives"]}
    for name, word in says.items():
        assert word in " ".join(listed[paths[name]]["in_use"]), (name, listed[paths[name]])
    for free in ("small", "large"):
        assert listed[bench.path(free)]["in_use"] == [], free


def refused(ended: Ended, why: str) -> None:
    """Exit 22, one line, no traceback, and it names what uses the drive."""
    assert ended.code == 22, ended
    assert "Traceback" not in ended.err, ended
    assert why in ended.err, ended


def copies(bench: Bench, name: str) -> None:
    """A drive in use is refused as source and as target, and not one byte of it changes."""
    with in_use(bench, name) as used:
        before = read_direct(used)
        as_source, as_target = bench.run_each(
            [
                ("copy", used, f"{WORK}/image"),
                ("copy", bench.path("small"), used, "--allow-overwrite", bench.drives[name].shown_serial),
            ]
        )
        refused(as_source, used)
        refused(as_target, used)
        assert read_direct(used) == before
        assert not (WORK / "image").exists()


@promise(1)
def check_refuses_a_drive_with_one_mounted_partition(bench: Bench) -> None:
    copies(bench, "partition")


def check_refuses_a_mounted_drive(bench: Bench) -> None:
    copies(bench, "mounted")


def check_refuses_a_drive_under_device_mapper(bench: Bench) -> None:
    copies(bench, "mapped")


def check_refuses_a_drive_in_use_as_swap(bench: Bench) -> None:
    copies(bench, "swap")


@promise(5)
def check_refuses_a_drive_held_by_another_program(bench: Bench) -> None:
    copies(bench, "held")


def check_refuses_a_partition(bench: Bench) -> None:
    with in_use(bench, "partition") as used:
        pass
    ended = bench.run("copy", f"{used}1", f"{WORK}/image")
    assert ended.code in (3, 22), ended
    assert "partition" in ended.err, ended


@promise(5)
def check_refuses_the_wrong_serial(bench: Bench) -> None:
    """A target that holds data is overwritten only if its serial number is typed, which nothing on the screen tells."""
    target = bench.path("large")
    command = ("copy", bench.path("small"), target)
    for typed in ((), ("--allow-overwrite", bench.drives["small"].serial)):
        ended = bench.run(*command, *typed)
        refused(ended, "SERIAL")
        assert bench.drives["large"].serial not in ended.err, ended
    assert bench.holds("large") == bench.expected("large")


@promise(1)
def check_a_source_is_read_only_while_it_is_copied(bench: Bench) -> None:
    """The kernel refuses writes to the source during a copy, and takes them again afterwards."""
    source = bench.path("large")
    state = Path("/sys/block") / Path(source).name / "ro"
    process = bench.start("copy", source, f"{WORK}/whole.img")
    wait_for(lambda: state.read_text().strip() == "1", 300, "the source is never read-only")
    _, err = process.communicate(timeout=600)
    assert process.returncode == 0, err
    assert state.read_text().strip() == "0"


@promise(1)
def check_a_killed_copy_gives_the_source_back(bench: Bench) -> None:
    """After kill -9 the next run, or `--resume`, restores what the kernel allowed before."""
    source = bench.path("large")
    state = Path("/sys/block") / Path(source).name / "ro"
    process = bench.start("copy", source, f"{WORK}/killed.img")
    wait_for(lambda: state.read_text().strip() == "1", 300, "the source is never read-only")
    process.kill()
    process.communicate()
    wait_for(lambda: opens_exclusively(source), 300, "the drive stays held")
    if state.read_text().strip() == "1":
        ended = bench.run("copy", source, f"{WORK}/killed.img", "--resume")
        assert ended.code == 0, ended
    assert state.read_text().strip() == "0"


def check_json_refusal_prints_no_document(bench: Bench) -> None:
    with in_use(bench, "mounted") as used:
        ended = bench.run("copy", used, f"{WORK}/image", "--json")
    assert ended.code == 22, ended
    assert not ended.out or json.loads(ended.out), ended


def check_that_this_finds_a_missing_o_excl(bench: Bench) -> None:
    """One of the four breakages: without O_EXCL a drive that another program holds would be copied."""
    with in_use(bench, "held") as used:
        ended = bench.run("copy", used, f"{WORK}/held.img", breakage="no-exclusive")
    assert ended.code != 22, ended
