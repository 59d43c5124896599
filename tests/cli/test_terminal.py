"""One module speaks to the terminal and one draws; every other must go through them, so that no text slips past."""

from __future__ import annotations

import ast
import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import drivecare.cli
from drivecare.cli.terminal import GuardedStream, guard_streams

ROOM = Path(drivecare.cli.__file__).parent
DOORS = {"terminal.py", "screen.py"}
BY_CLICK = {"echo", "secho", "style", "prompt", "confirm", "progressbar", "echo_via_pager", "get_text_stream", "pause"}
STREAMS = {"stdin", "stdout", "stderr", "__stdin__", "__stdout__", "__stderr__"}
ADVICE = "text leaves for a terminal through drivecare.cli.terminal: console(), notify(), ask(), progress_bar()"


def ways_around(tree: ast.Module) -> Iterator[str]:
    """Every place where a module speaks to the terminal by itself, or prints several lines as one."""
    for_types = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and isinstance(block.test, ast.Name) and block.test.id == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    for node in ast.walk(tree):
        line = getattr(node, "lineno", 0)
        if isinstance(node, ast.Import | ast.ImportFrom) and id(node) not in for_types:
            names = [alias.name for alias in node.names]
            modules = names if isinstance(node, ast.Import) else [node.module or ""]
            if {module.partition(".")[0] for module in modules} & {"rich", "tqdm"}:
                yield f"line {line} imports {modules[0]}"
            if isinstance(node, ast.ImportFrom) and node.module == "sys" and STREAMS & set(names):
                yield f"line {line} imports a stream"
            if isinstance(node, ast.ImportFrom) and node.module == "click" and BY_CLICK & set(names):
                yield f"line {line} imports what speaks"
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if (node.value.id, node.attr) in {("sys", name) for name in STREAMS} | {
                ("click", name) for name in BY_CLICK
            }:
                yield f"line {line} uses {node.value.id}.{node.attr}"
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in ("print", "input"):
                yield f"line {line} calls {node.func.id}"
            if isinstance(node.func, ast.Attribute) and node.func.attr == "print" and _has_line_feed(node):
                yield f"line {line} prints several lines as one: use print_lines"


def _has_line_feed(call: ast.Call) -> bool:
    return any(
        isinstance(node, ast.Constant) and isinstance(node.value, str) and "\n" in node.value for node in ast.walk(call)
    )


@pytest.mark.parametrize("path", sorted(ROOM.glob("*.py")), ids=lambda path: path.name)
def test_nothing_speaks_to_the_terminal_by_itself(path: Path) -> None:
    if path.name not in DOORS:
        assert list(ways_around(ast.parse(path.read_text("utf-8")))) == [], ADVICE


@pytest.mark.parametrize(
    "line",
    [
        "import click; click.echo(x)",
        "from click import echo",
        "print(x)",
        "import sys; sys.stderr.write(x)",
        "from rich.console import Console",
        "import tqdm",
        "out.print('\\n'.join(lines))",
    ],
)
def test_each_way_around_is_noticed(line: str) -> None:
    assert list(ways_around(ast.parse(line)))


def test_a_type_may_be_named() -> None:
    assert not list(ways_around(ast.parse("if TYPE_CHECKING:\n    from tqdm import tqdm")))


def test_whatever_else_is_written_is_made_visible(monkeypatch: pytest.MonkeyPatch) -> None:
    """A library's warning, a traceback's last line: whoever writes to a stream of the process."""
    taken = {name: io.BytesIO() for name in ("stdout", "stderr")}
    for name, buffer in taken.items():
        monkeypatch.setattr(sys, name, io.TextIOWrapper(buffer, encoding="latin-1"))
    guard_streams()
    guard_streams()  # a second time changes nothing
    assert isinstance(sys.stdout, GuardedStream)
    assert sys.stdout.write("a\x1b[2J\n\u202e\u2192\n") == 9
    print("\x9b5A", file=sys.stderr, flush=True)
    sys.stdout.flush()
    assert taken["stdout"].getvalue() == b"a\\x1b[2J\n\\u202e?\n"
    assert taken["stderr"].getvalue() == b"\\x9b5A\n"
