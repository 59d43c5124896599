"""No document a person may be handed uses up the machine, stops a command with a traceback or floods the screen.

Every hostile document of tests/hostile_documents.py against every command that reads one of its kind, in a process of
its own with limits on memory and time.
"""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest

from drivecare.cli.receipt_screen import show_receipt
from drivecare.cli.screen import Screen
from drivecare.transfer.sectors.receipt import Unreadable
from tests.hostile_documents import READERS
from tests.job.carried import NEW, OLD, device, receipt

MEMORY_BYTES = 1 << 30  # of address space; a command that does nothing takes 100 MB, the sheet 600 MB
SECONDS = 40  # on a busy machine; the slowest of them takes some 5 s on an idle one
MOST_OUTPUT = 64_000
CODES = {0, 2, 3, 10, 11, 12, 13, 20, 21, 22, 23, 30, 31, 40}
LIMITED = (
    f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({MEMORY_BYTES}, {MEMORY_BYTES}));"
    "from drivecare.cli.main import main; main()"
)

EVERY = [
    (kind, document, command)
    for kind, (documents, commands) in READERS.items()
    for document in documents
    for command in commands
]
# One of each fault that once did harm.
FEW = {
    ("receipt", "nested arrays", "verify"),
    ("profile", "nested arrays", "hosts list"),
    ("profile", "a dotted key of 200 kB", "hosts check"),
    ("bag receipt", "nested arrays", "verify"),
    ("journal", "one-byte chunks over a terabyte", "copy --resume"),
    ("table", "n/a", "assess-table"),
    ("stock list", "cells that mean nothing", "plan --stock"),
}


def run_limited(words: tuple[str, ...], folder: Path) -> subprocess.CompletedProcess[bytes]:
    """The command in the folder, as somebody with nothing of their own but the folder `hosts` there."""
    environment = {
        "HOME": str(folder),
        "PATH": "/usr/bin:/bin",
        "DRIVECARE_JOBS": str(folder / "jobs"),
        "DRIVECARE_HOSTS": "hosts" if (folder / "hosts").is_dir() else "",
        "PYTHONPATH": ":".join(sys.path),
        "LC_ALL": "C.UTF-8",
    }
    command = [sys.executable, "-c", LIMITED, *words]
    return subprocess.run(
        command, cwd=folder, env=environment, stdin=subprocess.DEVNULL, capture_output=True, timeout=SECONDS
    )


def check(kind: str, document: str, command: str, folder: Path) -> subprocess.CompletedProcess[bytes]:
    documents, commands = READERS[kind]
    done = run_limited(commands[command](folder, documents[document]()), folder)
    said = done.stdout + done.stderr
    assert b"Traceback" not in said, said[-3000:].decode()
    assert b"MemoryError" not in said, said[-3000:].decode()
    assert done.returncode in CODES, said[-3000:].decode()
    assert len(done.stderr) < MOST_OUTPUT, said[:3000].decode()
    assert len(done.stdout) < MOST_OUTPUT or kind == "table", said[:3000].decode()
    if done.returncode in (3, 22, 23):
        assert said.strip(), "an error without a word"
    return done


@pytest.mark.parametrize(("kind", "document", "command"), sorted(FEW), ids=lambda word: word.replace(" ", "-"))
def test_the_faults_that_once_did_harm(kind: str, document: str, command: str, tmp_path: Path) -> None:
    """Takes half a second each: limits need a process of their own."""
    check(kind, document, command, tmp_path)


@pytest.mark.promise(9)
@pytest.mark.slow
@pytest.mark.parametrize(("kind", "document", "command"), EVERY, ids=lambda word: word.replace(" ", "-"))
def test_every_hostile_document_against_every_command(kind: str, document: str, command: str, tmp_path: Path) -> None:
    check(kind, document, command, tmp_path)


def test_a_screen_shows_the_first_and_the_last_areas_and_how_many_there_are() -> None:
    areas = tuple(Unreadable(offset=number * 4096, length=512) for number in range(5_000))
    out = Screen(file=io.StringIO(), width=80)
    show_receipt(out, receipt(device(OLD, "/dev/x"), device(NEW, "/dev/y"), unreadable=areas, mismatched=areas))
    assert isinstance(out.file, io.StringIO)
    lines = out.file.getvalue().splitlines()
    assert lines.count("... 4,988 more areas, all in the receipt") == 2
    assert [line for line in lines if "unreadable: " in line][-1] == (
        "  unreadable: 512 bytes at byte 20,475,904, LBA 39,992"
    )
    assert len(lines) < 40
