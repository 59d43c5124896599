"""What README shows is what the tool does."""

from __future__ import annotations

import html
import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from drivecare.cli.main import COMMANDS, cli
from tests.pictures import PICTURE, REPORT, draw_screen

HERE = Path(__file__).parent.parent
README = (HERE / "README.md").read_text("utf-8")
TYPED = re.findall(r"^(?:sudo |# +)?(drivecare (?:[^# \n]| (?! ))+)", README, re.MULTILINE)


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


def words_in(svg: str) -> str:
    """What a picture of a screen says, its lines in order."""
    texts = re.findall(r"<text[^>]*>([^<]*)</text>", svg)
    return " ".join(" ".join(html.unescape(text).replace("\xa0", " ") for text in texts).split())


def test_the_picture_of_the_screen_is_what_the_command_prints() -> None:
    shown = words_in(PICTURE.read_text("utf-8"))
    real = CliRunner(env={"COLUMNS": "80"}).invoke(cli, ["assess", str(REPORT)]).output
    assert shown == " ".join(f"$ drivecare assess {REPORT.name} {real}".split()), (
        "draw it anew: python -m tests.pictures"
    )
    assert shown == words_in(draw_screen())
    assert "EVACUATE" in shown
    assert "own verdict: PASSED" in shown
    assert str(PICTURE.relative_to(HERE)) in README


def test_the_job_is_told_in_ten_lines_as_next_leads_it() -> None:
    lines = README.split("## A job in ten lines")[1].split("```sh\n")[1].split("```")[0].splitlines()
    assert len(lines) == 10
    led = [" ".join(line.split()[2:4]) for line in lines[3:]]
    session = (HERE / "docs" / "next-session.md").read_text("utf-8")
    steps = [" ".join(line.split()[2:4]) for line in re.findall(r"^Next: .*$", session, re.MULTILINE)]
    steps = [step for step, before in zip(steps, ["", *steps], strict=False) if step != before]
    assert [step.split()[0] for step in led] == [step.split()[0] for step in steps[: len(led)]]


def test_every_command_is_named() -> None:
    assert [
        name for name in COMMANDS if f"drivecare {name}" not in README and name not in ("verify", "hosts", "history")
    ] == []


def test_links_lead_somewhere() -> None:
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", README) if "://" not in link]
    assert [link for link in links if not (HERE / link).exists()] == []
