"""What README shows is what the tool does."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from drivecare.cli.main import COMMANDS, cli

HERE = Path(__file__).parent.parent
README = (HERE / "README.md").read_text("utf-8")
TYPED = re.findall(r"^(?:sudo )?(drivecare [^#\n]+)", README, re.MULTILINE)


@pytest.mark.parametrize("line", TYPED)
def test_every_command_line_parses(line: str) -> None:
    """Options and arguments exist; the commands themselves are not run."""
    _, name, *arguments = shlex.split(line)
    command: click.Command | None = cli
    context = click.Context(cli)
    for word in (name, *arguments[:1]):
        if isinstance(command, click.Group):
            command = command.get_command(context, word)
            assert command is not None, word
    assert command is not None
    if command.name != name:
        arguments = arguments[1:]
    command.make_context(command.name, [*arguments], resilient_parsing=False)


def test_the_shown_assessment_is_the_real_one() -> None:
    block = next(block for block in README.split("```") if "Kestrel KD-500" in block)
    report = HERE / "fixtures" / "demo" / "failing-drive.txt"
    real = CliRunner(env={"COLUMNS": "80"}).invoke(cli, ["assess", str(report)]).output.splitlines()
    shown = [line for line in block.strip().splitlines() if line.strip() and not line.startswith("read ")]
    assert [line for line in shown if line not in real] == []


def test_every_command_is_named() -> None:
    assert [
        name for name in COMMANDS if f"drivecare {name}" not in README and name not in ("verify", "hosts", "history")
    ] == []


def test_links_lead_somewhere() -> None:
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", README) if "://" not in link]
    assert [link for link in links if not (HERE / link).exists()] == []
