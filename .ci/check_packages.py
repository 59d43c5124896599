"""Hold docs/packages.md and .ci/constraints.txt against what is installed: check_packages.py [--write]. Exit 1 if off.

Run in an environment made with the constraints, as .ci/run does: a newer package may word its licence differently.
"""

from __future__ import annotations

import argparse
import re
import sys
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs/packages.md"
CONSTRAINTS = ROOT / ".ci/constraints.txt"
BUILD = {"setuptools"}


def needed(name: str, extras: frozenset[str]) -> list[Requirement]:
    """What a package asks for on this machine."""
    requirements = [Requirement(line) for line in metadata.requires(name) or ()]
    return [
        requirement
        for requirement in requirements
        if not requirement.marker or any(requirement.marker.evaluate({"extra": extra}) for extra in extras | {""})
    ]


def brought(extras: frozenset[str]) -> dict[str, set[str]]:
    """Every package that comes with drivecare, and which ones ask for it."""
    askers: dict[str, set[str]] = {}
    visited: set[tuple[str, frozenset[str]]] = set()
    waiting = [("drivecare", extras)]
    while waiting:
        parent = waiting.pop()
        if parent in visited:
            continue
        visited.add(parent)
        for requirement in needed(*parent):
            name = canonicalize_name(requirement.name)
            if name != "drivecare":
                askers.setdefault(name, set()).add(parent[0])
            waiting.append((name, frozenset(requirement.extras)))
    return askers


def licence(name: str) -> str:
    """As the package's own metadata has it: the expression, else a one-line name, else the classifiers."""
    about = metadata.metadata(name)
    line = next((about[key] for key in ("License-Expression", "License") if key in about), "")
    if line and "\n" not in line and len(line) < 60:
        return line
    classifiers = [line for line in about.get_all("Classifier") or () if line.startswith("License ::")]
    return ", ".join(line.rpartition(" :: ")[2] for line in classifiers) or "not stated"


def table(packages: dict[str, set[str]]) -> str:
    """One row per package: its name, its licence, what brings it."""
    rows = [f"| {name} | {licence(name)} | {', '.join(sorted(packages[name]))} |" for name in sorted(packages)]
    return "\n".join(["| package | licence | asked for by |", "|---|---|---|", *rows])


def filled(page: str) -> str:
    """The page with both tables as they are now; the text around them stays."""
    run = brought(frozenset())
    work = {name: by for name, by in brought(frozenset({"dev"})).items() if name not in run}
    for mark, packages in (("run", run), ("dev", work)):
        page = re.sub(
            rf"(<!-- {mark} -->\n).*?(<!-- end -->)", rf"\g<1>{table(packages)}\n\g<2>", page, flags=re.DOTALL
        )
    return page


def pins_off() -> list[str]:
    """Packages of the developers' environment and of the build without a pin, and pins of nothing, one line each."""
    pinned = {
        canonicalize_name(line.partition("==")[0])
        for line in CONSTRAINTS.read_text("utf-8").splitlines()
        if not line.startswith("#")
    }
    needs_pin = set(brought(frozenset({"dev"}))) | BUILD
    return [f"without a pin in {CONSTRAINTS.name}: {name}" for name in sorted(needs_pin - pinned)] + [
        f"pinned for nothing in {CONSTRAINTS.name}: {name}" for name in sorted(pinned - needs_pin)
    ]


def main() -> int:
    """Compare, or write the tables anew."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--write", action="store_true", help="write the tables instead")
    page = PAGE.read_text("utf-8")
    now = filled(page)
    if parser.parse_args().write:
        PAGE.write_text(now, "utf-8")
        return 0
    off = pins_off()
    if now != page:
        off.append(f"{PAGE.name} is not what is installed; look at: python .ci/check_packages.py --write")
    print(*off, sep="\n", end="\n" if off else "")
    return bool(off)


if __name__ == "__main__":
    sys.exit(main())
