"""What drivecare promises, and docs/promises.md: made from the markers on the tests that hold the promises.

python -m tests.promises     writes the page anew
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from textwrap import fill
from typing import NamedTuple

TESTS = Path(__file__).parent
PAGE = TESTS.parent / "docs" / "promises.md"

PROMISES = (
    (
        "The source is never written",
        "It is opened for reading only, refused while it or a partition of it is in use in any way, set read-only in "
        "the kernel while a copy runs, and given back as it was, even after a kill.",
    ),
    (
        "“Verified” means read back",
        "It is said only of bytes that were read back past this machine's cache, in one pass after the last write and "
        "flush, with the method named.",
    ),
    (
        "Three states of an area, three states of a value",
        "“Could not read”, “read wrong” and “not read yet” are never mixed up; nor are absent, zero and unreadable.",
    ),
    (
        "A verdict names its evidence and its limits",
        "A clean reading is the base rate, not safety. A report that cannot be read or believed is `unproven`: never "
        "healthy, never failing.",
    ),
    (
        "Nothing is written or let through that a person has not vouched for",
        "A target is written only after every guard has passed, and overwriting needs its serial number or path typed. "
        "The gate opens only when everything it asks for is filed, and source and clone are detached from each other.",
    ),
    (
        "Any interruption can be resumed, with the same result",
        "A signal, a power cut, an unplugged drive or a full disk leaves a journal from which the copy continues.",
    ),
    (
        "Memory does not grow with the drive",
        "It is bounded whatever the size, and the time a job takes is the medium's.",
    ),
    (
        "Nothing leaves the machine",
        "No connection is opened, by the tool or by a page it writes. `tests/conftest.py` refuses every connection in "
        "the fast tests.",
    ),
    (
        "What comes from outside is data",
        "A drive's words, file names, notes and documents are never followed and never run, and are shown escaped.",
    ),
    (
        "Results are added, never changed",
        "Each result of a job is chained to the one before it; one that was removed, renamed, altered or slipped in is "
        "named.",
    ),
    (
        "Nothing is overwritten, deleted or opened to others unasked",
        "Only what the person named is replaced or removed, and what holds a customer's data is readable by its owner "
        "alone.",
    ),
)

INTRODUCTION = """# What drivecare promises, and the tests that keep it so

Made by `python -m tests.promises` from the markers `@pytest.mark.promise(NUMBER)` on the tests; a test fails when
this page is out of date. In `tests/bench/guests`, which runs inside an emulated machine, the marker is
`@promise(NUMBER)`.
"""


class MarkedTest(NamedTuple):
    """A test that holds a promise."""

    promise: int
    file: str
    name: str


def marked_tests() -> Iterator[MarkedTest]:
    """Find every marker, by the source text alone, so that no rig and no package is needed."""
    for path in sorted(TESTS.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if "promise(" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef):
                for decorator in node.decorator_list:
                    if isinstance(decorator, ast.Call) and ast.unparse(decorator.func) in (
                        "pytest.mark.promise",
                        "promise",
                    ):
                        number = ast.literal_eval(decorator.args[0])
                        yield MarkedTest(number, str(path.relative_to(TESTS.parent)), node.name)


def page() -> str:
    """The text of docs/promises.md."""
    marked = list(marked_tests())
    lines = [INTRODUCTION]
    for number, (title, words) in enumerate(PROMISES, start=1):
        lines += [f"## {number}. {title}", "", fill(words, 120), ""]
        for file in sorted({test.file for test in marked if test.promise == number}):
            names = [test.name for test in marked if test.promise == number and test.file == file]
            states = "; ".join(name.removeprefix("test_").removeprefix("check_").replace("_", " ") for name in names)
            lines.append(f"- `{file}`: {states}")
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
