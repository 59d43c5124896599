"""All jobs of one record in another: byte for byte, whole or not at all, and there and back again."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest

from drivecare.job.chain import CHAIN, Audit
from drivecare.job.model import Opening
from drivecare.record.copy_record import copy_record
from drivecare.record.folder import FolderRecord
from drivecare.record.location import open_record
from drivecare.record.memory import MemoryRecord
from drivecare.record.port import Record
from tests.cli.test_job import drivecare
from tests.job.carried import OPENING, data_route, fact, same_route
from tests.record.test_port import OPENED_NOW


@pytest.fixture(params=["folder", "memory", pytest.param("shared", marks=pytest.mark.server)])
def other(request: pytest.FixtureRequest, tmp_path: Path) -> Record:
    if request.param == "shared":
        return open_record(request.getfixturevalue("cluster").empty_record())
    return MemoryRecord() if request.param == "memory" else FolderRecord(root=tmp_path / "other")


@pytest.fixture
def shop(tmp_path: Path) -> FolderRecord:
    """A record with a job of each route, and one as 0.1.0 left it, without a chain."""
    shop = FolderRecord(root=tmp_path / "jobs")
    for id, route in (("1041", same_route()), ("1042", data_route())):
        job = shop.create(msgspec.structs.replace(OPENED_NOW, id=id))
        for document in route:
            job.file(document)
    old = shop.create(OPENING_OF_OLD)
    old.file(fact("consent"))
    (old.path / CHAIN).unlink()
    return shop


OPENING_OF_OLD: Opening = msgspec.structs.replace(OPENING, id="0900", tool_version=None)


def content(root: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(root)): path.read_bytes()
        for path in root.rglob("*")
        if path.is_file() and path.name[0] != "."
    }


def test_there_and_back_again_every_byte_is_the_same(shop: FolderRecord, other: Record, tmp_path: Path) -> None:
    there = copy_record(shop, other)
    assert sorted(there.copied) == ["0900", "1041", "1042"]
    assert there.left_out == ()
    assert other.job("1042").read().audit() == Audit()
    back = FolderRecord(root=tmp_path / "back")
    assert sorted(copy_record(other, back).copied) == ["0900", "1041", "1042"]
    assert content(back.root) == content(shop.root)


def test_the_copy_goes_on_where_the_job_was(shop: FolderRecord, other: Record) -> None:
    copy_record(shop, other)
    path = other.job("1042").file(fact("detached"))
    assert other.job("1042").read().audit() == Audit()
    assert path.name.startswith(f"{len(data_route()) + 2:04}-fact-")


def test_done_again_it_changes_nothing_and_tells_what_differs(shop: FolderRecord, other: Record) -> None:
    copy_record(shop, other)
    shop.job("1041").file(fact("consent"))
    again = copy_record(shop, other)
    assert again.copied == ()
    assert sorted(again.present) == ["0900", "1042"]
    assert [(job.job, job.reason) for job in again.left_out] == [
        ("1041", "job 1041: is there with other results. Neither was changed: compare them by hand.")
    ]


def test_a_job_that_is_not_as_it_was_filed_is_left_out(shop: FolderRecord, other: Record) -> None:
    job = shop.job("1041")
    job.result_files()[1].path.unlink()
    done = copy_record(shop, other)
    assert sorted(done.copied) == ["0900", "1042"]
    (left_out,) = done.left_out
    assert left_out.job == "1041"
    assert "is gone" in left_out.reason
    assert "1041" not in other.ids()


def test_the_command_says_what_was_left_out(shop: FolderRecord, tmp_path: Path) -> None:
    words = ("records", "copy", str(shop.root), str(tmp_path / "copy"))
    assert drivecare(*words, jobs=tmp_path).stdout == "3 jobs copied, 0 there already, 0 left out.\n"
    shop.job("1041").file(fact("consent"))
    absent = drivecare("records", "copy", str(tmp_path / "absent"), str(tmp_path / "copy"), jobs=tmp_path)
    assert (absent.returncode, "is no folder of jobs" in absent.stderr) == (3, True)
    again = drivecare(*words, "--json", jobs=tmp_path)
    assert again.returncode == 23
    assert sorted(json.loads(again.stdout)["present"]) == ["0900", "1042"]
