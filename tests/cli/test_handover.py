"""`drivecare handover`: where the sheet goes and what is said of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from tests.cli.test_job import drivecare
from tests.job.carried import data_route, filed, same_route
from tests.job.rich_case import unfinished


def test_the_sheet_lies_in_the_job_and_can_be_written_again(tmp_path: Path) -> None:
    job = filed(tmp_path, same_route())
    for _ in range(2):
        done = drivecare("handover", "1042", "--shop", "Lantern Street Repairs", jobs=tmp_path)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.splitlines() == [
            f"{job.path / 'handover.html'}",
            "",
            "the gate is open and the sheet is written: say how it ended",
            "Next: drivecare job close 1042",
        ]
    assert "Lantern Street Repairs" in (job.path / "handover.html").read_text()


def test_a_shut_gate_is_no_hindrance_and_is_said(tmp_path: Path) -> None:
    filed(tmp_path, unfinished())
    output = tmp_path / "out.html"
    done = drivecare("handover", "1042", "--output", str(output), "--json", jobs=tmp_path)
    told = json.loads(done.stdout)
    assert done.returncode == 0
    assert (told["schema"], told["path"], told["gate_open"]) == ("drivecare/handover-1", str(output), False)
    assert "consent" in told["missing"]
    assert "The work on your unit is not finished." in output.read_text()


def test_a_sheet_written_elsewhere_lies_in_the_job_too_so_that_what_comes_next_is_known(tmp_path: Path) -> None:
    job = filed(tmp_path / "jobs", same_route())
    output, own = tmp_path / "out.html", job.path / "handover.html"
    done = drivecare("handover", "1042", "--output", str(output), jobs=tmp_path / "jobs")
    assert done.stdout.splitlines() == [str(output)]
    assert drivecare("next", "1042", jobs=tmp_path / "jobs").stdout.splitlines()[-2:] == [
        "the gate is open and the sheet is written: say how it ended",
        "Next: drivecare job close 1042",
    ]
    assert own.read_bytes() == output.read_bytes()


def test_a_sheet_is_out_of_date_once_a_result_is_filed_be_it_in_the_same_second(tmp_path: Path) -> None:
    filed(tmp_path, same_route())
    assert drivecare("handover", "1042", jobs=tmp_path).returncode == 0
    noted = drivecare("job", "record", "1042", "note", "--note", "a scratch on the lid", jobs=tmp_path)
    assert noted.stdout.splitlines()[-1] == "Next: drivecare handover 1042"


@pytest.mark.promise(11)
def test_a_sheet_in_the_job_that_somebody_wrote_into_stays_theirs(tmp_path: Path) -> None:
    job = filed(tmp_path / "jobs", same_route())
    own = job.path / "handover.html"
    own.write_text("mine")
    done = drivecare("handover", "1042", "--output", str(tmp_path / "out.html"), jobs=tmp_path / "jobs")
    assert done.returncode == 0
    assert done.stderr.startswith("The job's own sheet stays as it was: ")
    assert own.read_text() == "mine"


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    filed(tmp_path / "jobs", same_route())
    assert drivecare("handover", "1042", "--output", "/nonexistent/x.html", jobs=tmp_path / "jobs").returncode == 3


def test_labels_are_of_the_job_that_the_environment_names_and_of_none_unasked(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route())
    unnamed = drivecare("job", "label", jobs=tmp_path)
    assert unnamed.returncode == 2
    assert "Which job? Name its ID, or set DRIVECARE_JOB." in unnamed.stderr
    done = CliRunner().invoke(cli, ["job", "label", "--jobs", str(tmp_path)], env={"DRIVECARE_JOB": "1042"})
    assert done.exit_code == 0
    assert (job.path / "labels.html").exists()


def test_labels_lie_in_the_job_and_can_be_written_again_unless_somebody_changed_them(tmp_path: Path) -> None:
    job = filed(tmp_path, data_route())
    page = job.path / "labels.html"
    for _ in range(2):
        done = drivecare("job", "label", "1042", jobs=tmp_path)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout == f"{page}   old KX25-00417, new PM6-311842\n"
    page.write_text(page.read_text().replace("OLD", "MINE"))
    assert drivecare("job", "label", "1042", jobs=tmp_path).returncode == 22
    assert "MINE" in page.read_text()
    assert drivecare("gate", "1042", jobs=tmp_path).returncode in (0, 40)  # the page is none of the job's results
