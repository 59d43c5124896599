"""The command table, and the boundary where an error becomes one line and an exit code."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path
from subprocess import PIPE

import click
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner

from drivecare.cli.main import COMMANDS, cli
from drivecare.job.model import Opening
from drivecare.record.folder import FolderRecord


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "drivecare.cli.main", *arguments], capture_output=True, text=True)


def test_help_lists_every_command_in_the_order_of_a_job() -> None:
    lines = CliRunner().invoke(cli, ["--help"]).output.partition("Exit codes:")[0].splitlines()
    names = [line.split()[0] for line in lines if line.startswith("  ") and line.split()[0] in COMMANDS]
    assert names == list(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_exists_and_shows_an_example(name: str) -> None:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    assert command.name == name
    result = CliRunner().invoke(cli, [name, "--help"])
    assert result.exit_code == 0
    assert f"drivecare {name}" in result.output


def test_breaking_off_what_cannot_be_continued_is_no_copy_stopped_midway() -> None:
    program = [sys.executable, "-m", "drivecare.cli.main", "assess-table", "-"]
    with subprocess.Popen(program, stdin=PIPE, stdout=PIPE, stderr=PIPE) as running:
        assert running.stdin is not None
        running.stdin.write(b"date,serial_number,model,capacity_bytes,failure,smart_5_raw\n")
        running.stdin.flush()
        while _waiting_bytes(running.stdin.fileno()):  # until the command has begun and reads on
            time.sleep(0.01)
        running.send_signal(signal.SIGINT)
        _, complaint = running.communicate(timeout=30)
    assert (running.returncode, complaint.strip()) == (3, b"drivecare: stopped; there is nothing to continue")


def _waiting_bytes(descriptor: int) -> int:
    """How much of what was written into a pipe nobody has read yet."""
    return int.from_bytes(fcntl.ioctl(descriptor, termios.FIONREAD, bytes(4)), sys.byteorder)


def test_help_imports_no_command_and_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['drivecare', '--help']\n"
        "from drivecare.cli.main import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'rich', 'tqdm', 'pySMART', 'psutil', 'jinja2', 'drawsvg', 'drivecare.reading.model'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.splitlines()[-1] == "[]"


def test_an_expected_error_is_one_line_on_stderr() -> None:
    result = run("copy-files", "/nonexistent/source", "/nonexistent/target")
    assert result.returncode == 3
    assert result.stdout == ""
    assert result.stderr == ("drivecare: /nonexistent/source: is not a folder. Name the mounted folder to copy from.\n")


def test_wrong_usage_is_2() -> None:
    assert run("copy-files").returncode == 2
    assert run("no-such-command").returncode == 2


def test_what_could_have_been_chosen_is_one_line() -> None:
    done = run("job", "close", "1042", "--started")
    assert (done.returncode, done.stderr.splitlines()[-1]) == (
        2,
        "Error: How did it end? Give --started or --not-started, and --old-drive: returned, kept, destroyed.",
    )


def test_a_closed_pipe_is_no_traceback() -> None:
    result = subprocess.run(
        f"{sys.executable} -m drivecare.cli.main --help | true", shell=True, capture_output=True, text=True
    )
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    ("words", "typed", "expected"),
    [
        (["gate"], "1", ["1042", "1043"]),
        (["gate"], "104", ["1042", "1043"]),
        (["job", "show"], "1043", ["1043"]),
        (["assess", "--job"], "", ["1042", "1043"]),
        (["job", "record", "1042"], "un", ["unlike-profile", "unreadable", "unread", "unchanged"]),
        (["job", "new"], "", []),
    ],
)
def test_the_shell_completes_jobs_and_facts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], typed: str, expected: list[str]
) -> None:
    monkeypatch.setenv("DRIVECARE_JOBS", str(tmp_path))
    for id in ("1042", "1043"):
        FolderRecord(root=tmp_path).create(
            Opening(id=id, opened_at="2026-11-25T10:00:00Z", host="h", label="H-1", complaint="x")
        )
    found = ShellComplete(cli, {}, "drivecare", "_DRIVECARE_COMPLETE").get_completions(words, typed)
    assert [item.value for item in found] == expected


def test_a_full_disk_under_the_output_is_one_line() -> None:
    with Path("/dev/full").open("w") as full:
        for arguments in (["--help"], ["hosts", "list"], ["hosts", "list", "--json"]):
            command = [sys.executable, "-m", "drivecare.cli.main", *arguments]
            done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True)
            assert done.returncode == 3
            assert done.stderr == (
                "drivecare: No space left on device. Check the path and its permissions; -v says more.\n"
            )


def test_what_is_typed_in_another_encoding_is_one_line(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "drivecare.cli.main", "job", "new", "1", "--jobs", str(tmp_path)]
    done = subprocess.run([*command, "--host", "CH-2103", "--complaint", b"caf\xe9"], capture_output=True, text=True)
    assert done.returncode == 3
    assert not list(tmp_path.iterdir())
    assert done.stderr == "drivecare: 'caf\\\\udce9': is not UTF-8 text. Rename it, or type it in UTF-8.\n"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_of_few_signs_shows_what_it_can(tmp_path: Path, encoding: str) -> None:
    (tmp_path / "drive.img").write_bytes(bytes(1 << 20))
    command = [sys.executable, "-m", "drivecare.cli.main", "readscan", str(tmp_path / "drive.img")]
    done = subprocess.run(command, capture_output=True, env={**os.environ, "PYTHONIOENCODING": encoding})
    assert done.returncode == 0, done.stderr
    assert b"READABLE" in done.stdout
