"""Who may import what: knowledge points inward, the machine is touched in one room, only cli speaks to a terminal."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import drivecare

HOUSE = Path(drivecare.__file__).parent
INNERMOST = {"errors", "documents"}

# room: (our rooms it may import, packages from outside it may import). A room without a row fails the tests.
ROOMS: dict[str, tuple[set[str], set[str]]] = {
    "errors": (set(), set()),
    "documents": ({"errors"}, {"msgspec"}),
    "invoking_user": (set(), set()),
    "storage": ({"errors", "invoking_user"}, set()),
    "reading": (INNERMOST, {"msgspec"}),
    "risk": (INNERMOST | {"reading"}, {"msgspec"}),
    "fit": (INNERMOST | {"reading"}, {"msgspec"}),
    "transfer": (INNERMOST | {"storage", "reading"}, {"msgspec"}),
    "job": (
        INNERMOST | {"storage", "reading", "risk", "fit", "transfer"},
        {"jinja2", "markupsafe", "matplotlib", "msgspec"},
    ),
    "hardware": (INNERMOST | {"storage", "reading", "transfer"}, {"pySMART", "psutil", "msgspec"}),
    "cli": (
        INNERMOST | {"invoking_user", "storage", "reading", "risk", "fit", "transfer", "job", "hardware", "schemas"},
        {"click", "rich", "tqdm", "psutil", "msgspec"},
    ),
    "__main__": ({"cli"}, set()),
    "schemas": (set(), {"msgspec"}),  # finds the documents by name, so it imports no room
}

# Rooms that decide and know. What they need of the outside is handed to them.
PURE = ("reading", "risk", "fit")
TOUCHES_THE_MACHINE = {"subprocess", "socket", "ctypes", "fcntl", "mmap", "multiprocessing", "urllib", "http", "ssl"}


def files() -> list[Path]:
    return [path for path in sorted(HOUSE.rglob("*.py")) if path != HOUSE / "__init__.py"]


def room_of(path: Path) -> str:
    return path.relative_to(HOUSE).parts[0].removesuffix(".py")


def imports(path: Path) -> Iterator[str]:
    """Dotted names a file imports, those inside functions and under TYPE_CHECKING too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides its room"
            assert node.module is not None
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_every_room_has_a_row() -> None:
    assert {room_of(path) for path in files()} == set(ROOMS)


@pytest.mark.parametrize("path", files(), ids=lambda path: str(path.relative_to(HOUSE)))
def test_imports_point_inward(path: Path) -> None:
    room = room_of(path)
    rooms, packages = ROOMS[room]
    for name in imports(path):
        top, _, rest = name.partition(".")
        if top == "drivecare":
            inner = rest.split(".")[0]
            if inner == "__version__":
                continue
            assert inner == room or inner in rooms, f"{room} may not import {name}"
        elif top not in sys.stdlib_module_names:
            assert top in packages, f"{room} may not import the package {top}"


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_do_not_touch_the_machine(room: str) -> None:
    used = {name.partition(".")[0] for path in (HOUSE / room).rglob("*.py") for name in imports(path)}
    assert used.isdisjoint(TOUCHES_THE_MACHINE)


def test_no_module_hides_one_of_the_standard_library() -> None:
    names = {path.stem for path in files() if path.stem not in ("__init__", "__main__")}
    # Inside a package these cannot be mistaken by Python; they would only confuse a reader. Two stay: `copy` is the
    # command's own name, `numbers` is about nothing else.
    assert names & set(sys.stdlib_module_names) <= {"copy", "numbers"}
