"""What the commands leave on a disk: readable by its owner alone, who is whoever typed the command, also under sudo."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivecare.cli.main import cli
from tests.cli.bench import run

NOBODY = 65534
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def workplace(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder in which one of each command ran, as root for another user where the tests run as root."""
    folder = tmp_path_factory.mktemp("work")
    jobs = ("--jobs", folder / "jobs")
    in_job = ("--job", "7", *jobs)
    reading = ROOT / "fixtures/demo/failing-drive.txt"
    (folder / "source.img").write_bytes(b"customer" * 1024)
    with (folder / "scanned.img").open("wb") as image:
        image.truncate(32 << 20)
    (folder / "table.csv").write_text("serial_number,smart_5_raw\nKX25-00417,3\n")
    (folder / "files").mkdir()
    (folder / "files" / "letter.txt").write_text("Dear Ann")
    (folder / "link.img").symlink_to(folder / "behind-a-link.img")
    (folder / "lent.img").write_bytes(b"old" * 1024)
    former = {path for path in folder.rglob("*") if path.name != "lent.img"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SUDO_UID", str(NOBODY))
        patch.setenv("SUDO_GID", str(NOBODY))
        patch.chdir(folder)
        umask = os.umask(0o022)
        for arguments in (
            ("job", "new", "7", "--host", "CH-2103", "--complaint", "hangs", *jobs),
            ("job", "record", "7", "consent", *jobs),
            ("assess", reading, "--save", folder / "reading.json", *in_job),
            ("assess-table", folder / "table.csv", "--output", folder / "judged.csv"),
            ("readscan", folder / "scanned.img", "--picture", folder / "curve.svg"),
            ("copy", folder / "source.img", folder / "copy.img"),
            ("copy", folder / "source.img", folder / "link.img", "--acknowledge", "size", *in_job),
            ("copy", folder / "source.img", folder / "lent.img", "--allow-overwrite", folder / "lent.img"),
            ("verify", folder / "copy.img.receipt.json"),
            ("copy-files", folder / "files", folder / "bag"),
            ("verify", folder / "bag"),
            ("job", "export", "7", "--output", folder / "7.tar.gz", *jobs),
            ("handover", "7", "--output", folder / "sheet.html", *jobs),
            ("handover", "7", *jobs),
        ):
            ran = run(cli, *arguments)
            assert ran.exit_code in (0, 12), f"{arguments}: {ran.err}"
        os.umask(umask)
    yield folder
    assert all(path.exists() for path in former)


def test_every_command_left_something(workplace: Path) -> None:
    names = {path.name for path in workplace.rglob("*")}
    assert names >= {
        *("reading.json", "judged.csv", "curve.svg", "copy.img", "copy.img.receipt.json", "copy.img.journal.json"),
        *("scanned.img.readscan.json", "behind-a-link.img", "bag", "7.tar.gz", "sheet.html", "handover.html"),
    }


def left_by_commands(folder: Path) -> Iterator[Path]:
    """All that was made; below a bag's data/ files are as the source has them, and closed off by that folder."""
    given = {"source.img", "scanned.img", "table.csv", "files", "link.img"}
    for path in folder.rglob("*"):
        inside = path.relative_to(folder).parts
        if inside[0] not in given and inside[:2] != ("bag", "data"):
            yield path
    yield folder / "bag" / "data"


@pytest.mark.promise(11)
def test_nobody_else_may_read_it(workplace: Path) -> None:
    modes = {path: stat.S_IMODE(path.lstat().st_mode) for path in left_by_commands(workplace)}
    assert {path: mode for path, mode in modes.items() if mode != (0o700 if path.is_dir() else 0o600)} == {}


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_under_sudo_it_is_the_persons(workplace: Path) -> None:
    lent = workplace / "lent.img"  # which was there already, and stays whose it was
    owners = {path: (path.lstat().st_uid, path.lstat().st_gid) for path in left_by_commands(workplace) if path != lent}
    assert {path: owner for path, owner in owners.items() if owner != (NOBODY, NOBODY)} == {}
    assert lent.stat().st_uid == 0
