"""`drivecare copy SOURCE TARGET --also IMAGE`: one pass, two targets, a receipt each."""

from __future__ import annotations

import errno
import os
import random
from pathlib import Path

import pytest

from drivecare.cli.copy import copy
from drivecare.cli.verify import verify
from drivecare.documents import load
from drivecare.hardware.media import RealMedium
from drivecare.job.model import Opening
from drivecare.record.folder import FolderRecord
from drivecare.transfer.medium import Buffer
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt
from tests.cli.bench import Ran, run

SIZE = 13 << 20
CONTENT = random.Random(18).randbytes(SIZE)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "source.img").write_bytes(CONTENT)
    return tmp_path


def both(*more: str | Path, target: str = "clone.img", image: str = "kept.img") -> Ran:
    return run(copy, "source.img", target, "--also", image, *more)


def fill_up(monkeypatch: pytest.MonkeyPatch, name: str, *, after_bytes: int) -> None:
    """From there on, the image of that name has no room."""
    write = RealMedium.write

    def fails(self: RealMedium, offset: int, buffer: Buffer, start: int, length: int) -> int:
        if self.path.endswith(name) and offset >= after_bytes:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(self, offset, buffer, start, length)

    monkeypatch.setattr(RealMedium, "write", fails)


def words(text: str) -> str:
    return " ".join(text.split())


def test_both_are_proven_each_by_its_own_receipt(folder: Path) -> None:
    ran = both()
    assert ran.exit_code == 0, ran.err
    for name in ("clone.img", "kept.img"):
        assert (folder / name).read_bytes() == CONTENT
        receipt = load(Receipt, folder / f"{name}.receipt.json")
        assert (receipt.verified, receipt.target.path) == (True, str(folder / name))
        assert load(Journal, folder / f"{name}.journal.json").phase == "done"
    assert ran.out.count("VERIFIED") == 2
    assert ran.out.index("clone.img\n") < ran.out.index("kept.img\n")


def test_the_document_holds_both(folder: Path) -> None:
    document = both("--json").json
    assert document["schema"] == "drivecare/copies-1"
    assert [(each["path"], each["error"]) for each in document["copies"]] == [("clone.img", None), ("kept.img", None)]
    assert [each["receipt"]["verified"] for each in document["copies"]] == [True, True]


@pytest.mark.parametrize("failing", ["clone.img", "kept.img"])
def test_the_exit_code_is_that_of_the_worse(folder: Path, monkeypatch: pytest.MonkeyPatch, failing: str) -> None:
    fill_up(monkeypatch, failing, after_bytes=8 << 20)
    ran = both()
    sound = ({"clone.img", "kept.img"} - {failing}).pop()
    assert ran.exit_code == 23
    assert "NOT FINISHED" in ran.out
    assert f"{failing}: no space is left for the copy. Make room." in words(ran.out)
    assert load(Receipt, folder / f"{sound}.receipt.json").verified
    assert not (folder / f"{failing}.receipt.json").exists()
    assert 0 < sum(run.length for run in load(Journal, folder / f"{failing}.journal.json").copied) < SIZE


def test_the_same_command_with_resume_goes_on_with_what_is_missing(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill_up(monkeypatch, "kept.img", after_bytes=8 << 20)
    both()
    proven = (folder / "clone.img.receipt.json").read_bytes()
    monkeypatch.undo()
    monkeypatch.chdir(folder)
    ran = both("--resume")
    assert ran.exit_code == 0, ran.out + ran.err
    assert "Already copied and verified" in ran.err
    assert (folder / "clone.img.receipt.json").read_bytes() == proven
    assert (folder / "kept.img").read_bytes() == CONTENT


def test_an_image_may_join_a_copy_that_was_stopped(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill_up(monkeypatch, "clone.img", after_bytes=8 << 20)
    assert run(copy, "source.img", "clone.img").exit_code == 23
    monkeypatch.undo()
    monkeypatch.chdir(folder)
    ran = both("--resume")
    assert ran.exit_code == 0, ran.err
    assert "there is nothing to resume" in ran.err
    assert (folder / "clone.img").read_bytes() == (folder / "kept.img").read_bytes() == CONTENT


@pytest.mark.parametrize("image", ["clone.img", "./clone.img", "link.img"])
def test_two_names_of_one_target_are_refused(folder: Path, image: str) -> None:
    (folder / "link.img").symlink_to("clone.img")
    ran = both(image=image)
    assert (ran.exit_code, (folder / "clone.img").exists()) == (22, False)


def test_the_source_is_not_its_own_image(folder: Path) -> None:
    assert both("--allow-overwrite", "source.img", image="source.img").exit_code == 22
    assert (folder / "source.img").read_bytes() == CONTENT


def test_a_drive_is_named_as_the_target(folder: Path) -> None:
    ran = both(image="/dev/null")
    assert ran.exit_code == 3
    assert "Name it as the target" in ran.err
    assert not (folder / "clone.img").exists()


def test_each_is_overwritten_only_by_its_own_name(folder: Path) -> None:
    for name in ("clone.img", "kept.img"):
        (folder / name).write_bytes(b"precious")
    for typed in ([], ["clone.img"], ["kept.img"], ["clone.img", "other.img"]):
        ran = both(*(word for name in typed for word in ("--allow-overwrite", name)))
        assert ran.exit_code == (2 if "other.img" in typed else 22)
        assert (folder / "clone.img").read_bytes() == (folder / "kept.img").read_bytes() == b"precious"
    assert both("--allow-overwrite", "kept.img", "--allow-overwrite", "clone.img").exit_code == 0


def test_receipts_never_share_a_place(folder: Path) -> None:
    (folder / "shelf").mkdir()
    ran = both("--receipt", "shelf/clone.img.receipt.json", image="shelf/clone.img")
    assert ran.exit_code == 22
    assert "files of their own" in ran.err
    assert not (folder / "clone.img").exists()


@pytest.fixture
def job(folder: Path) -> Path:
    opening = Opening(id="1042", opened_at="2026-11-27T08:00:00+00:00", host="any", label="any", complaint="slow")
    FolderRecord(root=folder / "jobs").create(opening)
    return folder / "jobs"


def in_job(*more: str) -> Ran:
    return both("--job", "1042", "--jobs", "jobs", *more)


def test_both_receipts_are_filed_and_that_of_the_target_is_the_newest(job: Path) -> None:
    assert in_job().exit_code == 0
    filed = [entry.document for entry in FolderRecord(root=job).job("1042").results(Receipt)]
    assert [Path(receipt.target.path).name for receipt in filed] == ["kept.img", "clone.img"]
    assert [receipt.job for receipt in filed] == ["1042", "1042"]
    assert "clone.img" in run(verify, "--job", "1042", "--jobs", job, "--json").json["target"]["path"]


def test_a_stopped_pair_is_gone_on_with_by_one_command(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill_up(monkeypatch, ".img", after_bytes=8 << 20)
    ran = in_job()
    assert ran.exit_code == 23
    assert ran.out.count("NOT FINISHED") == 2
    names = f"{job.parent}/source.img {job.parent}/clone.img --also {job.parent}/kept.img"
    assert f"drivecare copy {names} --resume --job 1042" in words(ran.out)
    half_done = words(ran.out)[words(ran.out).index("two copies are half done: ") :]
    assert all(f"{job.parent}/{name}: " in half_done for name in ("clone.img", "kept.img"))
    monkeypatch.undo()
    monkeypatch.chdir(job.parent)
    resumed = in_job("--resume")
    assert resumed.exit_code == 0, resumed.out + resumed.err
    assert len(FolderRecord(root=job).job("1042").results(Receipt)) == 2
