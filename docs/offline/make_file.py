"""Make one file that brings drivecare to a bench without internet: make_file.py FILE.tar.gz

Run it from a checkout, on a machine with internet and pip. The file holds drivecare and every package it needs, for
Debian 12's Python 3.11 on a PC (x86-64). The bench needs neither pip nor venv, only Python:

    tar -xzf FILE.tar.gz -C /opt && ln -s /opt/drivecare/bin/drivecare /usr/local/bin/

Packages come as wheels alone, so nothing is compiled and nothing of theirs is run here.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
# Debian 12 has glibc 2.36; a wheel says the oldest it runs with (PEP 600).
GLIBC_MINORS = (*range(36, 16, -1), 12, 5)
PYTHON = ("--implementation", "cp", "--python-version", "3.11", "--abi", "cp311", "--abi", "abi3", "--abi", "none")
# A link to this leads to the folder it was unpacked into, wherever that is; -P keeps the working folder out.
LAUNCHER = """#!/bin/sh
PYTHONPATH="$(dirname "$(dirname "$(readlink -f "$0")")")/lib" exec python3 -P -m drivecare "$@"
"""


def pip(*arguments: str | Path) -> None:
    """Run this interpreter's pip; ends with its message where it fails."""
    subprocess.run([sys.executable, "-m", "pip", "--quiet", *map(str, arguments)], check=True)


def fill(folder: Path, wheels: Path) -> None:
    """Put drivecare and its packages, unpacked, and a launcher into `folder`."""
    pip("wheel", "--no-deps", "--wheel-dir", wheels, CHECKOUT)
    (wheel,) = wheels.glob("drivecare-*.whl")
    platforms = [f"--platform=manylinux_2_{minor}_x86_64" for minor in GLIBC_MINORS]
    pip("install", "--only-binary", ":all:", *PYTHON, *platforms, "--target", folder / "lib", wheel)
    launcher = folder / "bin" / "drivecare"
    (folder / "lib" / "bin").rename(launcher.parent)  # the packages' own commands name this machine's Python
    for command in launcher.parent.iterdir():
        command.unlink()
    launcher.write_text(LAUNCHER)
    launcher.chmod(0o755)


def owned_by_root(entry: tarfile.TarInfo) -> tarfile.TarInfo:
    """An entry of the file without this machine's names."""
    entry.uid = entry.gid = 0
    entry.uname = entry.gname = "root"
    return entry


def main(file: Path) -> None:
    """Make the file and say how large it is."""
    with tempfile.TemporaryDirectory() as name:
        fill(Path(name) / "drivecare", Path(name) / "wheels")
        with tarfile.open(file, "w:gz") as archive:
            archive.add(Path(name) / "drivecare", "drivecare", filter=owned_by_root)
    print(f"{file}: {file.stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
