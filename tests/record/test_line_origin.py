"""A line kept for a list counts only for the code that would work it out alike."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from drivecare.record.line_origin import digest_code, line_origin

HOUSE = Path(__file__).parents[2] / "drivecare"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """Another tree of the same version."""
    return shutil.copytree(HOUSE, tmp_path / "drivecare", ignore=shutil.ignore_patterns("__pycache__"))


def test_trees_that_are_alike_share_lines(tree: Path) -> None:
    assert digest_code(tree) == line_origin()


@pytest.mark.parametrize("module", ["job/gate.py", "transfer/areas.py", "reading/identity.py", "clock.py"])
def test_another_rule_of_the_gate_has_lines_of_its_own(tree: Path, module: str) -> None:
    with (tree / module).open("a") as file:
        file.write("# changed\n")
    assert digest_code(tree) != line_origin()


def test_a_change_that_no_line_depends_on_costs_nothing(tree: Path) -> None:
    (tree / "cli/screen.py").write_text("")
    assert digest_code(tree) == line_origin()


def test_every_module_that_works_a_line_out_is_one_of_them(tree: Path) -> None:
    """Whatever is loaded with it counts: take each away, and the name is another."""
    code = "import drivecare.job.timeline, sys; print(*(n for n in sys.modules if n.startswith('drivecare.')))"
    names = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert len(names) > 50
    for name in names:
        path = tree.joinpath(*name.split(".")[1:])
        path = path.with_suffix(".py") if path.with_suffix(".py").exists() else path / "__init__.py"
        content = path.read_bytes()
        path.write_bytes(content + b"#")
        assert digest_code(tree) != line_origin(), name
        path.write_bytes(content)
