"""How the house is kept: who may import what, what is done in one place only, how long and how named."""

from __future__ import annotations

import ast
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import drivecare
from drivecare.transfer import sectors

HOUSE = Path(drivecare.__file__).parent
INNERMOST = {"clock", "exit_codes", "errors", "documents", "visible", "shell", "format"}

# room: (our rooms it may import, packages from outside it may import). A room without a row fails the tests.
ROOMS: dict[str, tuple[set[str], set[str]]] = {
    "clock": (set(), set()),
    "exit_codes": (set(), set()),
    "errors": ({"exit_codes"}, set()),
    "visible": (set(), set()),
    "shell": (set(), set()),
    "format": (set(), set()),
    "documents": ({"errors", "visible", "shell"}, {"msgspec"}),
    "invoking_user": (set(), set()),
    "storage": ({"exit_codes", "errors", "invoking_user"}, set()),
    "reading": (INNERMOST, {"msgspec"}),
    "risk": (INNERMOST | {"reading"}, {"msgspec"}),
    "fit": (INNERMOST | {"reading"}, {"msgspec"}),
    "transfer": (INNERMOST | {"storage", "reading"}, {"blake3", "msgspec"}),
    "contents": (
        INNERMOST | {"reading", "transfer"},
        {"msgspec", "pyfsapfs", "pyfsext", "pyfsfat", "pyfshfs", "pyfsntfs", "pyfsxfs"},
    ),
    "job": (
        INNERMOST | {"storage", "reading", "risk", "fit", "transfer"},
        {"drawsvg", "jinja2", "markupsafe", "msgspec"},
    ),
    "record": (
        INNERMOST | {"invoking_user", "storage", "reading", "risk", "fit", "transfer", "job"},
        {"msgspec", "psycopg"},
    ),
    "hardware": (
        INNERMOST | {"storage", "reading", "transfer", "contents"},
        {"pySMART", "psutil", "pyseccomp", "msgspec"},
    ),
    "work": (
        INNERMOST | {"storage", "reading", "risk", "fit", "transfer", "contents", "job", "record", "hardware"},
        {"msgspec"},
    ),
    "cli": (
        INNERMOST
        | {
            "invoking_user",
            "storage",
            "reading",
            "risk",
            "fit",
            "transfer",
            "contents",
            "job",
            "record",
            "work",
            "schemas",
        },
        {"click", "rich", "tqdm", "psutil", "msgspec"},
    ),
    "__main__": ({"cli"}, set()),
    "schemas": (set(), {"msgspec"}),  # finds the documents by name, so it imports no room
}

# What the rooms that judge, plan and remember may know of `reading`: its types and vocabulary, none of its decoders.
VOCABULARY = {
    "model",
    "identity",
    "surface",
    "capacity",
    "counters",
    "health",
    "sequence",
    "statistics_row",
    "locale_numbers",
    "typed_text",
}
KNOW_NO_DECODER = ("risk", "fit", "transfer", "job")

# Rooms that decide and know. What they need of the outside is handed to them.
PURE = ("reading", "risk", "fit", "transfer/files", "contents")
TOUCHES_THE_MACHINE = {"subprocess", "socket", "ctypes", "fcntl", "mmap", "multiprocessing", "urllib", "http", "ssl"}


def files() -> list[Path]:
    return [path for path in sorted(HOUSE.rglob("*.py")) if path != HOUSE / "__init__.py"]


def room_of(path: Path) -> str:
    return path.relative_to(HOUSE).parts[0].removesuffix(".py")


@cache
def syntax(path: Path) -> ast.Module:
    """Every rule looks at every file; it is parsed once."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a file, walked once."""
    return tuple(ast.walk(syntax(path)))


@cache
def imports(path: Path) -> tuple[str, ...]:
    """Dotted names a file imports, those inside functions and under TYPE_CHECKING too."""
    return tuple(_imported(path))


def _imported(path: Path) -> Iterator[str]:
    for node in nodes(path):
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


@pytest.mark.promise(8)
@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_do_not_touch_the_machine(room: str) -> None:
    names = [name for path in (HOUSE / room).rglob("*.py") for name in imports(path)]
    used = {name.partition(".")[0] for name in names if not name.startswith("urllib.parse.")}
    assert used.isdisjoint(TOUCHES_THE_MACHINE)


# All that transfer/files may use of `os`: spelling of names and paths, which asks no file system.
SPELLING = {"fsencode", "fsdecode", "stat_result", "path"}
PATH_SPELLING = {"basename", "dirname", "isabs", "join", "normpath", "relpath"}


def test_file_copies_reach_the_machine_by_their_port_alone() -> None:
    for path in (HOUSE / "transfer" / "files").glob("*.py"):
        assert not {"drivecare.storage", "tempfile", "shutil"} & {name.rpartition(".")[0] for name in imports(path)}
        used = re.findall(r"\bos\.(?:path\.)?(\w+)", path.read_text(encoding="utf-8"))
        assert set(used) <= SPELLING | PATH_SPELLING, path


@pytest.mark.parametrize("room", KNOW_NO_DECODER)
def test_no_decoder_is_imported_by(room: str) -> None:
    names = {name.split(".")[2] for path in (HOUSE / room).rglob("*.py") for name in imports(path)
             if name.startswith("drivecare.reading.")}  # fmt: skip
    assert names <= VOCABULARY


# What a module of the planning half of `transfer` may import besides the innermost and the pure rooms.
PLANNING = {"transfer.areas", "transfer.counted", "transfer.holds", "transfer.interruption", "transfer.medium"}
WAITS_OR_WRITES = {"asyncio", "concurrent", "io", "os", "pathlib", "queue", "shutil", "tempfile", "threading", "time"}


def sector_modules() -> tuple[set[str], set[str]]:
    """The modules of `transfer.sectors` that plan, and those that run, as its own docstring lists them."""
    plan, run = (sectors.__doc__ or "").split("\n\nRun, ")
    return set(re.findall(r"^    (\w+) ", plan, re.M)), set(re.findall(r"^    (\w+) ", run, re.M))


def test_every_module_of_sector_copies_plans_or_runs() -> None:
    plan, run = sector_modules()
    assert plan.isdisjoint(run)
    assert plan | run == {path.stem for path in (HOUSE / "transfer/sectors").glob("[!_]*.py")}


@pytest.mark.parametrize(
    "module", ["../areas", "../counted", "../holds", "../interruption", *sorted(sector_modules()[0])]
)
def test_the_planning_half_of_transfer_decides_of_values_alone(module: str) -> None:
    plan = PLANNING | {f"transfer.sectors.{name}" for name in sector_modules()[0]}
    for name in imports(HOUSE / f"transfer/sectors/{module}.py"):
        top, _, ours = name.partition(".")
        assert top not in TOUCHES_THE_MACHINE | WAITS_OR_WRITES
        room = ours.split(".")[0]
        if top == "drivecare" and room not in {*INNERMOST, *PURE, "__version__"}:
            assert any(ours.startswith(f"{inner}.") for inner in plan), f"{module} plans, and imports {name}"


def test_no_module_hides_one_of_the_standard_library() -> None:
    names = {path.stem for path in files() if path.stem not in ("__init__", "__main__")}
    # Inside a package these cannot be mistaken by Python; they would only confuse a reader. Two stay: `copy` is the
    # command's own name, `numbers` is about nothing else.
    assert names & set(sys.stdlib_module_names) <= {"copy", "numbers"}


# Who else may make files, and why that is not for storage.py to do.
MAKES_FILES = {
    "hardware/held_folder.py": "makes what a bag holds, private, by the descriptor of its folder",
    "hardware/confinement.py": "makes the empty folder that becomes the parser's root, and removes it before that",
    "hardware/file_abilities.py": "tries out in a temporary folder what the target's file system can do",
    "schemas/__main__.py": "writes into the repository, for those who work on it",
}


MAKERS = ("mkdir", "makedirs", "touch", "write_text", "write_bytes", "mkstemp", "mkdtemp")


def makes_files(path: Path) -> Iterator[str]:
    """Calls by which a file makes files or folders."""
    for node in nodes(path):
        if not isinstance(node, ast.Call):
            continue
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        given = (*node.args, *(keyword.value for keyword in node.keywords))
        modes = [str(word.value) for word in given if isinstance(word, ast.Constant)]
        writes = any(re.fullmatch("[rb+t]*[wxa+][rb+t]*", mode) for mode in modes)
        creates = any(isinstance(name, ast.Attribute) and name.attr == "O_CREAT" for name in ast.walk(node))
        of_storage = bool(node.args) and isinstance(node.args[0], ast.Call)  # open(create_file(path), "wb")
        if called in MAKERS or (called == "open" and (creates or (writes and not of_storage))):
            yield f"line {node.lineno}: {called}"


@pytest.mark.promise(11)
@pytest.mark.parametrize("path", files(), ids=lambda path: str(path.relative_to(HOUSE)))
def test_files_are_made_in_one_place(path: Path) -> None:
    """So that each is private, durable, the invoking user's and replaces nothing: see storage.py."""
    name = str(path.relative_to(HOUSE))
    if name not in ("storage.py", *MAKES_FILES):
        assert list(makes_files(path)) == []


def test_who_makes_files_besides_still_does() -> None:
    assert [name for name in MAKES_FILES if not list(makes_files(HOUSE / name))] == []


@pytest.mark.parametrize("path", sorted((HOUSE / "cli").glob("*.py")), ids=lambda path: path.name)
def test_every_question_is_asked_in_one_place(path: Path) -> None:
    """So that each, broken off, ends alike: see `ask` in terminal.py."""
    asks = {"click.prompt", "click.confirm", "click.getchar", "click.pause"} & set(
        re.findall(r"click\.\w+", path.read_text(encoding="utf-8"))
    )
    assert asks == ({"click.prompt"} if path.name == "terminal.py" else set())


# What would read a document past the limits of drivecare/documents.py.
READS_DOCUMENTS = ("msgspec.json.decode", "msgspec.toml", "msgspec.convert", "json.load", "tomllib.load", "pickle.load")


@pytest.mark.promise(9)
@pytest.mark.parametrize("path", files(), ids=lambda path: str(path.relative_to(HOUSE)))
def test_documents_are_read_in_one_place(path: Path) -> None:
    """Where their size, depth and keys are bounded before a parser sees them."""
    used = [ast.unparse(node) for node in nodes(path) if isinstance(node, ast.Attribute)]
    around = [name for name in used if name.startswith(READS_DOCUMENTS)]
    assert around == [] or path.name == "documents.py"


# Words that say nothing about the thing they name.
VAGUE = frozenset(
    ("found", "one", "said", "told", "made", "known", "wanted", "is_", "was", "where", "here", "held", "it")
)
MOST_VAGUE = 0.005  # the share of all bindings that may be one of these
MOST_SHARED = 0.03  # the share of top-level names that may stand in more than one module
MOST_LINES_OF_A_FUNCTION = 50
MOST_LINES_OF_A_FILE = 400


def bindings(path: Path) -> Iterator[str]:
    """Names a file binds: variables, fields, parameters, functions."""
    for node in nodes(path):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id
        elif isinstance(node, ast.arg):
            yield node.arg
        elif isinstance(node, ast.FunctionDef):
            yield node.name


def top_level_names(path: Path) -> Iterator[str]:
    for node in syntax(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id


def test_names_say_what_they_name() -> None:
    bound = Counter(name for path in files() for name in bindings(path))
    vague = {name: bound[name] for name in VAGUE if name in bound}
    assert sum(vague.values()) <= MOST_VAGUE * bound.total(), vague


def test_a_name_stands_for_one_thing() -> None:
    homes = defaultdict(list)
    for path in files():
        for name in top_level_names(path):
            homes[name].append(str(path.relative_to(HOUSE)))
    shared = {name: modules for name, modules in homes.items() if len(set(modules)) > 1}
    assert len(shared) <= MOST_SHARED * len(homes), shared


@pytest.mark.parametrize("path", files(), ids=lambda path: str(path.relative_to(HOUSE)))
def test_functions_and_files_stay_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    lengths = {
        node.name: node.end_lineno - node.lineno + 1
        for node in nodes(path)
        if isinstance(node, ast.FunctionDef) and node.end_lineno
    }
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES_OF_A_FUNCTION} == {}
    assert text.count("\n") <= MOST_LINES_OF_A_FILE
