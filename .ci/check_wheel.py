"""Hold wheel and sdist against the source, file by file: check_wheel.py WHEEL SDIST. Exit 1 if one differs."""

from __future__ import annotations

import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BUILT = {"METADATA", "RECORD", "WHEEL", "entry_points.txt", "top_level.txt", "licenses/LICENSE"}
BESIDE = {
    ".gitignore",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "MANIFEST.in",
    "PKG-INFO",
    "README.md",
    "pyproject.toml",
    "setup.cfg",
}
FOR_TESTS = (".ci", "docs", "fixtures", "tests")  # in the sdist, so that the tests run from it


def source_files() -> Iterator[tuple[str, str]]:
    """Every file that is shipped: its path in the project and its path in the wheel."""
    folders = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]["package-dir"]
    for package, folder in folders.items():
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and path.suffix != ".pyc":
                inside = path.relative_to(ROOT / folder).as_posix()
                yield f"{folder}/{inside}", f"{package.replace('.', '/')}/{inside}"


def files_for_tests() -> Iterator[str]:
    """Every file that the sdist brings for whoever runs the tests."""
    for folder in FOR_TESTS:
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and path.suffix != ".pyc":
                yield path.relative_to(ROOT).as_posix()


def differences(archive: str, names: Iterable[str], expected: set[str]) -> list[str]:
    """What is missing and what does not belong, one line each."""
    files = {name for name in names if not name.endswith("/")}
    print(f"{archive}: {len(files)} files")
    lines = [f"missing from the {archive}: {name}" for name in sorted(expected - files)]
    return lines + [f"does not belong in the {archive}: {name}" for name in sorted(files - expected)]


def main(wheel: Path, sdist: Path) -> int:
    """Compare both; the wheel is named NAME-VERSION-TAGS.whl."""
    release = "-".join(wheel.name.split("-")[:2])
    in_project, installed = zip(*source_files(), strict=True)
    in_wheel = {*installed, *(f"{release}.dist-info/{name}" for name in BUILT)}
    lines = differences("wheel", zipfile.ZipFile(wheel).namelist(), in_wheel)
    with tarfile.open(sdist) as archive:
        names = [entry.name.removeprefix(f"{release}/") for entry in archive if entry.isfile()]
    written = [name for name in names if name.startswith("drivecare.egg-info/")]
    lines += differences("sdist", names, {*in_project, *files_for_tests(), *BESIDE, *written})
    print(*lines, sep="\n", end="\n" if lines else "")
    return bool(lines)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
