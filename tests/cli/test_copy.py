"""`drivecare copy` on image files: what it prints, writes and ends with."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import pytest

from drivecare.cli.copy import copy
from drivecare.cli.verify import verify
from drivecare.documents import load
from drivecare.job.model import Opening
from drivecare.record.folder import FolderRecord
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt
from tests.cli.bench import Ran, run

MIB = 1 << 20
KEYS = [
    "schema",
    "source",
    "target",
    "bytes_total",
    "bytes_copied",
    "digest",
    "unreadable",
    "fill",
    "parents",
    "verified",
    "verification",
    "partitions",
    "zero_fraction",
    "started",
    "finished",
    "tool_version",
]


@pytest.fixture
def source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "source.img"
    path.write_bytes(random.Random(1).randbytes(2 * MIB + 512) + b"text " * 220_000)
    return path


def said(ran: Ran) -> str:
    return " ".join((ran.out + ran.err).split())


def test_a_copy_gives_a_receipt_with_the_contracts_keys(source: Path, tmp_path: Path) -> None:
    ran = run(copy, source, tmp_path / "target.img", "--json")
    assert ran.exit_code == 0, ran.err
    assert list(ran.json)[: len(KEYS)] == KEYS
    assert ran.json["schema"] == "drivecare/receipt-1"
    assert ran.json["verified"] is True
    assert ran.json["digest"]["whole"] == hashlib.sha256(source.read_bytes()).hexdigest()
    assert (tmp_path / "target.img").read_bytes() == source.read_bytes()
    assert json.loads((tmp_path / "target.img.receipt.json").read_text()) == ran.json
    assert load(Journal, tmp_path / "target.img.journal.json").phase == "done"


def test_what_a_person_reads(source: Path, tmp_path: Path) -> None:
    ran = run(copy, source, "target.img")
    digest = hashlib.sha256(source.read_bytes()).hexdigest()
    size = source.stat().st_size
    assert said(ran) == (
        f"VERIFIED: all {size:,} bytes (3.2 MB) were read back past this machine's cache and agree. "
        f"sha256 {digest} The whole drive was not counted: no file system that drivecare knows begins here. "
        "receipt: target.img.receipt.json"
    )
    assert ran.exit_code == 0


def test_the_receipt_where_it_was_asked_for(source: Path, tmp_path: Path) -> None:
    assert run(copy, source, "t.img", "--receipt", tmp_path / "proof.json").exit_code == 0
    assert load(Receipt, tmp_path / "proof.json").verified
    assert (tmp_path / "proof.journal.json").exists()
    assert not (tmp_path / "t.img.receipt.json").exists()


@pytest.mark.promise(5)
def test_what_is_there_is_not_overwritten_unless_its_path_is_typed(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "target.img"
    target.write_bytes(b"precious")
    ran = run(copy, source, target)
    assert ran.exit_code == 22
    assert ran.err == (
        "drivecare: the target is not empty (a file of 8 bytes). If all on it may go, add --allow-overwrite FILE, "
        "its path\n"
    )
    assert run(copy, source, target, "--allow-overwrite", "something else").exit_code == 22
    assert target.read_bytes() == b"precious"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["source.img", "target.img"]
    assert run(copy, source, target, "--allow-overwrite", target).exit_code == 0
    assert target.read_bytes() == source.read_bytes()


def test_the_receipt_of_an_earlier_copy_is_kept(source: Path, tmp_path: Path) -> None:
    run(copy, source, "target.img")
    first = (tmp_path / "target.img.receipt.json").read_bytes()
    ran = run(copy, source, "target.img", "--allow-overwrite", "target.img")
    assert "is kept as target.img.receipt." in said(ran)
    kept = tmp_path.glob("target.img.receipt.*.json")
    assert [path.read_bytes() for path in kept] == [first]


@pytest.mark.parametrize("name", ["source.img", "hard.img", "soft.img"])
def test_source_and_target_under_two_names(source: Path, tmp_path: Path, name: str) -> None:
    os.link(source, tmp_path / "hard.img")
    (tmp_path / "soft.img").symlink_to(source)
    before = source.read_bytes()
    ran = run(copy, source, name, "--allow-overwrite", name)
    assert ran.exit_code == 22
    assert "the same thing under two names" in ran.err
    assert source.read_bytes() == before


def test_a_journal_of_an_unfinished_copy_is_not_written_over(source: Path, tmp_path: Path) -> None:
    run(copy, source, "target.img")
    path = tmp_path / "target.img.journal.json"
    unfinished(path)
    ran = run(copy, source, "target.img", "--allow-overwrite", "target.img")
    assert ran.exit_code == 22
    assert "Continue with --resume" in ran.err
    assert run(copy, source, "target.img", "--resume").exit_code == 0


def unfinished(path: Path) -> None:
    import msgspec

    from drivecare.documents import encode
    from drivecare.transfer.sectors.journal import sealed

    journal = load(Journal, path)
    path.write_bytes(encode(sealed(msgspec.structs.replace(journal, phase="copying", copied=journal.copied[:0]))))


def test_resume_without_a_journal_begins_anew_under_the_same_guards(source: Path, tmp_path: Path) -> None:
    assert run(copy, source, "target.img", "--resume").exit_code == 0
    (tmp_path / "target.img.journal.json").unlink()
    assert run(copy, source, "target.img", "--resume").exit_code == 22


def test_resume_of_another_source_is_refused(source: Path, tmp_path: Path) -> None:
    run(copy, source, "target.img")
    other = tmp_path / "other.img"
    other.write_bytes(b"x" * 5 * MIB)
    ran = run(copy, other, "target.img", "--resume")
    assert ran.exit_code == 22
    assert "is not the one this copy began with" in ran.err


def test_a_damaged_journal_is_refused_with_a_way_on(source: Path, tmp_path: Path) -> None:
    run(copy, source, "target.img")
    path = tmp_path / "target.img.journal.json"
    path.write_bytes(path.read_bytes()[:200])
    ran = run(copy, source, "target.img", "--resume")
    assert ran.exit_code == 22
    assert "the journal is damaged" in ran.err
    assert "Move it away and start a new copy" in ran.err
    path.rename(tmp_path / "away.json")
    assert run(copy, source, "target.img", "--allow-overwrite", "target.img").exit_code == 0


def test_a_finished_copy_is_not_read_again(source: Path, tmp_path: Path) -> None:
    first = run(copy, source, "target.img", "--json")
    again = run(copy, source, "target.img", "--resume", "--json")
    assert (again.exit_code, again.json) == (0, first.json)
    assert "Already copied and verified on " in again.err
    assert "nothing was read. To read it again: drivecare verify target.img.receipt.json target.img" in again.err


def test_a_target_that_changed_is_repaired_by_a_resume_without_its_receipt(source: Path, tmp_path: Path) -> None:
    run(copy, source, "target.img")
    with (tmp_path / "target.img").open("r+b") as target:
        target.seek(MIB + 5)
        target.write(b"\xff\xff")
    (tmp_path / "target.img.receipt.json").rename(tmp_path / "earlier.json")
    ran = run(copy, source, "target.img", "--resume")
    assert ran.exit_code == 0
    assert (tmp_path / "target.img").read_bytes() == source.read_bytes()


def test_a_first_copy_is_not_asked_to_try_what_may_take_years(tmp_path: Path) -> None:
    (tmp_path / "source.img").write_bytes(bytes(4096))
    ran = run(copy, tmp_path / "source.img", tmp_path / "target.img", "--to-the-end")
    assert ran.exit_code == 2
    assert "--to-the-end goes with --resume" in ran.err
    assert not (tmp_path / "target.img").exists()


@pytest.fixture
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """64 MiB of ext4, of which a few are used."""
    if shutil.which("mkfs.ext4") is None:
        pytest.skip("mkfs.ext4 is not installed")
    monkeypatch.chdir(tmp_path)
    files, image = tmp_path / "files", tmp_path / "photos.img"
    files.mkdir()
    (files / "holiday.jpg").write_bytes(random.Random(3).randbytes(3 * MIB))
    subprocess.run(["mkfs.ext4", "-q", "-F", "-d", files, image, "64M"], check=True)
    return image


def test_a_copy_until_what_is_used_is_unfinished_and_resume_reads_the_rest(photos: Path, tmp_path: Path) -> None:
    ran = run(copy, photos, "target.img", "--until", "used", "--json")
    assert ran.exit_code == 23, ran.err
    assert "All that is used is read, and no more" in ran.err
    receipt = load(Receipt, tmp_path / "target.img.receipt.json")
    assert ran.json["unread"]
    assert (receipt.verified, receipt.agrees, receipt.digest.whole) == (False, True, None)
    assert {hold.kind for area in receipt.unread for hold in area.holds} == {"free"}
    assert 3 * MIB < receipt.bytes_copied < 20 * MIB
    assert sum(area.length for area in receipt.verified_areas) == receipt.bytes_copied
    checked = run(verify, "target.img.receipt.json", "target.img")
    assert checked.exit_code == 23
    assert "bytes that were copied were read back past this machine's cache and agree" in said(checked)
    assert load(Receipt, tmp_path / "target.img.receipt.json").digest == receipt.digest
    from_it = run(copy, "target.img", "second.img")
    assert "what is copied from it proves nothing of the drive" in said(from_it)
    assert load(Receipt, tmp_path / "second.img.receipt.json").parents == ()
    again = run(copy, photos, "target.img", "--until", "used", "--resume")
    assert again.exit_code == 23
    assert again.out.startswith("NOT WHOLE: the copy stopped at what is used, as asked.")
    whole = run(copy, photos, "target.img", "--resume")
    assert whole.exit_code == 0, whole.err
    assert (tmp_path / "target.img").read_bytes() == photos.read_bytes()
    assert load(Receipt, tmp_path / "target.img.receipt.json").unread == ()


def test_where_nothing_is_known_of_what_is_used_the_copy_stops_and_says_how_to_go_on(source: Path) -> None:
    ran = run(copy, source, "target.img", "--until", "used")
    assert ran.exit_code == 23
    assert "what is used of the source is not known" in said(ran)
    assert "--resume without --until used" in said(ran)
    assert run(copy, source, "target.img", "--resume").exit_code == 0


def test_nothing_to_resume_says_where_it_looked(source: Path, tmp_path: Path) -> None:
    ran = run(copy, source, "target.img", "--resume")
    assert ran.exit_code == 0, ran.err
    assert f"there is nothing to resume: no journal of a copy from {source} to target.img in {tmp_path}" in ran.err
    (tmp_path / "target.img.journal.json").unlink()
    before = (tmp_path / "target.img").read_bytes()
    refused = run(copy, source, "target.img", "--resume", "--allow-overwrite", "target.img")
    assert refused.exit_code == 22
    assert "the target is not empty (a file of " in refused.err
    assert (tmp_path / "target.img").read_bytes() == before


def test_a_finished_copy_of_a_job_is_filed_once_and_goes_on_where_it_did_not_read_back(
    source: Path, tmp_path: Path
) -> None:
    opening = Opening(id="7", opened_at="2026-11-25T10:00:00+00:00", host="any", label="any", complaint="slow")
    folder = FolderRecord(root=tmp_path / "jobs").create(opening)
    jobs = ("--jobs", tmp_path / "jobs", "--job", "7")
    assert run(copy, source, "image.img", *jobs).exit_code == 0
    assert run(copy, source, "image.img", "--resume", *jobs).exit_code == 0
    (filed,) = folder.results(Receipt)
    bad = msgspec.structs.replace(filed.document, verified=False, verification=None)
    folder.file(bad)
    with (tmp_path / "image.img").open("r+b") as target:
        target.seek(MIB + 5)
        target.write(b"\xff\xff")
    assert run(copy, source, "image.img", "--resume", *jobs).exit_code == 0
    assert (tmp_path / "image.img").read_bytes() == source.read_bytes()
    assert len(folder.results(Receipt)) == 3


def test_drive_to_image_to_drive_names_the_image(source: Path, tmp_path: Path) -> None:
    first = run(copy, source, "image.img", "--json").json
    second = run(copy, "image.img", "drive.img", "--json").json
    assert second["parents"] == [first["digest"]["whole"]]
    assert second["origin"]["path"] == str(source)


def test_a_chain_is_followed_through_a_job(source: Path, tmp_path: Path) -> None:
    opening = Opening(id="7", opened_at="2026-11-25T10:00:00+00:00", host="any", label="any", complaint="slow")
    FolderRecord(root=tmp_path / "jobs").create(opening)
    jobs = ("--jobs", tmp_path / "jobs", "--job", "7")
    first = run(copy, source, "image.img", "--json", *jobs)
    assert first.exit_code == 0, first.err
    assert not (tmp_path / "image.img.receipt.json").exists()
    second = run(copy, "image.img", "drive.img", "--json", *jobs)
    assert second.json["parents"] == [first.json["digest"]["whole"]]
    assert len(list((tmp_path / "jobs" / "7").glob("*-receipt-*.json"))) == 2


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("missing.img", "t.img"), 3, "there is no such file"),
        ((".", "t.img"), 3, "is a folder"),
        (("empty.img", "t.img"), 3, "is empty"),
        (("source.img", "."), 3, "is a folder"),
        (("source.img", "nowhere/t.img"), 3, "there is no such file"),
        (("source.img", "/dev/null"), 3, "neither a drive nor an image file"),
        (("source.img",), 2, ""),
        (("source.img", "t.img", "--job", "no-such-job"), 3, "no job"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_bad_input_is_one_line(source: Path, tmp_path: Path, arguments: tuple[str, ...], code: int, words: str) -> None:
    (tmp_path / "empty.img").touch()
    ran = run(copy, *arguments)
    assert ran.exit_code == code
    assert words in ran.err
    assert code == 2 or ran.err.count("\n") == 1
    assert not (tmp_path / "t.img").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_write_protected_target(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "target.img"
    target.write_bytes(b"")
    target.chmod(stat.S_IRUSR)
    assert run(copy, source, target).exit_code == 22


@pytest.mark.promise(6)
@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_any_end_is_resumed_to_the_same_result(tmp_path: Path, how: signal.Signals) -> None:
    source, target = tmp_path / "source.img", tmp_path / "target.img"
    source.write_bytes(random.Random(2).randbytes(16 * MIB) * 40)
    command: list[str | Path] = [Path(sys.executable).with_name("drivecare"), "copy", source, target]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL) as process:
        journal = tmp_path / "target.img.journal.json"
        while process.poll() is None and not (journal.exists() and journal.stat().st_size > 1500):
            time.sleep(0.01)
        process.send_signal(how)
    assert process.returncode == (-9 if how == signal.SIGKILL else 23)
    assert subprocess.run([*command, "--resume"], check=False, capture_output=True).returncode == 0
    assert hashlib.sha256(target.read_bytes()).digest() == hashlib.sha256(source.read_bytes()).digest()


@pytest.mark.slow
def test_memory_does_not_grow_with_the_size(tmp_path: Path) -> None:
    """Resident memory of the program, as the kernel counts it (getrusage), for 64 MiB and for 3 GiB of holes."""
    program = (
        "import resource, subprocess, sys\n"
        "done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True)\n"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n"
    )
    tool = Path(sys.executable).with_name("drivecare")
    for size in (64 * MIB, 3072 * MIB):
        source = tmp_path / f"{size}.img"
        with source.open("wb") as image:
            image.truncate(size)
        command: list[str | Path] = [sys.executable, "-c", program, tool, "copy", source, tmp_path / f"{size}.copy"]
        used = subprocess.run(command, capture_output=True, check=True, text=True).stdout
        assert int(used) < 150 * 1024, f"{used} KiB for {size} bytes"


def test_a_receipt_names_whole_paths_so_that_it_can_be_used_from_any_folder(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(copy, source.name, "./target.img").exit_code == 0
    receipt = tmp_path / "target.img.receipt.json"
    told = json.loads(receipt.read_text())
    assert (told["source"]["path"], told["target"]["path"]) == (str(source), str(tmp_path / "target.img"))
    monkeypatch.chdir("/")
    assert run(verify, receipt).exit_code == 0
