"""Help speaks with one voice: the same sections and order under every command, and examples that run."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from drivecare.cli.command import HouseCommand, HouseGroup
from drivecare.cli.main import cli
from drivecare.exit_codes import ExitCode
from drivecare.hardware.machine import Machine
from tests.cli.bench import Ran, run
from tests.cli.recorded_bench import DEMO, bench, lay_out
from tests.cli.test_json_contract import CASES
from tests.cli.test_selftest import bench as selftest_bench
from tests.work.test_self_test import PASSED, ended

PROFILE = Path(__file__).parents[2] / "profiles" / "hosts" / "bay-m2-2280-nvme.toml"


def every_command(group: click.Group = cli, words: tuple[str, ...] = ()) -> Iterator[tuple[str, click.Command]]:
    """Each command and group below `group`, with the words that call it."""
    for name in group.list_commands(click.Context(group)):
        command = group.get_command(click.Context(group), name)
        assert command is not None
        yield " ".join((*words, name)), command
        if isinstance(command, click.Group):
            yield from every_command(command, (*words, name))


ALL = dict(every_command())
LEAVES = {words: command for words, command in ALL.items() if not isinstance(command, click.Group)}
EXAMPLES = [
    example
    for command in ALL.values()
    for example in (command.examples if isinstance(command, (HouseCommand, HouseGroup)) else ())
]


@cache
def help_of(words: str, width: int = 80) -> str:
    return CliRunner().invoke(cli, [*words.split(), "--help"], terminal_width=width).output


@pytest.mark.parametrize("words", LEAVES)
def test_the_sections_stand_in_one_order(words: str) -> None:
    command = LEAVES[words]
    assert isinstance(command, HouseCommand), "cls=HouseCommand, with ends= and examples="
    sections = re.findall(r"^(Usage|Options|Exit codes|  Example): ?", help_of(words), re.MULTILINE)
    assert list(dict.fromkeys(sections)) == ["Usage", "Options", "Exit codes", "  Example"]


@pytest.mark.parametrize("words", LEAVES)
def test_exit_codes_stand_one_to_a_line_by_number(words: str) -> None:
    table = help_of(words, width=100).split("Exit codes:\n")[1].split("\n\n")[0]
    numbers = [int(line.split()[0]) for line in table.splitlines()]
    assert numbers == sorted(set(numbers))
    assert {0, 2, 3} <= set(numbers) <= set(ExitCode)


@pytest.mark.parametrize(("line", "code"), [case[:2] for case in CASES], ids=[case[0] for case in CASES])
def test_what_a_command_ended_with_is_in_its_help(line: str, code: int) -> None:
    words = line.split()
    command = ALL[words[0]] if words[0] in LEAVES else ALL[" ".join(words[:2])]
    assert isinstance(command, HouseCommand)
    assert code in command.ends


@pytest.mark.parametrize("words", LEAVES)
def test_options_that_several_commands_have_come_last_in_one_order(words: str) -> None:
    shared = (
        "--allow-overwrite",
        "--allow-load",
        "--full",
        "--job",
        "--jobs",
        "--json",
        "--quiet",
        "--verbose",
        "--help",
    )
    options = re.findall(r"^  (?:-\w, )?(--[\w-]+)", help_of(words).split("Exit codes:")[0], re.MULTILINE)
    assert options == [*(each for each in options if each not in shared), *(each for each in shared if each in options)]
    assert {"--quiet", "--verbose", "--help"} <= set(options)


@pytest.mark.parametrize("words", ALL)
def test_nothing_is_said_in_the_words_of_the_parser(words: str) -> None:
    assert re.findall(r"\b(?:RANGE|INTEGER|FLOAT|BOOLEAN|PATH)\b|[<>]=?\d|\dx\b|\bx[<>]", help_of(words)) == []


def test_a_number_out_of_its_limits_is_answered_in_words() -> None:
    answers = {
        "readscan a --sample 0": "'0' is not a number above 0, up to 100.",
        "readscan a --sample nan": "'nan' is not a number above 0, up to 100.",
        "copy a b --retries 1.5": "'1.5' is not a whole number from 0 to 100.",
        "copy a b --stuck-after soon": "'soon' is not a number of 1 or more.",
        "job list --page 0": "'0' is not a whole number of 1 or more.",
    }
    for line, answer in answers.items():
        result = CliRunner().invoke(cli, line.split())
        assert (result.exit_code, result.output.endswith(f"{answer}\n")) == (2, True), result.output


@pytest.mark.parametrize("line", ["-v assess nosuch.txt", "assess nosuch.txt -v", "hosts -v show nosuch"])
def test_verbose_stands_before_the_command_or_after_it(line: str) -> None:
    run = subprocess.run([sys.executable, "-m", "drivecare", *line.split()], capture_output=True, text=True)
    assert run.returncode == 3
    assert "Traceback" in run.stderr


@pytest.mark.parametrize("words", ALL)
def test_an_example_stands_in_one_line_of_its_command(words: str) -> None:
    """At any width, so that it can be copied."""
    examples = re.findall(r"^  Example: (?:sudo )?drivecare (.*)$", help_of(words, width=40), re.MULTILINE)
    assert examples
    assert [example for example in examples if not example.startswith(words)] == []


# What an example ends with where that is not 0, by its first words.
ENDS = {
    "assess /dev/sdb": 12,
    "gate": 40,
    "records setup": 3,  # no server is there: tests/record/test_shared.py has one
    "doctor": 3,  # nothing is installed on the recorded machine
    "next 1042 --do": 3,  # nobody is there to answer: tests/cli/test_next_session.py types it at a terminal
}
# What is typed before it, where more is needed than the job, planned and both drives read, and the files of `place`.
BEFORE = {
    "verify --job": ["copy /dev/sdb /dev/sdc --job 1042"],
    "verify sdc.receipt.json": ["copy /dev/sdb /dev/sdc"],
    "contents": ["copy /dev/sdb disk.img"],
    "job move": ["job new 1043 --host CH-2103 --complaint x"],
    "job reopen": ["job close 1042 --not-started --old-drive kept --anyway x"],
    "job close": ["copy /dev/sdb /dev/sdc --job 1042", "job record 1042 detached"],
}
IN_JOB = [
    "job new 1042 --host CH-2103 --complaint x",
    "job record 1042 consent",
    "assess /dev/sdb --job 1042 --save old.json",
    "plan --job 1042",
    "assess /dev/sdc --as new --job 1042",
]


def furnish(folder: Path, patch: pytest.MonkeyPatch) -> Path:
    """Put the files that the examples name into a folder, with an empty record of jobs, and work there."""
    patch.chdir(folder)
    patch.setenv("DRIVECARE_JOBS", str(folder / "jobs"))
    patch.setenv("DRIVECARE_STOCK", str(folder / "stock.csv"))
    (folder / "report.txt").write_bytes((DEMO / "new-drive.txt").read_bytes())
    (folder / "2016-09-30.csv").write_text("date,serial_number,model,failure,smart_5_raw\n2016-09-30,X,M,0,3\n")
    (folder / "my-unit.toml").write_bytes(PROFILE.read_bytes())
    (folder / "mnt" / "old-drive").mkdir(parents=True)
    (folder / "mnt" / "old-drive" / "letter.txt").write_text("Dear Ann")
    (folder / "mnt" / "shop").mkdir()
    return folder


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return furnish(tmp_path, monkeypatch)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the job is planned and both drives read; each example gets a copy of its job."""
    with pytest.MonkeyPatch.context() as patch:
        folder = furnish(tmp_path_factory.mktemp("planned"), patch)
        run_before(IN_JOB, bench(lay_out(folder, names=("sdb", "sdc"))))
    return folder


def run_example(line: str, machine: Machine) -> Ran:
    words = shlex.split(line)
    assert words[0] == "drivecare"
    return run(cli, *words[1:], machine=machine)


def run_before(lines: list[str], machine: Machine) -> None:
    for line in lines:
        done = run_example(f"drivecare {line}", machine)
        assert done.exit_code in (0, 12, 20), done.err


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_runs(example: str, place: Path, planned: Path) -> None:
    line = re.sub(r" /(mnt|tmp)/", rf" {place}/\1/", example.removeprefix("sudo "))
    words = line.removeprefix("drivecare ")
    healthy = words.startswith("readscan")
    machine = bench(lay_out(place, names=("sdc", "sdb") if healthy else ("sdb", "sdc")))
    if words.startswith("selftest"):
        line, machine = line.replace("/dev/sdb", "/dev/sda"), selftest_bench(place, ended(PASSED))[0]
    else:
        if healthy:
            run_before(IN_JOB[:1], machine)
        elif not words.startswith("job new"):
            shutil.copytree(planned / "jobs", place / "jobs")
            shutil.copy2(planned / "old.json", place)
        run_before(next((lines for start, lines in BEFORE.items() if words.startswith(start)), []), machine)
    done = run_example(line, machine)
    expected = next((code for start, code in ENDS.items() if words.startswith(start)), 0)
    assert done.exit_code == expected, done.out + done.err
