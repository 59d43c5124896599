"""What the documents say is true: the tests, files and rooms they name, the promises, the recorded session."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from tests.promises import PAGE, PROMISES, marked_tests, page
from tests.test_house import INNERMOST, ROOMS

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = (
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    *(f"docs/{path.name}" for path in (ROOT / "docs").glob("*.md")),
)
TOPS = "drivecare|tests|docs|profiles|fixtures|\\.ci"


def text_of(document: str) -> str:
    return (ROOT / document).read_text(encoding="utf-8")


@cache
def names_in(path: Path) -> set[str]:
    """`test_name`, `Class` and `Class::test_name` of a test file; in the bench's guests `check_name`."""
    names = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.ClassDef):
            names.add(node.name)
            names |= {f"{node.name}::{method.name}" for method in node.body if isinstance(method, ast.FunctionDef)}
    return names


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_test_named_exists(document: str) -> None:
    named = re.findall(r"(tests/[\w/]+\.py)::([\w:]+)", text_of(document))
    missing = {f"{file}::{name}" for file, name in named if name not in names_in(ROOT / file)}
    assert not missing
    if document == "docs/checks.md":
        assert len(named) > 20  # the pattern still finds what it is for


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_path_named_exists(document: str) -> None:
    """Paths from the project's root in backticks or prose, and the targets of links."""
    text = text_of(document)
    plain = {path.rstrip(".") for path in re.findall(rf"(?<![\w/.~-])((?:{TOPS})/[\w./-]*)", text)}
    links = re.findall(r"\]\((?!https?://|#)([^)#]+)", text)
    documents = {name for name in plain if re.fullmatch(r"drivecare/[A-Za-z-]+-\d", name)}
    missing = {name for name in plain - documents if not (ROOT / name).exists()}
    missing |= {name for name in links if not (ROOT / document).parent.joinpath(name).exists()}
    assert not missing


@pytest.mark.parametrize("line", re.findall(r"^\| .*`[A-Z]\w+`.*$", text_of("DEVELOPERS.md"), re.MULTILINE))
def test_every_name_in_the_guide_is_in_a_file_beside_it(line: str) -> None:
    files = [text_of(path) for path in re.findall(r"`([\w/]+\.py)`", line)]
    missing = [name for name in re.findall(r"`([A-Z]\w+)`", line) if not any(name in text for text in files)]
    assert not missing


def test_what_a_newcomer_reads_first_stays_short() -> None:
    assert len(text_of("DEVELOPERS.md").encode()) <= 8_000


def listed(cell: str) -> set[str]:
    """The names in a cell of the table of rooms."""
    names = {name.strip() for name in cell.split(",")} - {"nothing", "none"}
    return names - {"innermost"} | (INNERMOST if "innermost" in names else set())


def test_the_table_of_rooms_is_the_one_that_imports_are_held_to() -> None:
    _, *rows = re.findall(
        r"^\| (\S+) \| [^|]+ \| ([^|]+) \| ([^|]+) \|$", text_of("docs/architecture.md"), re.MULTILINE
    )
    assert {room.replace("\\", ""): (listed(ours), listed(packages)) for room, ours, packages in rows} == ROOMS


def test_the_diagram_of_the_rooms_says_what_the_table_says() -> None:
    """An arrow is an import that the table allows; what the table allows is reached by arrows.

    Devices stand below the commands and are out of their reach: `work` hands on the machine.
    """
    diagram = text_of("docs/architecture.md").split("```mermaid")[1].split("```")[0]
    arrows: dict[str, set[str]] = {}
    for upper, lower in re.findall(r"^ +(\w+) --> (\w+)$", diagram, re.MULTILINE):
        arrows.setdefault(upper, set()).add(lower)
    drawn = arrows.keys() | set().union(*arrows.values())

    def below(room: str) -> set[str]:
        return set().union(*({lower} | below(lower) for lower in arrows.get(room, ())))

    assert {room: lower - ROOMS[room][0] for room, lower in arrows.items() if lower - ROOMS[room][0]} == {}
    assert {room: ROOMS[room][0] & drawn for room in drawn} == {
        room: below(room) - ({"hardware"} if room == "cli" else set()) for room in drawn
    }


def test_every_promise_has_a_test_and_no_other_is_marked() -> None:
    assert {test.promise for test in marked_tests()} == set(range(1, len(PROMISES) + 1))


def test_the_page_of_promises_is_made_from_the_markers() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "make it anew: python -m tests.promises"


def alike(text: str, folder: Path) -> str:
    """The text without what differs from run to run and from screen to screen."""
    for pattern, instead in (
        (r"\s+", " "),  # first: a line may be wrapped anywhere
        (re.escape(f"{folder}{os.sep}"), ""),
        (r"\b\d{1,2} [A-Z][a-z]{2} \d{4} \d\d:\d\d\b", "TIME"),
        (r"\((just now|\d+ (minutes?|hours?))\)", "(AGE)"),
        (r"\d+ of \d+ missing", "SOME missing"),
        (r"\b[0-9a-f]{64}\b|(?<=sha256 )[0-9a-f]+", "DIGEST"),
        (r"(?<= by )[\w.-]+(?=:)", "PERSON"),
        # By the file system under the test.
        (r"(?<=read back )(past this machine's cache|after this machine's cache was dropped)", "METHOD"),
    ):
        text = re.sub(pattern, instead, text)
    return text.strip()


def typed_by_hand(lines: list[str]) -> list[str]:
    """The commands a person types: the first, and those after the demo."""
    commands = [line for line in lines if line.startswith("$ ")]
    after = next(number for number, line in enumerate(commands) if line.startswith("$ printf"))
    return commands[:1] + commands[after:]


def test_the_recorded_session_is_what_a_terminal_shows(tmp_path: Path) -> None:
    """Every line of docs/session.md is printed, in the same order, and every command stands there whole."""
    blocks = re.findall(r"^```console\n(.*?)^```$", text_of("docs/session.md"), re.DOTALL | re.MULTILINE)
    lines = [line for block in blocks for line in block.splitlines() if line and line != "..."]
    quiet = {name: value for name, value in os.environ.items() if not name.startswith("DRIVECARE_")}
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    shown = ""
    for command in typed_by_hand(lines):
        done = subprocess.run(
            ["sh", "-c", command.removeprefix("$ ")],
            cwd=tmp_path,
            env={**quiet, "PATH": path, "COLUMNS": "200"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=60,
            check=False,
        )
        shown += f"{command}\n{done.stdout}"
    commands = {alike(line, tmp_path) for line in shown.splitlines() if line.startswith("$ ")}
    assert [line for line in lines if line.startswith("$ ") and alike(line, tmp_path) not in commands] == []
    remaining = alike(shown, tmp_path)
    for line in lines:
        skipped, match, remaining = remaining.partition(alike(line, tmp_path))
        assert match, f"no longer printed after the line before it: {line}\nprinted instead: {skipped[:300]}"
