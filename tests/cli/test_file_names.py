"""What a copy lost is shown by name and filed without: `copy` and `verify` in a job, the name of a photo among it."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.cli.close import close
from drivecare.cli.copy import copy
from drivecare.cli.job import export, show
from drivecare.cli.verify import verify
from drivecare.documents import load
from drivecare.record.job_folder import JobFolder
from drivecare.transfer.sectors.receipt import Receipt
from tests.cli.bench import run
from tests.job.carried import filed
from tests.work import test_survey_copy

PHOTO = "file /PHOTO.JPG: 512 of"


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> JobFolder:
    """A job, and beside it the image `new.img` of a card with two bad places, copied outside of any job."""
    monkeypatch.chdir(tmp_path)
    test_survey_copy.copy(tmp_path)
    return filed(tmp_path / "jobs", [])


def files_with_the_name(job: JobFolder) -> list[str]:
    return [path.name for path in job.path.rglob("*") if path.is_file() and b"PHOTO" in path.read_bytes()]


@pytest.mark.promise(11)
def test_a_receipt_from_outside_is_filed_without_its_names(job: JobFolder) -> None:
    ran = run(verify, "new.img.receipt.json", "--job", "1042", "--jobs", job.path.parent)
    assert PHOTO in ran.out
    assert files_with_the_name(job) == ["names-0002.json"]
    (receipt,) = job.results(Receipt)
    again = run(verify, receipt.file.path, "--job", "1042", "--jobs", job.path.parent, "--json")
    assert "PHOTO" not in again.out
    assert again.json["names"]["length"] == (job.path / "names-0002.json").stat().st_size
    shown = run(verify, receipt.file.path, "--job", "1042", "--jobs", job.path.parent)
    assert PHOTO in shown.out
    assert files_with_the_name(job) == ["names-0002.json"]


@pytest.mark.promise(11)
def test_a_copy_in_a_job_shows_the_names_and_files_them_apart(job: JobFolder, tmp_path: Path) -> None:
    in_job = ("--job", "1042", "--jobs", job.path.parent)
    ran = run(copy, "new.img", "newer.img", *in_job)  # what the first copy lost is lost here, too
    assert PHOTO in ran.out
    assert files_with_the_name(job) == ["names-0002.json"]
    resumed = run(copy, "new.img", "newer.img", "--resume", *in_job)
    assert "Already copied and verified" in resumed.err
    assert PHOTO in resumed.out
    assert len(job.results(Receipt)) == 1
    assert load(Receipt, job.path / "newer.img.receipt.json").names is None
    exported = run(export, "1042", "--jobs", job.path.parent, "--output", tmp_path / "1042.tar.gz")
    assert "left out: names-0002.json (names of the customer's files)" in exported.out


@pytest.mark.promise(11)
def test_verifying_the_receipt_beside_a_jobs_copy_finds_the_names_of_that_copy(job: JobFolder) -> None:
    in_job = ("--job", "1042", "--jobs", job.path.parent)
    run(copy, "new.img", "newer.img", *in_job)
    paperwork = job.path / "newer.img.receipt.json"
    verified = run(verify, paperwork, *in_job)
    assert PHOTO in verified.out
    filed = [result.document for result in job.results(Receipt)]
    assert len(filed) == 2
    assert filed[0].names == filed[1].names is not None
    assert files_with_the_name(job) == ["names-0002.json"]
    assert load(Receipt, paperwork).names is None


@pytest.mark.promise(11)
def test_the_page_of_a_job_says_what_was_lost_by_name_and_its_document_without(job: JobFolder) -> None:
    run(copy, "new.img", "newer.img", "--job", "1042", "--jobs", job.path.parent)
    short = run(show, "1042", "--jobs", job.path.parent).out.splitlines()
    assert "The copy lacks 1,024 bytes in 2 areas: file /PHOTO.JPG: 512 of 1,300 bytes" in short
    lines = run(show, "1042", "--full", "--jobs", job.path.parent).out.splitlines()
    at = lines.index("The copy lacks 1,024 bytes in 2 areas:")
    assert lines[at + 1 : at + 5] == [
        "  512 bytes at byte 49,664",
        "      file /PHOTO.JPG: 512 of 1,300 bytes",
        "  512 bytes at byte 100,864",
        "      free space: 512 bytes, no file that existed was hit",
    ]
    told = run(show, "1042", "--jobs", job.path.parent, "--json")
    assert [area["holds"][0]["file_kind"] for area in told.json["lost"]] == ["photo", None]
    assert "PHOTO" not in told.out


def test_closing_shows_the_names_and_removes_them(job: JobFolder) -> None:
    run(verify, "new.img.receipt.json", "--job", "1042", "--jobs", job.path.parent)
    words = ("--started", "--old-drive", "kept", "--forget", "--anyway", "x", "--jobs", job.path.parent)
    ran = run(close, "1042", *words, typed="1042\n")
    assert "names-0002.json   list of file names, of 1 file" in ran.err
    assert f"removed: {job.path / 'names-0002.json'}" in ran.out
    assert files_with_the_name(job) == []
