"""Job folders as somebody else may have left them: hostile names, links, changed results; one hides no other."""

from __future__ import annotations

import json
import os
import resource
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from drivecare.job.chain import CHAIN
from drivecare.record.job_folder import JobFolder
from tests.cli.test_job import drivecare
from tests.job.carried import OPENING, filed, same_route


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    """Two jobs that have read the same drive, and opened gates."""
    for id in ("1041", "1042"):
        filed(tmp_path, same_route(), opening=msgspec.structs.replace(OPENING, id=id, tool_version="0.2.0"))
    return tmp_path


@pytest.fixture
def little_memory() -> Iterator[None]:
    """512 MiB more than now for this process: counting up to a number in a name would need more."""
    limits = resource.getrlimit(resource.RLIMIT_AS)
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + (512 << 20), limits[1]))
    yield
    resource.setrlimit(resource.RLIMIT_AS, limits)


IMPOSSIBLE = [
    "0002-fact-99999999T999999Z.json",
    "9999999999-fact-20261125T120000Z.json",
    "100000-fact-20261125T120000Z.json",
    "0000-fact-20261125T120000Z.json",
    "00002-fact-20261125T120000Z.json",
    "٠٠٠٢-fact-20261125T120000Z.json",
    "0002-fact-S 1-20261125T120000Z.json",
    "0002-fact-\x1b[2J-20261125T120000Z.json",
    "9" * 200 + "-fact-20261125T120000Z.json",
    os.fsdecode(b"0002-fact-\xff-20261125T120000Z.json"),
]


@pytest.mark.usefixtures("little_memory")
@pytest.mark.parametrize("chained", [True, False], ids=["chained", "of 0.1.0"])
@pytest.mark.parametrize("name", IMPOSSIBLE, ids=ascii)
def test_an_impossible_name_shuts_its_own_gate_and_hides_nothing(jobs: Path, name: str, chained: bool) -> None:
    folder = jobs / "1041"
    if not chained:
        (folder / CHAIN).unlink()
        opening = next(folder.glob("0001-*"))
        opening.write_bytes(opening.read_bytes().replace(b'"0.2.0"', b"null"))
    (folder / name).write_text("{}")
    told = drivecare("gate", "1041", "--json", jobs=jobs)
    assert told.returncode == 40
    evidence = json.loads(told.stdout)["items"][0]["evidence"]
    assert evidence == f"{ascii(name)[1:-1]} is named like a result, but with an impossible number or time"
    listed = json.loads(drivecare("job", "list", "--json", jobs=jobs).stdout)["jobs"]
    assert [(line["id"], line["gate_open"], line["error"]) for line in listed] == [
        ("1041", False, None),
        ("1042", True, None),
    ]
    history = drivecare("history", "KX25-00417", "--json", jobs=jobs)
    assert [seen["job"] for seen in json.loads(history.stdout)["readings"]] == ["1041", "1042"]
    assert JobFolder(path=folder).file(same_route()[0]).name.startswith("0004-")


def test_the_highest_number_ends_a_job_in_one_line(jobs: Path) -> None:
    """In a job without a chain, where the next number follows the highest."""
    folder = jobs / "1041"
    (folder / CHAIN).unlink()
    (folder / "99999-fact-20261125T120000Z.json").write_bytes(next(folder.glob("0002-*")).read_bytes())
    done = drivecare("job", "record", "1041", "consent", jobs=jobs)
    assert done.returncode == 3
    assert done.stderr == (
        f"drivecare: {folder}: holds a result numbered 99,999, the highest number there is. "
        "Move it away if it is not the job's, or open another job.\n"
    )


@pytest.mark.parametrize("words", [("job", "show"), ("gate",), ("handover",), ("job", "export")], ids=" ".join)
def test_a_job_folder_that_is_a_link_is_refused(jobs: Path, words: tuple[str, ...], tmp_path: Path) -> None:
    (jobs / "1043").symlink_to(jobs / "1042")
    done = drivecare(*words, "1043", jobs=jobs)
    assert done.returncode == 22
    assert done.stderr == (
        f"drivecare: {jobs / '1043'}: is a link, not the folder of a job. Put the job's folder itself there.\n"
    )


def test_nothing_is_filed_through_a_link(jobs: Path) -> None:
    (jobs / "1043").symlink_to(jobs / "1042")
    before = sorted(path.name for path in (jobs / "1042").iterdir())
    assert drivecare("job", "record", "1043", "consent", jobs=jobs).returncode == 22
    with pytest.raises(Exception, match="is a link"):
        JobFolder(path=jobs / "1043").file(same_route()[0])  # as where the link is put there in the meantime
    assert sorted(path.name for path in (jobs / "1042").iterdir()) == before


def test_one_job_that_cannot_be_read_hides_no_other(jobs: Path) -> None:
    (jobs / "1043").symlink_to(jobs / "1042")
    (jobs / "\x1b[2J").mkdir()
    (jobs / "\x1b[2J" / CHAIN).touch()
    bad = next((jobs / "1041").glob("0003-*"))
    bad.write_text("{")
    listed = drivecare("job", "list", "--json", jobs=jobs)
    assert listed.returncode == 0
    errors = {line["id"]: line["error"] for line in json.loads(listed.stdout)["jobs"]}
    assert set(errors) == {"1041", "1042", "1043", "\\x1b[2J"}
    assert errors["1042"] is None
    assert errors["1041"].startswith(f"{bad}: is not valid JSON")
    assert errors["1043"].startswith(f"{jobs / '1043'}: is a link")
    assert errors["\\x1b[2J"].startswith("'\\x1b[2J' cannot name a job.")
    history = drivecare("history", "KX25-00417", jobs=jobs)
    assert history.returncode == 0
    assert "job 1042" in history.stdout
    assert f"not read: {bad}: is not valid JSON" in history.stderr
    assert f"not read: {jobs / '1043'}: is a link" in history.stderr
    assert "\x1b" not in history.stderr + listed.stdout


def test_a_removed_newest_result_is_named_where_a_person_looks(jobs: Path) -> None:
    newest = sorted((jobs / "1042").glob("0*"))[-1]
    newest.unlink()
    shown = drivecare("job", "show", "1042", jobs=jobs)
    assert f"records: {newest.name} is gone" in shown.stdout
    shown = drivecare("job", "show", "1042", "--full", jobs=jobs)
    assert f"Not as filed:\n  {newest.name} is gone\n" in shown.stdout
    assert json.loads(drivecare("job", "show", "1042", "--json", jobs=jobs).stdout)["faults"] == [
        f"{newest.name} is gone"
    ]
    gate = drivecare("gate", "1042", jobs=jobs)
    assert gate.returncode == 40
    assert "MISSING  records" in gate.stdout
    sheet = json.loads(drivecare("handover", "1042", "--json", jobs=jobs).stdout)
    assert "records" in sheet["missing"]


def test_a_missing_line_is_taken_up_with_a_reason(jobs: Path) -> None:
    path = jobs / "1042" / CHAIN
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))
    without = drivecare("job", "record", "1042", "chain-mended", jobs=jobs)
    assert without.returncode == 3
    assert "chain-mended needs a note." in without.stderr
    filed_on = drivecare("job", "record", "1042", "detached", jobs=jobs)
    assert filed_on.returncode == 0
    assert "has no line in the chain, since a result before it has none" in filed_on.stderr
    done = drivecare("job", "record", "1042", "chain-mended", "--note", "power cut at noon", "--json", jobs=jobs)
    assert done.returncode == 0
    assert json.loads(done.stdout)["about"] == "0003-0004"
    assert drivecare("gate", "1042", jobs=jobs).returncode == 0
    again = drivecare("job", "record", "1042", "chain-mended", "--note", "again", jobs=jobs)
    assert again.returncode == 3
    assert "there is nothing to mend" in again.stderr


def test_a_new_job_says_what_opened_it(tmp_path: Path) -> None:
    words = ("job", "new", "7", "--host", "corvane-hearth-21", "--complaint", "hangs", "--json")
    assert json.loads(drivecare(*words, jobs=tmp_path).stdout)["tool_version"]
    (tmp_path / "7" / CHAIN).unlink()
    gate = json.loads(drivecare("gate", "7", "--json", jobs=tmp_path).stdout)
    assert gate["items"][0]["evidence"] == "chain is missing: the job was opened with one"
