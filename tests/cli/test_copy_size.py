"""A source that is not of the size its drive was read with is refused before the first byte, or said ever after."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec
import pytest

from drivecare.cli.copy import copy
from drivecare.cli.gate import gate
from drivecare.documents import Value, encode, load
from drivecare.record.job_folder import JobFolder
from drivecare.transfer.sectors.journal import Journal, sealed
from drivecare.transfer.sectors.receipt import Receipt
from tests.cli.bench import Ran, run
from tests.job.carried import OLD, assessment, filed

SIZE = (3 << 20) + 512


@pytest.fixture
def source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "source.img"
    path.write_bytes(random.Random(1).randbytes(SIZE))
    return path


def job(folder: Path, **sizes: int | None) -> JobFolder:
    documents: list[Value] = [assessment(msgspec.structs.replace(OLD, **sizes), "evacuate")]
    return filed(folder / "jobs", documents)


def copied(folder: Path, *more: str) -> Ran:
    return run(copy, folder / "source.img", folder / "target.img", "--job", "1042", "--jobs", folder / "jobs", *more)


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ({"capacity_bytes": 500_107_862_016}, "the source shows 3,146,240 bytes, the job's reading of it says 500,107"),
        ({"capacity_bytes": SIZE, "native_capacity_bytes": SIZE + 512}, "the job's reading of it says 3,146,752"),
        ({"capacity_bytes": SIZE - 512}, "the job's reading of it says 3,145,728"),
    ],
    ids=["another source", "a hidden area", "larger than was read"],
)
def test_it_is_refused_before_the_first_byte(source: Path, tmp_path: Path, sizes: dict[str, int], words: str) -> None:
    folder = job(tmp_path, **sizes)
    before = sorted(folder.path.iterdir())
    ran = copied(tmp_path)
    assert ran.exit_code == 22
    assert words in ran.err
    assert "--acknowledge size" in ran.err
    assert not (tmp_path / "target.img").exists()
    assert sorted(folder.path.iterdir()) == before


@pytest.mark.parametrize("sizes", [{"capacity_bytes": SIZE}, {"capacity_bytes": None}], ids=["alike", "not known"])
def test_a_source_of_that_size_or_a_reading_without_one_goes_on(
    source: Path, tmp_path: Path, sizes: dict[str, int | None]
) -> None:
    job(tmp_path, **sizes)
    ran = copied(tmp_path, "--json", "--acknowledge", "size")
    assert ran.exit_code == 0, ran.err
    assert ran.json["acknowledged"] == []


def test_what_was_acknowledged_is_told_and_asked_for_once(source: Path, tmp_path: Path) -> None:
    folder = job(tmp_path, capacity_bytes=500_107_862_016)
    ran = copied(tmp_path, "--json", "--acknowledge", "size")
    assert ran.exit_code == 0, ran.err
    assert ran.json["acknowledged"] == ["size"]
    path = folder.path / "target.img.journal.json"
    interrupted = msgspec.structs.replace(load(Journal, path), phase="copying", copied=())
    path.write_bytes(encode(sealed(interrupted)))
    ran = copied(tmp_path, "--resume", "--json")
    assert ran.exit_code == 0, ran.err
    assert load(Receipt, folder.path / "target.img.receipt.json").acknowledged == ("size",)


def test_a_job_without_a_reading_has_nothing_to_compare(source: Path, tmp_path: Path) -> None:
    filed(tmp_path / "jobs", [])
    assert copied(tmp_path).exit_code == 0
    assert run(gate, "1042", "--jobs", tmp_path / "jobs").exit_code == 40
