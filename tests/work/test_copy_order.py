"""What a copy makes durable before what, and that it keeps its word on how it can be continued."""

from __future__ import annotations

import dataclasses
import os
import random
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivecare.documents import encode, load
from drivecare.errors import BadInput, Interrupted, Refused, Unavailable
from drivecare.hardware import endpoints
from drivecare.hardware.device_path import holds_devices
from drivecare.hardware.endpoints import examine_target
from drivecare.hardware.media import BUFFER_BYTES, Patience
from drivecare.transfer.medium import Progress, Stuck, Watch
from drivecare.transfer.sectors.guards import Consent, Endpoint
from drivecare.transfer.sectors.journal import Journal, sealed, unpack
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.resume import continue_journal
from drivecare.work import copy_sectors, copy_session
from drivecare.work.copy_paperwork import CopyRequest
from tests.bench.loop import attached
from tests.transfer.sectors.fake_medium import fresh_journal
from tests.work.copies import elsewhere, run

SIZE = 1 << 20
CONTENT = random.Random(3).randbytes(SIZE)
PRECIOUS = b"what the target held before"


def request_for(folder: Path, content: bytes = CONTENT, **more: Any) -> CopyRequest:
    source, target = folder / "source.img", folder / "target.img"
    if not source.exists():
        source.write_bytes(content)
    request = CopyRequest(source=str(source), target=str(target))
    return dataclasses.replace(request, **more)


def stopped_midway(folder: Path, buffers: int = 3) -> CopyRequest:
    """What a copy leaves that was stopped after its first large read; the request to continue it."""
    progress: list[Progress] = []
    watch = Watch(
        on_progress=progress.append,
        stop_reason=lambda: "stopped" if progress and progress[-1].done else None,
        overlap=False,
    )
    request = request_for(folder, random.Random(4).randbytes(buffers * BUFFER_BYTES))
    with pytest.raises(Interrupted):
        run(request, watch=watch)
    assert load(Journal, request.journal_path).copied
    return dataclasses.replace(request, resume=True)


class FullAfter(JournalFile):
    """A journal whose disk takes `count` versions."""

    count = 0

    def save(self, journal: Journal) -> None:
        if self.count <= 0:
            raise Unavailable("cannot be written: No space left on device", location=str(self.path))
        type(self).count -= 1
        super().save(journal)


@pytest.fixture
def full(monkeypatch: pytest.MonkeyPatch) -> type[FullAfter]:
    monkeypatch.setattr(copy_session, "JournalFile", FullAfter)
    return FullAfter


@pytest.mark.promise(6)
@pytest.mark.parametrize("exists", [True, False])
def test_a_target_stays_as_it_is_where_the_journal_cannot_be_written(
    tmp_path: Path, full: type[FullAfter], exists: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "target.img"
    if exists:
        target.write_bytes(PRECIOUS)
    full.count = 0
    request = request_for(tmp_path, consent=Consent(allow_overwrite=str(target) if exists else None))
    with pytest.raises(Unavailable) as caught:
        run(request)
    assert caught.value.exit_code == 3
    assert sorted(path.name for path in tmp_path.iterdir()) == ["source.img"] + ["target.img"] * exists
    assert not exists or target.read_bytes() == PRECIOUS
    monkeypatch.undo()
    assert run(request).verified


def test_after_the_target_was_emptied_a_full_journal_disk_is_a_stop_midway(
    tmp_path: Path, full: type[FullAfter], monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "target.img"
    target.write_bytes(PRECIOUS)
    full.count = 1
    request = request_for(tmp_path, consent=Consent(allow_overwrite=str(target)))
    with pytest.raises(Interrupted, match=r"the journal cannot be written.*--resume") as caught:
        run(request)
    assert caught.value.exit_code == 23
    assert target.read_bytes() == bytes(SIZE)
    monkeypatch.undo()
    with pytest.raises(Refused, match="unfinished copy"):
        run(request)
    assert run(dataclasses.replace(request, resume=True)).verified


def test_an_image_too_large_for_its_file_system_leaves_everything_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "target.img"
    target.write_bytes(PRECIOUS)
    truncate = os.ftruncate

    def limited(descriptor: int, size: int) -> None:
        if size >= SIZE and Path(f"/proc/self/fd/{descriptor}").readlink() == target:
            raise OSError(27, "File too large")
        truncate(descriptor, size)

    monkeypatch.setattr(os, "ftruncate", limited)
    request = request_for(tmp_path, consent=Consent(allow_overwrite=str(target)))
    with pytest.raises(Unavailable, match=r"cannot hold an image of 1,048,576 bytes: File too large"):
        run(request)
    assert target.read_bytes() == PRECIOUS
    assert not request.journal_path.exists()
    monkeypatch.undo()
    assert run(request).verified


@pytest.mark.parametrize("left", [0, 4096, BUFFER_BYTES // 2, BUFFER_BYTES])
def test_an_image_that_was_shortened_gets_its_end_again(tmp_path: Path, left: int) -> None:
    request = stopped_midway(tmp_path)
    os.truncate(request.target, left)
    assert run(request).verified
    assert Path(request.target).read_bytes() == Path(request.source).read_bytes()


def test_an_image_that_is_shortened_meanwhile_is_continued_as_promised(tmp_path: Path) -> None:
    request = request_for(tmp_path, random.Random(4).randbytes(4 * BUFFER_BYTES))

    def shorten(progress: Progress) -> None:
        if progress.phase == "copying" and progress.done > BUFFER_BYTES:
            os.truncate(request.target, 100)

    with pytest.raises(Interrupted, match="--resume"):
        run(request, watch=Watch(on_progress=shorten, overlap=False))
    assert run(dataclasses.replace(request, resume=True)).verified


def test_an_image_that_grew_needs_its_path_typed(tmp_path: Path) -> None:
    """It can be continued as promised, but what somebody added to it goes then."""
    request = stopped_midway(tmp_path)
    target = Path(request.target)
    before = target.read_bytes()
    target.write_bytes(before + PRECIOUS)
    with pytest.raises(Refused, match="the target is not empty"):
        run(request)
    assert target.read_bytes() == before + PRECIOUS
    assert run(dataclasses.replace(request, consent=Consent(allow_overwrite=str(target)))).verified
    assert target.read_bytes() == Path(request.source).read_bytes()


def test_an_image_that_is_removed_meanwhile_is_not_called_safe(tmp_path: Path) -> None:
    request = stopped_midway(tmp_path)

    def remove(_: Progress) -> None:
        Path(request.target).unlink(missing_ok=True)

    with pytest.raises(Interrupted) as caught:
        run(request, watch=Watch(on_progress=remove, overlap=False))
    assert caught.value.message() == (
        f"{request.target}: the image was removed while it was written, and with it all that was copied. "
        "Start the copy again with --resume"
    )
    assert run(request).verified
    assert Path(request.target).read_bytes() == Path(request.source).read_bytes()


def test_a_shorter_file_under_another_name_is_left_alone(tmp_path: Path) -> None:
    """Nothing of it changes, not even its size, though enough was copied to tell later that it is not the target."""
    request = stopped_midway(tmp_path)
    assert len(unpack(load(Journal, request.journal_path).copied, 1 << 20)) > 1
    other = tmp_path / "photographs.img"
    other.write_bytes(PRECIOUS * 200_000)
    assert SIZE < other.stat().st_size < Path(request.target).stat().st_size
    with pytest.raises(Refused, match="the target is not empty"):
        run(elsewhere(request, target=other))
    assert other.read_bytes() == PRECIOUS * 200_000


def test_a_shorter_file_that_is_not_what_was_copied_needs_its_path_typed(tmp_path: Path) -> None:
    request = stopped_midway(tmp_path)
    target = Path(request.target)
    target.write_bytes(PRECIOUS)
    with pytest.raises(Refused, match="the target is not empty"):
        run(request)
    assert target.read_bytes() == PRECIOUS
    assert run(dataclasses.replace(request, consent=Consent(allow_overwrite=str(target)))).verified


def test_a_kill_before_the_old_content_was_cleared_can_be_continued(tmp_path: Path) -> None:
    """The journal is durable and the target still has its old size: no dead end, but the path is typed again."""
    target = tmp_path / "target.img"
    target.write_bytes(bytes(3 * SIZE))
    request = request_for(tmp_path)
    done = run(elsewhere(request, target=tmp_path / "other.img"))
    journal = load(Journal, request.journal_path)
    fresh = msgspec.structs.replace(journal, copied=(), phase="copying", target=done.target)
    request.journal_path.write_bytes(encode(sealed(fresh)))
    again = dataclasses.replace(request, resume=True)
    with pytest.raises(Refused, match="the target is not empty"):
        run(again)
    assert run(dataclasses.replace(again, consent=Consent(allow_overwrite=str(target)))).verified
    assert target.read_bytes() == CONTENT


def hangs(*_: object, **__: object) -> None:
    raise Stuck("reading /dev/sdb at byte 0 has not come back for 300 s", 4711)


@pytest.mark.parametrize("resumed", [False, True])
def test_a_hang_before_the_first_byte_speaks_of_what_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, resumed: bool
) -> None:
    request = stopped_midway(tmp_path) if resumed else request_for(tmp_path)
    monkeypatch.setattr(copy_sectors, "examine_target", hangs)
    with pytest.raises(Interrupted) as caught:
        run(request)
    onward = "Everything copied so far is safe: continue" if resumed else "Nothing was copied yet: try again"
    assert caught.value.message().endswith(f"Power the drive off and on. {onward} with --resume")
    monkeypatch.undo()
    assert run(dataclasses.replace(request, resume=True)).verified


class TestAStopBeforeTheFirstByte:
    """Whatever was asked for while both sides were looked at is obeyed before anything changes."""

    @pytest.mark.parametrize("when", ["the look", "the opening"])
    def test_nothing_has_changed(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: str) -> None:
        target = tmp_path / "target.img"
        request = request_for(tmp_path, consent=Consent(allow_overwrite=str(target)))
        run(request_for(tmp_path))  # so that there is a receipt to keep
        target.write_bytes(PRECIOUS)
        paperwork = [path.read_bytes() for path in (request.receipt_path, request.journal_path)]
        module = copy_sectors if when == "the look" else copy_session
        real, asked = module.examine_target, list[str]()

        def take_it(*sides: Any, **more: Any) -> Any:
            asked.append("stopped by SIGINT")
            return real(*sides, **more)

        monkeypatch.setattr(module, "examine_target", take_it)
        watch = Watch(stop_reason=lambda: asked[0] if asked else None)
        with pytest.raises(Interrupted) as caught:
            run(request, watch=watch)
        assert caught.value.message() == "stopped by SIGINT. Nothing was copied yet: try again with --resume"
        assert target.read_bytes() == PRECIOUS
        if when == "the look":
            assert [path.read_bytes() for path in (request.receipt_path, request.journal_path)] == paperwork

    def test_a_large_target_is_not_looked_at_to_its_end(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        device = tmp_path / "device"
        device.write_bytes(bytes(8 << 20))
        asked: list[int] = []

        def stop() -> str | None:
            asked.append(1)
            return "stopped by SIGTERM" if len(asked) == 4 else None

        patience = Patience(stop_reason=stop)
        side = Endpoint(end=End(path=str(device), kind="device", size_bytes=8 << 20))
        with pytest.raises(Interrupted, match="stopped by SIGTERM"):
            endpoints._content_of(side, patience)
        assert len(asked) == 4


def test_a_source_that_vanishes_while_it_is_read_back_is_proven_and_said(tmp_path: Path) -> None:
    def take_away(progress: Progress) -> None:
        if progress.phase == "reading back":
            Path(request.source).unlink(missing_ok=True)

    request = request_for(tmp_path)
    receipt = run(request, watch=Watch(on_progress=take_away))
    assert receipt.verified
    assert [note.code for note in receipt.notes if note.code.startswith("source-va")] == ["source-vanished"]
    assert request.receipt_path.exists()


class TestFoldersOfDevices:
    """A name in /dev that is not there is a drive that is not attached; a file in memory below /dev is a file."""

    def test_a_device_that_is_not_there(self) -> None:
        for path in ("/dev/sdzz", "/dev/disk/by-id/none"):
            with pytest.raises(BadInput, match="no such file or device"):
                examine_target(path)

    def test_a_link_to_the_folder_of_devices(self, tmp_path: Path) -> None:
        (tmp_path / "link").symlink_to("/dev")
        with pytest.raises(BadInput, match="no such file or device"):
            examine_target(str(tmp_path / "link" / "sdzz"))

    @pytest.mark.skipif(not os.path.ismount("/dev/shm"), reason="no /dev/shm of its own here")
    def test_a_file_in_shared_memory(self) -> None:
        side = examine_target(f"/dev/shm/drivecare-{os.getpid()}.img")
        assert (side.exists, side.is_device) == (False, False)

    def test_by_file_system_where_there_is_no_other_one(self, tmp_path: Path) -> None:
        devices = tmp_path / "dev"
        (devices / "mapper").mkdir(parents=True)
        assert holds_devices(devices / "mapper", devices)
        assert not holds_devices(tmp_path, devices)


KILL_AT_THE_FLAG = """
import fcntl, os, signal, sys
from pathlib import Path
real = fcntl.ioctl
def ioctl(descriptor, request, *rest):
    answer = real(descriptor, request, *rest)
    if request == 0x125D:  # BLKROSET
        for child in Path("/proc/thread-self/children").read_text().split():
            os.kill(int(child), signal.SIGKILL)
            os.waitpid(int(child), 0)
        os.kill(os.getpid(), signal.SIGKILL)
    return answer
fcntl.ioctl = ioctl
sys.argv[0] = "drivecare"
from drivecare.cli.main import main
main()
"""


def read_only(device: str) -> str:
    return (Path("/sys/block") / Path(device).name / "ro").read_text().strip()


@pytest.fixture
def device(tmp_path: Path) -> Any:
    """A loop device of 4 MiB."""
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        (pytest.fail if os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1" else pytest.skip)(
            "needs root and loop devices"
        )
    (tmp_path / "source.img").write_bytes(CONTENT * 4)
    with attached(tmp_path / "source.img") as name:
        yield str(name)


@pytest.mark.promise(1)
@pytest.mark.bench
def test_the_former_flag_of_a_source_survives_a_kill_of_everything(tmp_path: Path, device: str) -> None:
    """Program and worker are killed the moment the kernel has set the flag; the next run gives it back."""
    arguments = ["copy", device, str(tmp_path / "target.img")]
    killed = subprocess.run([sys.executable, "-c", KILL_AT_THE_FLAG, *arguments], check=False)
    assert killed.returncode == -signal.SIGKILL
    assert read_only(device) == "1", "this test kills too late or too early"
    journal = load(Journal, tmp_path / "target.img.journal.json")
    assert journal.source_was_read_only is False
    tool = Path(sys.executable).with_name("drivecare")
    assert subprocess.run([tool, *arguments, "--resume"], check=False, capture_output=True).returncode == 0
    assert read_only(device) == "0"
    assert (tmp_path / "target.img").read_bytes() == CONTENT * 4


@pytest.mark.bench
def test_a_source_that_was_read_only_stays_so(tmp_path: Path, device: str) -> None:
    subprocess.run(["blockdev", "--setro", device], check=True)
    tool = Path(sys.executable).with_name("drivecare")
    arguments: list[str | Path] = [tool, "copy", device, tmp_path / "target.img"]
    assert subprocess.run(arguments, check=False, capture_output=True).returncode == 0
    assert read_only(device) == "1"
    subprocess.run(["blockdev", "--setrw", device], check=True)


@pytest.mark.parametrize(("attachment", "kept"), [("boot 8", None), ("boot 7", False)], ids=["again", "still"])
def test_a_flag_of_an_earlier_attachment_is_not_given_back(tmp_path: Path, attachment: str, kept: bool | None) -> None:
    """A drive that was plugged in again, behind a write blocker perhaps, bears a flag of its own."""
    end = End(path="/dev/sdb", kind="device", size_bytes=SIZE, attachment="boot 7")
    former = msgspec.structs.replace(fresh_journal(end, end), source_was_read_only=False)
    source = Endpoint(end=msgspec.structs.replace(end, attachment=attachment))
    journal = continue_journal(former, source, Endpoint(end=end), Consent(), source_modified_ns=None)
    assert journal.source_was_read_only is kept
