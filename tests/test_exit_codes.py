"""One table of exit codes: README and `--help` show it, and no number stands anywhere else."""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

import drivecare
from drivecare.cli.main import cli
from drivecare.exit_codes import ExitCode, worst

HOUSE = Path(drivecare.__file__).parent
README = (HOUSE.parent / "README.md").read_text("utf-8")


def test_the_numbers_are_those_of_the_contract() -> None:
    """What scripts rely on; a number here changes only with a reason and everywhere at once."""
    assert {code.name: code.value for code in ExitCode} == {
        "DONE": 0,
        "USAGE": 2,
        "ERROR": 3,
        "RECHECK": 10,
        "REPLACE": 11,
        "EVACUATE": 12,
        "UNPROVEN": 13,
        "PARTIAL": 20,
        "MISMATCH": 21,
        "REFUSED": 22,
        "INTERRUPTED": 23,
        "NONE_FITS": 30,
        "FACTS_MISSING": 31,
        "GATE_SHUT": 40,
    }


def test_the_readme_shows_the_table() -> None:
    _, _, chapter = README.partition("## Exit codes\n")
    rows = re.findall(r"^\| (\d+) \| (.*) \|$", chapter.partition("\n## ")[0], re.MULTILINE)
    assert [(int(number), meaning) for number, meaning in rows] == [(code.value, code.meaning) for code in ExitCode]


def test_help_shows_the_table() -> None:
    _, _, text = CliRunner().invoke(cli, ["--help"]).output.partition("Exit codes:\n")
    rows = [line.strip().split(maxsplit=1) for line in text.splitlines() if line.strip()]
    assert [(int(number), meaning) for number, meaning in rows] == [(code.value, code.meaning) for code in ExitCode]


@pytest.mark.parametrize(
    "order",
    [
        (ExitCode.EVACUATE, ExitCode.REPLACE, ExitCode.UNPROVEN, ExitCode.ERROR, ExitCode.RECHECK, ExitCode.DONE),
        (ExitCode.INTERRUPTED, ExitCode.MISMATCH, ExitCode.PARTIAL, ExitCode.DONE),
    ],
    ids=["drives", "copies"],
)
def test_the_worst_of_several_counts(order: tuple[ExitCode, ...]) -> None:
    for worse, better in itertools.combinations(order, 2):
        assert worst([better, worse, better]) is worse


def outcomes(value: ast.expr | None) -> Iterator[ast.expr]:
    """Every value an expression can give, as far as it says so itself."""
    if isinstance(value, ast.IfExp):
        yield from (*outcomes(value.body), *outcomes(value.orelse))
    elif isinstance(value, ast.Dict):
        for entry in value.values:
            yield from outcomes(entry)
    elif value is not None:
        yield value


def ending_values(node: ast.AST) -> list[ast.expr | None]:
    """What `node` ends a process with, or calls an exit code."""
    if isinstance(node, ast.Call) and ast.unparse(node.func) in ("sys.exit", "click.exceptions.Exit"):
        return [*node.args]
    if isinstance(node, ast.keyword) and node.arg in ("exit_code", "expect"):
        return [node.value]
    if isinstance(node, ast.FunctionDef) and node.name.endswith("exit_code"):
        return [part.value for part in ast.walk(node) if isinstance(part, ast.Return)]
    if isinstance(node, ast.Assign | ast.AnnAssign):
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        if {ast.unparse(target).lower() for target in targets} & {"code", "exit_code", "exit_codes"}:
            return [node.value]
    return []


def bare_numbers(source: str) -> list[str]:
    return [
        f"line {outcome.lineno}: {outcome.value}"
        for node in ast.walk(ast.parse(source))
        for value in ending_values(node)
        for outcome in outcomes(value)
        if isinstance(outcome, ast.Constant) and type(outcome.value) is int
    ]


@pytest.mark.parametrize(
    "source",
    [
        "sys.exit(3)",
        "raise click.exceptions.Exit(40 if shut else 0)",
        "finish(document, exit_code=12)",
        "class Full(Refused):\n    exit_code = 22",
        "EXIT_CODES: dict[str, int] = {'refit': 0}",
        "def exit_code(self) -> int:\n    return 20",
    ],
)
def test_a_bare_number_is_noticed(source: str) -> None:
    assert bare_numbers(source)


@pytest.mark.parametrize("path", sorted(HOUSE.rglob("*.py")), ids=lambda path: str(path.relative_to(HOUSE)))
def test_no_exit_code_is_a_bare_number(path: Path) -> None:
    assert bare_numbers(path.read_text("utf-8")) == []
