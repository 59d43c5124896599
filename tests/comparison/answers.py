"""What a tree says about every file in a folder: one line of JSON for each command, on standard output.

Run by `tests.comparison` in a process of its own, once for each tree: python answers.py TREE FOLDER
"""

from __future__ import annotations

import contextlib
import importlib.util
import io
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path

COMMANDS = (
    ("assess", "REPORT", "--json"),
    ("assess", "REPORT", "--as", "new", "--json"),
    ("assess", "REPORT", "--explain"),
)


def import_from(tree: Path) -> None:
    """Let `drivecare` and the data that is mapped into it come from this tree, whatever is installed."""
    sys.path.insert(0, str(tree))
    for name, folder in (("drivecare.profiles", "profiles"), ("drivecare.demo_data", "fixtures/demo")):
        place = tree / folder
        spec = importlib.util.spec_from_file_location(
            name, place / "__init__.py", submodule_search_locations=[str(place)]
        )
        assert spec is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)


def answer(arguments: tuple[str, ...]) -> tuple[int, str]:
    """The exit code of a command and all that it printed; of an error its message, as `main` would print it."""
    from drivecare.cli.main import cli
    from drivecare.errors import DriveCareError

    raw = io.BytesIO()
    output = io.TextIOWrapper(raw, encoding="utf-8", write_through=True)
    with contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
        try:
            code = cli(list(arguments), standalone_mode=False) or 0
        except SystemExit as end:
            code = int(end.code or 0)
        except DriveCareError as error:
            print(error.message())
            code = error.exit_code
        except Exception as error:  # a bug is an answer too
            print(f"{type(error).__name__}: {error}")
            code = -1
    return code, raw.getvalue().decode()


def answers(folder: Path) -> Iterator[dict[str, object]]:
    """Every command on every report, in order."""
    os.chdir(folder)
    for report in sorted(folder.iterdir()):
        for command in COMMANDS:
            code, printed = answer(tuple(report.name if word == "REPORT" else word for word in command))
            yield {"report": report.name, "command": " ".join(command), "exit_code": code, "printed": printed}


if __name__ == "__main__":
    import_from(Path(sys.argv[1]).resolve())
    results = sys.stdout
    for result in answers(Path(sys.argv[2]).resolve()):
        results.write(json.dumps(result) + "\n")
