"""The archive of a job, checked with coreutils and tar, which we did not make."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from drivecare.errors import Refused, Unavailable
from drivecare.job.export import export
from drivecare.job.folder import JobFolder, create_job
from tests.job.test_folder import OPENING, reading


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    job = create_job(OPENING, tmp_path / "jobs")
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
    names = export(job, tmp_path / "1042.tar.gz", images=images)
    out = unpacked(tmp_path / "1042.tar.gz", tmp_path / "out")
    done = subprocess.run(["sha256sum", "--check", "--strict", "manifest-sha256.txt"], cwd=out, capture_output=True)
    assert done.returncode == 0
    found = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert found == {*names, "manifest-sha256.txt"}
    assert ("images/customer.img" in names) is images
    assert not {"link", ".half.part"} & found
    for name in names:
        assert (out / name).read_bytes() == (job.path / name).read_bytes()


def test_an_export_overwrites_nothing_and_leaves_no_half(job: JobFolder, tmp_path: Path) -> None:
    output = tmp_path / "1042.tar.gz"
    output.write_text("mine")
    with pytest.raises(Refused, match="exists already"):
        export(job, output)
    assert output.read_text() == "mine"
    with pytest.raises(Unavailable, match="cannot be written"):
        export(job, tmp_path / "no" / "folder.tar.gz")
    assert [path.name for path in tmp_path.iterdir() if path.name.endswith(".part")] == []
