"""Labels for the drives of a job: each says which job, old or new, which serial number, and the day."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivecare.documents import Value
from drivecare.errors import BadInput
from drivecare.job.label import list_labels, render_labels
from tests.job.carried import NEW, OLD, data_route, fact, same_route
from tests.job.rich_case import HOSTILE, hostile, opened
from tests.job.test_sheet import Page


@pytest.mark.parametrize(
    ("documents", "labels"),
    [
        (data_route(), [("old", OLD.serial), ("new", NEW.serial)]),
        (same_route(), [("old", OLD.serial)]),
        ([fact("consent"), fact("dead-drive", "KX25-00417")], [("old", "KX25-00417")]),
    ],
    ids=["old and new", "old alone", "a dead drive, by its label"],
)
def test_a_label_for_each_drive_that_the_job_knows(
    tmp_path: Path, documents: list[Value], labels: list[tuple[str, str]]
) -> None:
    job = opened(tmp_path, documents)[1]
    assert [(label.role, label.serial) for label in list_labels(job)] == labels
    text = " ".join(Page(render_labels(job, list_labels(job))).text.split())
    for role, serial in labels:
        assert re.search(rf"1042 {role.upper()} .*{serial}.*25 November 2026", text), text


def test_a_job_that_knows_no_drive_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"job 1042: knows no drive yet\. Read one first: .*assess DRIVE --job 1042"):
        list_labels(opened(tmp_path, [fact("consent")])[1])


def test_what_a_drive_says_becomes_no_markup(tmp_path: Path) -> None:
    job = opened(tmp_path, hostile())[1]
    html = render_labels(job, list_labels(job))
    assert HOSTILE[:8] not in html
    assert {tag for tag, _ in Page(html).tags} & {"script", "img"} == set()
