"""What all revisions of a unit have alike is written once, in units/ beside their profiles."""

from __future__ import annotations

import tomllib
from collections import Counter
from importlib import resources
from pathlib import Path

import pytest

from drivecare.fit.host_catalogue import load_hosts, read_part_beside
from drivecare.fit.profile_check import check_profile
from tests.fit.samples import PROFILE

SHARING = PROFILE.replace('kind = "unit"', 'kind = "unit"\nshares = "testbox"')
PART = """
cautions = ["It is heavy."]

[[steps]]
phase = "open"
do = "Unplug it"

[[steps]]
id = "drive-out"
phase = "open"
do = "Pull the drive out"

[[symptoms]]
id = "hums"
says = "another hum"
words = ["hum"]
drive_likely = false
cause = "the fan"
source = "common practice, no source"

[[symptoms]]
id = "blinks"
says = "its light blinks"
words = ["blinks"]
drive_likely = true
cause = "the drive"
source = "common practice, no source"
"""
OWN_STEP = '\n[[steps]]\nid = "drive-out"\nphase = "open"\ndo = "Undo two screws and lift the drive out"\n'


def folder_with(folder: Path, profile: str = SHARING, part: str | None = PART) -> Path:
    (folder / "testbox-7.toml").write_text(profile)
    if part is not None:
        (folder / "units").mkdir()
        (folder / "units" / "testbox.toml").write_text(part)
    return folder


def test_a_profile_takes_the_steps_cautions_and_symptoms_of_its_unit(tmp_path: Path) -> None:
    """What the profile says itself comes after the unit's steps of that phase, and before its symptoms."""
    (profile,) = [host for host in load_hosts([folder_with(tmp_path)]).hosts if host.id == "testbox-7"]
    openings = [step.do for step in profile.steps if step.phase == "open"]
    assert openings == ["Unplug it", "Pull the drive out", "Take the lid off"]
    assert profile.cautions == ("It is heavy.", "The lid is sharp.")
    assert [symptom.id for symptom in profile.symptoms] == ["hums", "blinks"]
    assert profile.shares == "testbox"


def test_a_step_or_symptom_of_a_revision_replaces_the_units(tmp_path: Path) -> None:
    profile = SHARING + OWN_STEP
    (host,) = [host for host in load_hosts([folder_with(tmp_path, profile)]).hosts if host.id == "testbox-7"]
    openings = [step.do for step in host.steps if step.phase == "open"]
    assert openings == ["Unplug it", "Undo two screws and lift the drive out", "Take the lid off"]
    assert [(symptom.id, symptom.says) for symptom in host.symptoms] == [
        ("hums", "it hums"),
        ("blinks", "its light blinks"),
    ]


def test_a_shops_copy_of_a_profile_finds_the_part_that_ships(tmp_path: Path) -> None:
    shipped = resources.files("drivecare.profiles").joinpath("hosts", "corvane-hearth-21.toml").read_text()
    (tmp_path / "corvane-hearth-21.toml").write_text(shipped.replace("height_mm = 9.5", "height_mm = 12.7"))
    (ours,) = [host for host in load_hosts([tmp_path]).hosts if host.id == "corvane-hearth-21"]
    (theirs,) = [host for host in load_hosts().hosts if host.id == "corvane-hearth-21"]
    assert (ours.bay.height_mm, ours.steps) == (12.7, theirs.steps)


@pytest.mark.parametrize(
    ("profile", "part", "key", "reason"),
    [
        (SHARING, None, "shares", "there is no units/testbox.toml beside this profile, nor one that ships"),
        (SHARING, PART.replace('"Unplug it"', "7"), "shares", "units/testbox.toml: steps[0].do: must be text"),
        (SHARING, "steps = 3 3", "shares", "units/testbox.toml: is not valid TOML"),
        (SHARING, PART + OWN_STEP, "shares", "units/testbox.toml: steps[2].id: 'drive-out' appears twice"),
        (SHARING + OWN_STEP + OWN_STEP, PART, "steps[4].id", "'drive-out' appears twice"),
        (SHARING.replace('"testbox"', '"../testbox"'), PART, "shares", "lower-case letters"),
    ],
    ids=["missing", "of another type", "torn", "id twice in the part", "id twice", "path"],
)  # fmt: skip
def test_what_is_wrong_with_a_part_is_said(
    tmp_path: Path, profile: str, part: str | None, key: str, reason: str
) -> None:
    """By `hosts check`, and where profiles are loaded."""
    folder = folder_with(tmp_path, profile, part)
    read_part = read_part_beside(folder)
    (problem,) = check_profile(profile.encode(), origin="testbox-7.toml", read_part=read_part).problems
    assert (problem.key, reason in problem.reason) == (key, True), problem
    assert load_hosts([folder]).bad[0].problems == (f"{key}: {problem.reason}",)


def test_no_revision_repeats_a_step_or_symptom_of_its_unit() -> None:
    """In the files that ship."""
    files = [entry for entry in resources.files("drivecare.profiles").joinpath("hosts").iterdir() if entry.is_file()]
    tables = [tomllib.loads(entry.read_text()) for entry in files if entry.name.endswith(".toml")]
    for key, text in (("steps", "do"), ("symptoms", "says")):
        sentences = Counter(row[text] for table in tables for row in table.get(key, ()))
        assert [sentence for sentence, count in sentences.items() if count > 1] == []
