"""The archive of a job, checked with coreutils and tar, which we did not make."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from drivecare.errors import Refused, Unavailable
from drivecare.job.chain import CHAIN, Audit
from drivecare.job.export import export_job
from drivecare.job.model import LeftOut
from drivecare.job.result_files import LIMIT_BYTES
from drivecare.record.folder import FolderRecord
from drivecare.record.job_folder import JobFolder
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import End
from tests.job.carried import NOW, OLD, device, image, receipt
from tests.record.test_folder import OPENING, reading

SIZE_OF_IMAGE = 4096
RECEIPT = "0003-receipt-KX25-00417-20261125T120000Z.json"


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    job = FolderRecord(root=tmp_path / "jobs").create(OPENING)
    job.file(reading())
    (job.images / "customer.img").write_bytes(b"private" * 1000)
    (job.path / "link").symlink_to("/etc/passwd")
    (job.path / ".half.part").write_text("x")
    return job


def unpacked(archive: Path, folder: Path) -> Path:
    folder.mkdir()
    subprocess.run(["tar", "-xzf", archive, "-C", folder], check=True)
    return folder / "1042"


@pytest.mark.parametrize("images", [False, True])
def test_sha256sum_agrees_with_the_manifest(job: JobFolder, tmp_path: Path, images: bool) -> None:
    archive = export_job(job.read(), tmp_path / "1042.tar.gz", images=images)
    out = unpacked(tmp_path / "1042.tar.gz", tmp_path / "out")
    done = subprocess.run(["sha256sum", "--check", "--strict", "manifest-sha256.txt"], cwd=out, capture_output=True)
    assert done.returncode == 0
    found = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert found == {*archive.files, "manifest-sha256.txt"}
    assert ("images/customer.img" in archive.files) is images
    assert [left.file for left in archive.left_out] == ([] if images else ["images/customer.img"])
    assert not {"link", ".half.part"} & found
    for name in archive.files:
        assert (out / name).read_bytes() == (job.path / name).read_bytes()
    assert JobFolder(path=out).read().audit() == Audit()  # the chain goes along and still holds


def _sparse(path: Path) -> None:
    with path.open("wb") as file:
        file.write(b"private")
        file.truncate(1 << 20)


def _large(path: Path) -> None:
    path.write_bytes(b"private" * (LIMIT_BYTES // 7 + 1))


def _in_a_bag(path: Path) -> None:
    path.mkdir()
    (path / "drivecare-journal.jsonl").touch()  # a copy of files that was interrupted; later it has a receipt
    (path / "data").mkdir()
    (path / "data" / "letter.txt").write_text("private")


@pytest.mark.promise(11)
@pytest.mark.parametrize(
    ("make", "document", "reasons"),
    [
        (
            lambda path: path.write_bytes(b"private"),
            image,
            {f"an image that {RECEIPT} names"},
        ),
        (lambda path: path.write_bytes(b"private"), None, set()),
        (_sparse, None, {"a sparse file, as images are"}),
        (_large, None, {"too large for a document of a job"}),
        (_in_a_bag, None, {"a file of a bag"}),
    ],
    ids=["named by a receipt", "a small file of nobody", "sparse", "large", "bag"],
)
def test_the_customers_data_stays_out_wherever_it_lies(
    job: JobFolder,
    tmp_path: Path,
    make: Callable[[Path], None],
    document: Callable[[str], End] | None,
    reasons: set[str],
) -> None:
    path = job.path / "1042-old-drive"
    make(path)
    if document is not None:
        JobFolder(path=job.path, now=lambda: NOW).file(receipt(device(OLD, "/dev/sdb"), document(str(path))))
    archive = export_job(job.read(), tmp_path / "1042.tar.gz")
    private = [left for left in archive.left_out if left.file.startswith("1042-old-drive")]
    assert {left.reason for left in private} == reasons
    assert any(name.startswith("1042-old-drive") for name in archive.files) is not bool(reasons)
    assert b"private" not in tmp_path.joinpath("1042.tar.gz").read_bytes() or not reasons
    complete = export_job(job.read(), tmp_path / "all.tar.gz", images=True)
    assert complete.left_out == ()
    assert set(archive.files) | {left.file for left in archive.left_out} == set(complete.files)


@pytest.mark.parametrize("moved", ["link", "renamed folder"])
def test_an_image_is_known_again_under_another_path(job: JobFolder, tmp_path: Path, moved: str) -> None:
    path = job.path / "old.img"
    path.write_bytes(b"x" * SIZE_OF_IMAGE)
    named = tmp_path / "old.img"
    if moved == "link":
        named.symlink_to(path)
    size = End(path=str(named), kind="image", size_bytes=SIZE_OF_IMAGE)
    job.file(receipt(device(OLD, "/dev/sdb"), size))
    (job.path / "notes.txt").write_bytes(b"y" * SIZE_OF_IMAGE)  # as large, and not the image
    archive = export_job(job.read(), tmp_path / "1042.tar.gz")
    assert "old.img" in [left.file for left in archive.left_out]
    assert "notes.txt" in archive.files


def test_the_image_of_an_unfinished_copy_stays_out(job: JobFolder, tmp_path: Path) -> None:
    """Its journal names it; no receipt does yet."""
    (job.path / "part.img").write_bytes(b"private")
    journal = Journal(
        source=device(OLD, "/dev/sdb"),
        target=image(str(job.path / "part.img")),
        bytes_total=7,
        chunk_bytes=1 << 20,
        fill="x",
        started="2026-11-25T10:30:00+00:00",
    )
    JournalFile(job.path / "part.img.journal.json").save(journal)
    archive = export_job(job.read(), tmp_path / "1042.tar.gz")
    assert "part.img.journal.json" in archive.files
    assert ("part.img", "an image that part.img.journal.json names") in [
        (left.file, left.reason) for left in archive.left_out
    ]


def test_a_result_that_cannot_be_read_costs_no_other(job: JobFolder, tmp_path: Path) -> None:
    result = job.result_files()[-1].path
    result.rename(tmp_path / "elsewhere.json")
    result.symlink_to(tmp_path / "elsewhere.json")
    archive = export_job(job.read(), tmp_path / "1042.tar.gz")
    assert LeftOut(file=result.name, reason="is a link, not a file") in archive.left_out
    assert archive.files == (CHAIN, job.result_files()[0].path.name)


def test_an_export_overwrites_nothing_and_leaves_no_half(job: JobFolder, tmp_path: Path) -> None:
    output = tmp_path / "1042.tar.gz"
    output.write_text("mine")
    with pytest.raises(Refused, match="already exists"):
        export_job(job.read(), output)
    assert output.read_text() == "mine"
    with pytest.raises(Unavailable, match="cannot be written"):
        export_job(job.read(), tmp_path / "no" / "folder.tar.gz")
    assert [path.name for path in tmp_path.iterdir() if path.name.endswith(".part")] == []
