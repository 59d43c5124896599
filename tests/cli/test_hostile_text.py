"""No text that is not ours steers the terminal: every source of it, in an emulated one (PyPI: pyte)."""

from __future__ import annotations

import io
import json
import os
import pty
import subprocess
import sys
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import msgspec
import pytest

from drivecare.cli.terminal import ask, guard_streams, notify, progress_bar
from drivecare.documents import encode
from drivecare.errors import NotAnswered
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import Recorded
from drivecare.job.model import Closing, ImageLeft
from drivecare.job.sheet import render_sheet
from drivecare.reading.model import Drive, Reading, Values
from drivecare.transfer.sectors.receipt import Note, Receipt
from tests.cli.bench import recorded_machine
from tests.cli.emulated import EVIL, EVIL_IN_A_LINE, FORGED, OURS_WITH_A_BAR, Shown, on_terminal, terminal_streams
from tests.hardware.sysfs import Tree
from tests.hardware.test_blockdev import sata, usb
from tests.job.carried import NEW, OLD, OPENING, assessment, data_route, device, fact, filed, plan, receipt
from tests.job.rich_case import opened

WORDS = ("--host", "CH-2103")
DEMO = resources.files("drivecare.demo_data")


def report(folder: Path) -> tuple[object, ...]:
    text = DEMO.joinpath("failing-drive.txt").read_text("utf-8")
    (folder / "report.txt").write_text(text.replace("KX25-00417", f"KX25-\u202e{FORGED}"), "utf-8")
    return "assess", folder / "report.txt"


def saved_reading(folder: Path) -> tuple[object, ...]:
    drive = Drive(model=EVIL, serial=EVIL, firmware=EVIL, kind="hdd", protocol="ata")
    reading = Reading(path=EVIL, bridge=EVIL, transport=EVIL, drive_says_words=EVIL, drive=drive, values=Values())
    (folder / "reading.json").write_bytes(encode(reading))
    return "assess", folder / "reading.json", "--explain"


def several_readings(folder: Path) -> tuple[object, ...]:
    return *saved_reading(folder)[:2], folder / f"{EVIL}.txt"


def candidate(folder: Path) -> tuple[object, ...]:
    return "plan", *WORDS, "--candidate", saved_reading(folder)[1]


def judged_table(folder: Path) -> tuple[object, ...]:
    (folder / "day.csv").write_text(f"model,smart_5_raw\n{EVIL_IN_A_LINE},0\n", "utf-8", newline="")
    return "assess-table", folder / "day.csv"


def stock(folder: Path) -> tuple[object, ...]:
    (folder / "stock.csv").write_text(f'name,serial,shelf,x{EVIL_IN_A_LINE}\n"{EVIL}","{EVIL}","{EVIL}",\n', "utf-8")
    return "plan", *WORDS, "--stock", folder / "stock.csv", "--symptom", EVIL


def stock_cell_not_understood(folder: Path) -> tuple[object, ...]:
    (folder / "stock.csv").write_text(f'name,height\na,"{EVIL}"\n', "utf-8")
    return "plan", *WORDS, "--stock", folder / "stock.csv"


def profile(folder: Path) -> Path:
    text = resources.files("drivecare.profiles").joinpath("hosts/corvane-hearth-21.toml").read_text("utf-8")
    own = folder / "hosts"
    own.mkdir()
    name = json.dumps(EVIL)
    (own / "unit.toml").write_text(
        text.replace('"corvane-hearth-21"', '"evil"').replace('"Corvane Hearth, revision 21"', name)
        .replace('"media console"', name).replace('prefix = "CH"', 'prefix = "EVIL"'),
        "utf-8",
    )  # fmt: skip
    os.environ["DRIVECARE_HOSTS"] = str(own)
    return own / "unit.toml"


def profile_shown(folder: Path) -> tuple[object, ...]:
    profile(folder)
    return "hosts", "show", "evil"


def profile_matched(folder: Path) -> tuple[object, ...]:
    profile(folder)
    return "hosts", "match", "evil"


def profile_checked(folder: Path) -> tuple[object, ...]:
    path = profile(folder)
    path.write_text(path.read_text("utf-8").replace("[bay]", f"[bay]\n{json.dumps(EVIL)} = 1"), "utf-8")
    return "hosts", "check", path


def receipt_verified(folder: Path) -> tuple[object, ...]:
    """A true copy, whose receipt was then given notes and a path by somebody else."""
    (folder / "source.img").write_bytes(bytes(1 << 20))
    on_terminal("copy", folder / "source.img", folder / "target.img")
    path = folder / "target.img.receipt.json"
    made = msgspec.json.decode(path.read_bytes(), type=Receipt)
    path.write_bytes(encode(msgspec.structs.replace(made, notes=(Note(code="x", text=EVIL),))))
    return "verify", path, folder / "target.img"


def receipt_of_a_path(folder: Path) -> tuple[object, ...]:
    gone = receipt(device(OLD, "/dev/x"), msgspec.structs.replace(device(NEW, EVIL), kind="image"))
    (folder / "x.receipt.json").write_bytes(encode(gone))
    return "verify", folder / "x.receipt.json"


def copied_image(folder: Path) -> tuple[object, ...]:
    (folder / f"{EVIL}.img").write_bytes(bytes(1 << 20))
    return "copy", folder / f"{EVIL}.img", folder / f"{EVIL}.copy"


def foreign_bag(folder: Path) -> tuple[object, ...]:
    bag = folder / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    (bag / "data" / EVIL).write_text("changed")
    name = f"data/{EVIL}".replace("\n", "%0A").replace("\r", "%0D")
    (bag / "manifest-sha256.txt").write_text(f"{'0' * 64}  {name}\n", "utf-8", newline="")
    return "verify", bag


def bag_made(folder: Path) -> tuple[object, ...]:
    source = folder / f"files {EVIL}"
    source.mkdir()
    (source / EVIL).symlink_to("nowhere")
    (source / os.fsdecode(b"caf\xe9" + EVIL.encode())).symlink_to("nowhere")
    return "copy-files", source, folder / "bag"


def job_of(folder: Path) -> Path:
    old = msgspec.structs.replace(OLD, model=EVIL)
    told = msgspec.structs.replace(fact("detached", note=EVIL), by=EVIL)
    documents = [fact("consent", note=EVIL), assessment(old, "evacuate"), plan(source=old), *data_route()[3:], told]
    filed(folder, documents, opening=msgspec.structs.replace(OPENING, complaint=EVIL, host_name=EVIL, label=EVIL))
    return folder


def job_shown(folder: Path) -> tuple[object, ...]:
    return "job", "show", "1042", "--jobs", job_of(folder)


def job_listed(folder: Path) -> tuple[object, ...]:
    filed(folder, [], opening=msgspec.structs.replace(OPENING, reference=EVIL, tags=(EVIL,)))
    return "job", "list", "--jobs", folder


def job_list_of_a_damaged_one(folder: Path) -> tuple[object, ...]:
    path = next(job_of(folder).rglob("0001-*.json"))
    path.write_text(path.read_text("utf-8").replace('"drivecare/opening-1"', json.dumps(EVIL)), "utf-8")
    return "job", "list", "--jobs", folder


def fact_recorded(folder: Path) -> tuple[object, ...]:
    return "job", "record", "1042", "old-drive", EVIL, "--note", EVIL, "--jobs", job_of(folder)


def gate(folder: Path) -> tuple[object, ...]:
    return "gate", "1042", "--jobs", job_of(folder)


def history(folder: Path) -> tuple[object, ...]:
    filed(folder, [assessment(msgspec.structs.replace(OLD, model=EVIL), "refit")])
    return "history", "KX25-00417", "--jobs", folder


def history_of_nothing(folder: Path) -> tuple[object, ...]:
    return "history", EVIL, "--jobs", folder


def sheet_written(folder: Path) -> tuple[object, ...]:
    return "handover", "1042", "--jobs", job_of(folder), "--output", folder / f"{EVIL}.html"


def job_closed(folder: Path) -> tuple[object, ...]:
    words = ("--not-started", "--old-drive", "kept", "--anyway", "x", "--image", folder / EVIL, "kept")
    return "job", "close", "1042", "--jobs", job_of(folder), *words


def job_opened(folder: Path) -> tuple[object, ...]:
    return "job", "new", "1", *WORDS, "--complaint", "x", "--symptom", EVIL, "--jobs", folder / EVIL


def path_in_an_error(folder: Path) -> tuple[object, ...]:
    return "assess", folder / EVIL


def word_too_many(folder: Path) -> tuple[object, ...]:
    return "copy", "a", "b", EVIL


def command_that_is_none(folder: Path) -> tuple[object, ...]:
    return (EVIL,)


def markup(folder: Path) -> tuple[object, ...]:
    return "assess", folder / f"[link=http://x][red]{EVIL}[/red]"


SOURCES: list[Callable[[Path], tuple[object, ...]]] = [
    report, saved_reading, several_readings, candidate, judged_table, stock, stock_cell_not_understood, profile_shown,
    profile_matched, profile_checked, receipt_verified, receipt_of_a_path, copied_image, foreign_bag, bag_made,
    job_shown, job_listed, job_list_of_a_damaged_one, fact_recorded, gate, history, history_of_nothing, sheet_written,
    job_closed, job_opened, path_in_an_error, word_too_many, command_that_is_none, markup,
]  # fmt: skip
WITH_A_BAR = (copied_image, bag_made, receipt_verified, foreign_bag)


@pytest.fixture(autouse=True)
def _terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("DRIVECARE_HOSTS", "")  # put back at the end, whatever a source of text set


@pytest.mark.promise(9)
@pytest.mark.parametrize("source", SOURCES, ids=lambda source: source.__name__)
def test_text_that_is_not_ours_stays_text(source: Callable[[Path], tuple[object, ...]], tmp_path: Path) -> None:
    words = source(tmp_path)
    on_terminal(*map(str, words)).assert_harmless(*([OURS_WITH_A_BAR] if source in WITH_A_BAR else []))


def test_the_emulator_would_show_the_forgery() -> None:
    """What the filter is for: without it the screen says what the file name says."""
    lines = Shown(0, f"MISMATCH:\n  {EVIL}: is missing\n".encode()).lines
    assert lines[1].startswith(FORGED)
    assert not any("MISMATCH" in line for line in lines)


def attached(folder: Path) -> Machine:
    tree = Tree(folder)
    drive = sata(tree)
    tree.mount(tree.partition(drive, 1), EVIL_IN_A_LINE)
    dock = usb(tree)
    for key in ("product", "serial", "manufacturer"):
        tree.write(f"sys/devices/pci0000:00/0000:00:14.0/usb2/2-1/{key}", EVIL_IN_A_LINE)
    tree.stack("dm-0", tree.partition(dock, 1), mapper=EVIL_IN_A_LINE)
    tree.drive("loop0", loop__backing_file=f"/srv/{EVIL_IN_A_LINE}")
    held = tree.drive("sdc", "pci0000:00/ata3/2:0:0:0", device__model=EVIL_IN_A_LINE)
    tree.write("proc/4711/comm", EVIL_IN_A_LINE)
    tree.write("proc/4711/fdinfo/3", "flags:\t0100002\n")
    (folder / "proc/4711/fd").mkdir()
    (folder / "proc/4711/fd/3").symlink_to(f"/dev/{held.name}")
    return recorded_machine(folder, Recorded({}), is_root=False)


@pytest.mark.promise(9)
@pytest.mark.parametrize("command", ["drives", "doctor"])
def test_what_the_kernel_and_the_docks_say_stays_text(command: str, tmp_path: Path) -> None:
    shown = on_terminal(command, machine=attached(tmp_path))
    shown.assert_harmless()
    if command == "drives":
        text = "\n".join(shown.lines)
        for source in ("mounted at ", "behind ", "/srv/", "serial ", "held by dm-0 (", "open for writing in "):
            assert f"{source}\\x1b[2J" in text, source


def test_questions_bars_and_notices_stay_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    with terminal_streams() as terminal:
        guard_streams()
        notify(EVIL)
        with progress_bar(EVIL, total=1) as bar:
            bar.update(1)
        with pytest.raises(NotAnswered):
            ask(EVIL)
        sys.stderr.flush()
        sent = terminal.getvalue()
    shown = Shown(0, sent)
    shown.assert_harmless(OURS_WITH_A_BAR)
    assert sent.decode().count(r"\x1b[2J") >= 3


def test_the_last_line_of_a_traceback_stays_text() -> None:
    with terminal_streams() as terminal:
        guard_streams()
        sys.excepthook(RuntimeError, RuntimeError(EVIL_IN_A_LINE), None)
        sys.stderr.flush()
        sent = terminal.getvalue()
    Shown(1, sent).assert_harmless()


@pytest.mark.promise(9)
def test_on_a_real_terminal(tmp_path: Path) -> None:
    """The installed program on a pseudo-terminal of the kernel."""
    _, bag = foreign_bag(tmp_path)
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "drivecare.cli.main", "verify", str(bag)]
    done = subprocess.run(command, stdin=theirs, stdout=theirs, stderr=theirs, timeout=60)
    os.close(theirs)
    sent = b""
    try:
        while part := os.read(ours, 65_536):
            sent += part
    except OSError:  # Linux: the other end is closed and everything was read
        pass
    os.close(ours)
    assert done.returncode == 21
    Shown(21, sent.replace(b"\r\n", b"\n")).assert_harmless(OURS_WITH_A_BAR)


def test_a_table_goes_into_a_pipe_byte_for_byte(tmp_path: Path) -> None:
    _, path = judged_table(tmp_path)
    done = subprocess.run([sys.executable, "-m", "drivecare.cli.main", "assess-table", str(path)], capture_output=True)
    assert done.stdout.splitlines()[1].startswith(f"{EVIL_IN_A_LINE},0,".encode())


def test_a_document_in_a_pipe_shows_everything(tmp_path: Path) -> None:
    _, path, _ = saved_reading(tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "drivecare.cli.main", "assess", str(path), "--json"], capture_output=True
    )
    assert done.stdout.isascii()
    assert rb"\u202e" in done.stdout
    assert json.loads(done.stdout)["drive"]["model"] == EVIL


@pytest.mark.promise(9)
def test_the_sheet_shows_direction_marks(tmp_path: Path) -> None:
    closing = Closing(
        at="2026-11-25T11:55:00+00:00", by="ann", unit_started=True, old_drive="kept", gate_open=True,
        images=(ImageLeft(path=EVIL, fate="kept"),),
    )  # fmt: skip
    _, case = opened(tmp_path, [fact("consent", note=EVIL), closing], complaint=EVIL)
    page = render_sheet(case, shop=EVIL)
    assert not {"\x1b", "\x9b", "\u202e", "\x07"} & set(page)
    assert r"\u202e" in page
