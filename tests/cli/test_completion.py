"""What the shell completes, through the protocol of each shell and once through bash itself."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from click.shell_completion import CompletionItem, ShellComplete

from drivecare.cli.main import cli
from drivecare.job.attestations import FACTS
from drivecare.record.folder import FolderRecord
from drivecare.work.attached_drives import AttachedDrive, AttachedDrives
from tests.job.carried import OPENING

TOOL = Path(sys.executable).with_name("drivecare")
DRIVES = AttachedDrives(
    drives=(
        AttachedDrive(path="/dev/sda"),
        AttachedDrive(path="/dev/sdb", model="Kestrel KD-500", serial="KX25-00417"),
    )
)


def complete(*words: str, typed: str = "") -> list[CompletionItem]:
    return ShellComplete(cli, {}, "drivecare", "_DRIVECARE_COMPLETE").get_completions(list(words), typed)


def values(*words: str, typed: str = "") -> list[str]:
    return [item.value for item in complete(*words, typed=typed)]


@pytest.fixture(autouse=True)
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two drives, two jobs and a folder with a report and another folder in it."""
    monkeypatch.setattr("drivecare.work.attached_drives.list_attached", lambda _: DRIVES)
    monkeypatch.setenv("DRIVECARE_JOBS", str(tmp_path / "jobs"))
    for id in ("1042", "1043"):
        FolderRecord(root=tmp_path / "jobs").create(msgspec.structs.replace(OPENING, id=id))
    (tmp_path / "shop" / "reports").mkdir(parents=True)
    (tmp_path / "shop" / "old.txt").touch()
    (tmp_path / "shop" / ".hidden").touch()
    monkeypatch.chdir(tmp_path / "shop")


@pytest.mark.parametrize(
    "words",
    [
        ("assess",),
        ("assess", "a.txt"),
        ("copy",),
        ("copy", "/dev/sda"),
        ("readscan",),
        ("selftest",),
        ("verify", "r.json"),
    ],
    ids=" ".join,
)
def test_a_drive_is_completed_where_one_is_typed(words: tuple[str, ...]) -> None:
    assert values(*words, typed="/d") == ["/dev/sda", "/dev/sdb"]
    assert values(*words, typed="/dev/sdb") == ["/dev/sdb"]
    assert [item.help for item in complete(*words, typed="/dev/")] == [None, "Kestrel KD-500 KX25-00417"]
    assert values(*words) == ["/dev/sda", "/dev/sdb", "old.txt", "reports/"]
    (files,) = complete(*words, typed="rep")
    assert (files.type, files.value) == ("file", "rep")


@pytest.mark.parametrize("option", ["--reading", "--candidate"])
def test_the_drives_of_a_plan_are_completed(option: str) -> None:
    assert values("plan", option, typed="/dev/") == ["/dev/sda", "/dev/sdb"]


@pytest.mark.parametrize(
    "words",
    [("gate",), ("job", "show"), ("job", "move", "1042", "3"), ("assess", "--job"), ("job", "change")],
    ids=" ".join,
)
def test_a_job_is_completed(words: tuple[str, ...]) -> None:
    assert values(*words) == ["1042", "1043"]
    assert values(*words, typed="1043") == ["1043"]


@pytest.mark.parametrize(
    "words", [("job", "new", "1", "--host"), ("job", "change", "1", "--host"), ("plan", "--host"), ("hosts", "show")]
)
def test_a_unit_is_completed_with_its_name(words: tuple[str, ...]) -> None:
    (unit,) = complete(*words, typed="corvane-hearth-21")
    assert unit.value == "corvane-hearth-21"
    assert unit.help


def test_symptoms_of_all_units_and_of_the_one_that_was_named() -> None:
    shared = values("job", "new", "1", "--symptom")
    assert "storage-error" in shared
    assert set(shared) <= set(values("job", "new", "1", "--host", "CH-2103", "--symptom"))
    assert values("plan", "--symptom", typed="storage-") == ["storage-error"]
    assert values("job", "new", "1", "--host", "no such unit", "--symptom") == []


def test_a_fact_is_completed() -> None:
    assert values("job", "record", "1042") == list(FACTS)
    assert values("job", "record", typed="10") == ["1042", "1043"]
    assert values("job", "record", typed="unread") == ["unreadable", "unread"]


def test_the_serial_number_that_a_person_vouches_for_is_never_offered() -> None:
    assert values("copy", "/dev/sda", "/dev/sdb", "--allow-overwrite") == []


def test_what_cannot_be_looked_up_is_not_completed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("DRIVECARE_JOBS", str(tmp_path / "file"))
    assert values("gate") == []

    def no_sysfs(_: object) -> AttachedDrives:
        raise OSError

    monkeypatch.setattr("drivecare.work.attached_drives.list_attached", no_sysfs)
    assert values("assess", typed="/dev/") == []


SHELLS = {
    "bash": ({"COMP_WORDS": "drivecare gate 104", "COMP_CWORD": "2"}, ["plain,1042", "plain,1043"]),
    "zsh": ({"COMP_WORDS": "drivecare gate 104", "COMP_CWORD": "2"}, ["plain", "1042", "_", "plain", "1043", "_"]),
    "fish": ({"COMP_WORDS": "drivecare gate 104", "COMP_CWORD": "104"}, ["plain,1042", "plain,1043"]),
}


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_gets_a_script_and_its_answers(shell: str) -> None:
    asking, answer = SHELLS[shell]
    ask = {**os.environ, "_DRIVECARE_COMPLETE": f"{shell}_source"}
    script = subprocess.run([TOOL], capture_output=True, text=True, env=ask, check=True).stdout
    assert f"_DRIVECARE_COMPLETE={shell}_complete" in script
    ask = {**os.environ, "_DRIVECARE_COMPLETE": f"{shell}_complete", **asking}
    assert subprocess.run([TOOL], capture_output=True, text=True, env=ask, check=True).stdout.splitlines() == answer


def test_bash_completes_a_job_with_the_script() -> None:
    lines = (
        f'eval "$(_DRIVECARE_COMPLETE=bash_source {TOOL})"',
        f"COMP_WORDS=({TOOL} gate 104) COMP_CWORD=2",
        f"_drivecare_completion {TOOL}",
        'echo "${COMPREPLY[@]}"',
    )
    done = subprocess.run(["bash", "-c", "\n".join(lines)], capture_output=True, text=True, check=True)
    assert done.stdout == "1042 1043\n"
    assert done.stderr == ""
