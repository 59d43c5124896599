"""Copies between devices that fail, lie, hang and vanish, by the installed command."""

from __future__ import annotations

import hashlib
import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.bench.drives import MIB, noise
from tests.bench.faults import Faults
from tests.bench.guest import differing_sectors, opens_exclusively, wait_for
from tests.bench.loop import ROOT
from tests.bench.shop import Shop

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

SIZE = 24 * MIB
CONTENT = noise(7, SIZE)
# From its third part on it gives a MiB in a second: time to step in, on a busy machine, too.
SLOWLY = Faults(slow=((8 * MIB, 16 * MIB, 16.0),))


def is_proven(receipt: dict[str, Any], target: Path) -> None:
    """Verified, whole and the same as the source; the digest is what sha256sum prints."""
    assert receipt["verified"] is True
    assert receipt["unreadable"] == []
    assert target.read_bytes()[:SIZE] == CONTENT
    assert receipt["digest"]["whole"] == hashlib.sha256(CONTENT).hexdigest()


@pytest.mark.promise(3)
def test_all_but_the_unreadable_sectors_are_copied_and_verified(shop: Shop) -> None:
    bad = [0, 1, 5_000, 30_000, SIZE // 512 - 1]
    source = shop.rig.device("source", CONTENT, unreadable=bad)
    receipt = shop.run("copy", source, shop.image, code=20)
    listed = [(area["offset"], area["length"]) for area in receipt["unreadable"]]
    assert listed == [(0, 1024), (5_000 * 512, 512), (30_000 * 512, 512), (SIZE - 512, 512)]
    assert differing_sectors(shop.image.read_bytes(), CONTENT) == bad
    assert receipt["digest"]["whole"] == hashlib.sha256(shop.image.read_bytes()).hexdigest()
    assert receipt["bytes_copied"] == SIZE - 5 * 512
    shop.run("verify", f"{shop.image}.receipt.json", code=20)


def test_an_error_that_passes_is_tried_again(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, once=[5_000, 30_000])
    receipt = shop.run("copy", source, shop.image, code=0)
    is_proven(receipt, shop.image)
    assert receipt["reads"]["failed"] >= 2, receipt["reads"]  # no kernel below us retried


def test_a_copy_between_sector_sizes_is_verified(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, sector_bytes=4096)
    is_proven(shop.run("copy", source, shop.image, code=0), shop.image)


@pytest.mark.promise(2)
def test_a_write_lost_without_an_error_is_found(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults(lost=((9 * MIB, 4096),)))
    receipt = shop.run("copy", source, target, code=21)
    assert receipt["verified"] is False
    assert any(area["offset"] <= 9 * MIB < area["offset"] + area["length"] for area in receipt["mismatched"]), receipt


@pytest.mark.promise(2)
def test_that_this_finds_a_read_back_from_the_cache(shop: Shop) -> None:
    """One of the four breakages: the same lost write would be called verified."""
    source = shop.rig.device("source", CONTENT)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults(lost=((9 * MIB, 4096),)))
    broken = [sys.executable, "-m", "tests.bench.breakage", "cached-verify", "copy", str(source), str(target)]
    broken += ["--receipt", str(shop.work / "broken.json")]
    done = subprocess.run(broken, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr


def test_a_bit_that_turned_on_the_target_is_found(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults())
    process = shop.midway("copy", source, target, "--receipt", "r.json")
    shop.rig.set_faults("target", Faults(flipped=(10 * MIB + 5,)))
    shop.rig.set_faults("source", Faults())
    shop.ended(process, code=21)
    receipt = json.loads((shop.work / "r.json").read_text())
    assert receipt["verified"] is False
    assert any(area["offset"] <= 10 * MIB + 5 < area["offset"] + area["length"] for area in receipt["mismatched"]), (
        receipt
    )


@pytest.mark.promise(2)
def test_verify_finds_a_bit_that_turned_later(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults())
    is_proven(shop.run("copy", source, target, "--receipt", "r.json", code=0), shop.rig.backing("target"))
    shop.run("verify", "r.json", target, code=0)
    shop.rig.set_faults("target", Faults(flipped=(3 * MIB,)))
    shop.run("verify", "r.json", target, code=21)


def test_a_nameless_device_is_not_the_drive_that_a_receipt_names(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults())
    shop.run("copy", source, target, "--receipt", "r.json", code=0)
    path = shop.work / "r.json"
    receipt = json.loads(path.read_text())
    receipt["target"] |= {"serial": "PM6-311842", "identity": {"native_serial": "PM6-311842", "strength": "strong"}}
    path.write_text(json.dumps(receipt))
    before = path.read_bytes()
    read = shop.run("verify", "r.json", target, code=0)
    assert (read["target"]["path"], read["target"]["identity"]["strength"]) == (str(target), "none")
    assert read["instead_of"]["serial"] == "PM6-311842"
    assert path.read_bytes() == before


@pytest.mark.promise(1)
def test_the_source_is_left_as_it_was(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT)
    shop.run("copy", source, shop.image, code=0)
    assert shop.rig.backing("source").read_bytes() == CONTENT
    assert (Path("/sys/block") / source.name / "ro").read_text().strip() == "0"


@pytest.mark.promise(6)
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL], ids=lambda how: how.name)
def test_a_stopped_copy_can_be_resumed(shop: Shop, how: signal.Signals) -> None:
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    process = shop.midway("copy", source, shop.image)
    process.send_signal(how)
    shop.ended(process, code=-signal.SIGKILL if how == signal.SIGKILL else 23)
    shop.rig.set_faults("source", Faults())
    is_proven(shop.run("copy", source, shop.image, "--resume", code=0), shop.image)
    assert (Path("/sys/block") / source.name / "ro").read_text().strip() == "0"


def test_a_copy_resumes_when_a_vanished_source_is_back(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    process = shop.midway("copy", source, shop.image)
    shop.rig.set_faults("source", Faults(gone=True))
    shop.ended(process, code=23)
    shop.rig.set_faults("source", Faults())
    is_proven(shop.run("copy", source, shop.image, "--resume", code=0), shop.image)


def test_a_source_that_answers_nothing_is_not_called_unreadable(shop: Shop) -> None:
    """It keeps its size and its name; every read of it is EIO, as of a dock that lost its drive."""
    source = shop.rig.device("source", CONTENT, faults=Faults(failing=((0, SIZE),)))
    err = shop.ended(shop.start("copy", source, shop.image), code=23, seconds=60)
    assert f"0 of {SIZE:,} bytes could be read" in err
    assert "Nothing was copied yet: try again with --resume" in err
    shop.rig.set_faults("source", Faults())
    is_proven(shop.run("copy", source, shop.image, "--resume", code=0), shop.image)


@pytest.mark.parametrize("begun", [False, True], ids=["at once", "midway"])
def test_a_source_whose_server_dies_stops_the_copy_soon(shop: Shop, begun: bool) -> None:
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    process = shop.midway("copy", source, shop.image) if begun else None
    shop.rig.processes["source"].kill()
    time.sleep(0 if begun else 2)  # until the kernel has forgotten what the server said of its file
    err = shop.ended(process or shop.start("copy", source, shop.image), code=23, seconds=60)
    assert "could be read" in err
    assert "--resume" in err


def test_a_dead_area_of_most_of_a_drive_is_copied_around(shop: Shop) -> None:
    dead = (MIB, SIZE - 2 * MIB)
    source = shop.rig.device("source", CONTENT, faults=Faults(failing=(dead,)), sector_bytes=4096)
    receipt = shop.run("copy", source, shop.image, "--retries", 0, code=20)
    assert [(area["offset"], area["length"]) for area in receipt["unreadable"]] == [dead]
    assert shop.image.read_bytes()[:MIB] == CONTENT[:MIB]
    assert shop.image.read_bytes()[-MIB:] == CONTENT[-MIB:]


def test_a_copy_resumes_when_a_vanished_target_is_back(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults())
    process = shop.midway("copy", source, target)
    shop.rig.set_faults("target", Faults(gone=True))
    shop.ended(process, code=23)
    shop.rig.set_faults("target", Faults())
    shop.rig.set_faults("source", Faults())
    is_proven(shop.run("copy", source, target, "--resume", code=0), shop.rig.backing("target"))


def test_a_read_that_hangs_can_be_left(shop: Shop) -> None:
    """The server behind the source is stopped, so its read never returns; Ctrl-C still ends the copy in order."""
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    process = shop.midway("copy", source, shop.image)
    shop.rig.processes["source"].send_signal(signal.SIGSTOP)
    process.send_signal(signal.SIGINT)
    shop.ended(process, code=23)
    shop.rig.processes["source"].send_signal(signal.SIGCONT)
    wait_for(lambda: opens_exclusively(str(source)), 60, "the process left behind does not let go")
    shop.rig.set_faults("source", Faults())
    is_proven(shop.run("copy", source, shop.image, "--resume", code=0), shop.image)


def test_a_write_that_hangs_is_given_up(shop: Shop) -> None:
    """The server behind the target is stopped; nobody intervenes, and the copy ends by itself."""
    source = shop.rig.device("source", CONTENT, faults=SLOWLY)
    target = shop.rig.device("target", bytes(SIZE), faults=Faults())
    process = shop.midway("copy", source, target, "--stuck-after", "10")
    shop.rig.processes["target"].send_signal(signal.SIGSTOP)
    assert re.search(rf"{target} at byte \S+ has not come back for 10 s", shop.ended(process, code=23))
    shop.rig.processes["target"].send_signal(signal.SIGCONT)
    wait_for(lambda: opens_exclusively(str(target)), 60, "the process left behind does not let go")
    shop.rig.set_faults("source", Faults())
    is_proven(shop.run("copy", source, target, "--resume", code=0), shop.rig.backing("target"))


def test_a_slow_area_costs_its_time_once(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT, faults=Faults(slow=((8 * MIB, 4096, 5.0),)))
    receipt = shop.run("copy", source, shop.image, code=0)
    is_proven(receipt, shop.image)


def test_a_full_disk_stops_the_copy_and_room_lets_it_resume(shop: Shop) -> None:
    source = shop.rig.device("source", CONTENT)
    folder = shop.work / "small"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", folder], check=True)
    try:
        image = folder / "target.img"
        process = shop.start("copy", source, image)
        _, err = process.communicate(timeout=120)
        assert process.returncode in (3, 22, 23), err  # seen before it begins, or in the middle
        assert "Traceback" not in err
        subprocess.run(["mount", "-o", "remount,size=64m", folder], check=True)
        resume = ("--resume",) if process.returncode == 23 else ()
        is_proven(shop.run("copy", source, image, *resume, code=0), image)
    finally:
        subprocess.run(["umount", folder], check=True)
