"""The live backend against a small program in its place: its text, its exit status, its time limit."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from drivecare.errors import Unavailable
from drivecare.hardware.backend import LiveBackend, find_program


def program(tmp_path: Path, script: str) -> str:
    path = tmp_path / "smartctl"
    path.write_text("#!/bin/sh\n" + script)
    path.chmod(0o755)
    return str(path)


def test_text_exit_status_and_both_streams_come_through(tmp_path: Path) -> None:
    backend = LiveBackend(program(tmp_path, 'echo "$@"; echo "a drawback" >&2; echo $LC_ALL; exit 72\n'))
    answer = backend.ask(("-x", "/dev/sdz"), limit_seconds=5)
    assert answer.text == "-x /dev/sdz\na drawback\nC\n"
    assert (answer.exit_status, answer.asked) == (72, ("-x", "/dev/sdz"))


@pytest.mark.parametrize(
    ("printed", "text"),
    [(r"2\342\200\231000", "2\u2019000"), (r"2\240000", "2\u00a0000")],
    ids=["UTF-8", "a single byte of an older encoding"],
)
def test_odd_bytes_survive(tmp_path: Path, printed: str, text: str) -> None:
    assert LiveBackend(program(tmp_path, f"printf '{printed}'\n")).ask((), limit_seconds=5).text == text


def is_dead(pid: int) -> bool:
    """Whether a process is gone, or waits only for its parent to notice."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def test_a_hung_drive_is_given_up_in_time_and_nothing_is_left_running(tmp_path: Path) -> None:
    pid = tmp_path / "pid"
    backend = LiveBackend(program(tmp_path, f"sleep 61.25 & echo $! > {pid}; wait\n"))
    started = time.monotonic()
    answer = backend.ask(("-x",), limit_seconds=0.3)
    assert time.monotonic() - started < 3
    assert answer.exit_status is None
    until = time.monotonic() + 5  # on a busy machine a killed process takes a while to die
    while not is_dead(int(pid.read_text())):
        assert time.monotonic() < until
        time.sleep(0.01)


def test_a_missing_program_says_what_to_install(tmp_path: Path) -> None:
    with pytest.raises(Unavailable) as caught:
        LiveBackend(str(tmp_path / "gone")).ask((), limit_seconds=1)
    assert "sudo apt install smartmontools" in caught.value.message()


def test_no_program_at_all_says_what_to_install() -> None:
    backend = LiveBackend("placeholder")
    backend.program = None
    with pytest.raises(Unavailable, match="smartmontools, which reads a drive's health, is not installed"):
        backend.ask((), limit_seconds=1)


def test_a_program_that_may_not_be_run(tmp_path: Path) -> None:
    path = tmp_path / "smartctl"
    path.write_text("no program")
    with pytest.raises(Unavailable, match="cannot be run"):
        LiveBackend(str(path)).ask((), limit_seconds=1)


def test_system_folders_are_searched_although_not_on_the_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    programs = [
        path for folder in ("/usr/local/sbin", "/usr/sbin", "/sbin") if (path := Path(folder) / "smartctl").exists()
    ]
    assert find_program() == (str(programs[0]) if programs else None)


@pytest.mark.parametrize("is_root", [True, False])
@pytest.mark.parametrize("entry", [".", "", "bin"])
def test_no_program_is_taken_from_the_folder_one_happens_to_be_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, entry: str, is_root: bool
) -> None:
    (tmp_path / "bin").mkdir()
    program(tmp_path, "touch hijacked\n")
    program(tmp_path / "bin", "touch hijacked\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PATH", entry)
    backend_path = find_program(is_root=is_root)
    assert backend_path is None or backend_path.startswith(("/usr/", "/sbin/"))


def test_root_runs_only_what_lies_in_the_systems_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = program(tmp_path, "exit 0\n")
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_program(is_root=False) == own
    assert find_program(is_root=True) != own


@pytest.mark.skipif(find_program() is None, reason="smartmontools is not installed")
def test_the_real_program_answers_as_when_called_by_hand() -> None:
    program = find_program()
    assert program is not None
    by_hand = subprocess.run([program, "-V"], capture_output=True, text=True, check=True, env={"LC_ALL": "C"})
    assert LiveBackend().ask(("-V",), limit_seconds=10).text == by_hand.stdout
