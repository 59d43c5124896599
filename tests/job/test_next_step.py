"""The one command that comes now: complete with what is attached, open where a person must vouch."""

from __future__ import annotations

import shlex
from pathlib import Path

import click
import msgspec
import pytest

from drivecare.cli.main import cli
from drivecare.documents import Value
from drivecare.errors import BadInput
from drivecare.fit.model import Fits, JudgedCandidate, Plan
from drivecare.job.attestations import FACTS, make_fact
from drivecare.job.bench import Bench, BenchDrive
from drivecare.job.commands import BLANKS
from drivecare.job.gate import ROUTE_ITEMS, judge_gate
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.next_step import fill_blanks, find_next_step, open_blanks, question_for
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from tests.job.carried import NEW, NOW, OLD, OTHER, SIZE, assessment, data_route, fact, filed, pending, plan, same_route
from tests.job.test_expected_drive import IN_THAT_BAY


def undecided(*candidates: JudgedCandidate) -> Plan:
    """A plan that chooses none of these."""
    return msgspec.structs.replace(plan(), chosen=None, candidates=candidates)


EVACUATE = assessment(OLD, "evacuate", findings=(pending(24),))


def attached(drive: Drive, path: str, *, free: bool = True) -> BenchDrive:
    return BenchDrive(path=path, model=drive.model, serial=drive.serial, identity=drive.identity, free=free)


OLD_HERE = attached(OLD, "/dev/disk/by-id/ata-old")
NEW_HERE = attached(NEW, "/dev/disk/by-id/ata-new")
OTHER_HERE = attached(OTHER, "/dev/disk/by-id/ata-other")
BUSY = attached(OTHER, "/dev/sdz", free=False)


def state(
    folder: Path, documents: list[Value], *drives: BenchDrive, sudo: bool = False, stock: bool = False
) -> JobState:
    bench = Bench(drives=drives, sudo=sudo, stock=stock)
    return load_job_state(filed(folder, documents).read(), now=NOW, bench=bench)


COMMANDS: dict[str, tuple[list[Value], tuple[BenchDrive, ...], str]] = {
    "nothing": ([], (), 'drivecare job record 1042 consent --note "..."'),
    "the only free drive": ([fact("consent")], (OLD_HERE, BUSY), "drivecare assess /dev/disk/by-id/ata-old --job 1042"),
    "two free drives": ([fact("consent")], (OLD_HERE, OTHER_HERE), "drivecare assess DRIVE --job 1042"),
    "no plan": ([fact("consent"), EVACUATE], (OLD_HERE,), "drivecare plan --stock STOCK.csv --job 1042"),
    "the plan's stock list": (
        [fact("consent"), assessment(OLD, "replace"), plan(stock="/shop/stock.csv", source=OTHER)],
        (OLD_HERE,),
        "drivecare plan --job 1042",
    ),
    "the planned drive": (
        [fact("consent"), EVACUATE, plan()],
        (OTHER_HERE, NEW_HERE, OLD_HERE),
        "drivecare assess /dev/disk/by-id/ata-new --as new --job 1042",
    ),
    "another drive than planned": (
        [fact("consent"), assessment(OLD, "replace"), plan()],
        (OTHER_HERE, OLD_HERE),
        "drivecare assess NEW_DRIVE --as new --job 1042",
    ),
    "both read, letters changed": (
        data_route()[:4],
        (NEW_HERE, OLD_HERE),
        "drivecare copy /dev/disk/by-id/ata-old /dev/disk/by-id/ata-new --job 1042",
    ),
    "the old drive taken off": (
        data_route()[:4],
        (NEW_HERE,),
        "drivecare copy DRIVE /dev/disk/by-id/ata-new --job 1042",
    ),
    "open": (data_route(), (), "drivecare handover 1042"),
}


@pytest.mark.parametrize("name", COMMANDS)
def test_the_command_is_complete_with_what_is_attached(tmp_path: Path, name: str) -> None:
    documents, drives, command = COMMANDS[name]
    assert find_next_step(state(tmp_path, documents, *drives)).command == command


def test_a_drive_is_opened_with_sudo_by_whoever_is_not_root(tmp_path: Path) -> None:
    assert find_next_step(state(tmp_path / "a", [], OLD_HERE, sudo=True)).command == (
        'drivecare job record 1042 consent --note "..."'
    )
    step = find_next_step(state(tmp_path / "b", [fact("consent")], OLD_HERE, sudo=True))
    assert step.command == "sudo drivecare assess /dev/disk/by-id/ata-old --job 1042"


def test_a_losing_drive_is_copied_to_an_image_while_no_new_drive_is_at_hand(tmp_path: Path) -> None:
    documents = [fact("consent"), EVACUATE, plan()]
    step = find_next_step(state(tmp_path / "a", documents, OLD_HERE))
    assert step.command == "drivecare copy /dev/disk/by-id/ata-old IMAGE --job 1042"
    assert step.why.startswith("the old drive is losing data and no new drive is at hand")
    assert " assess " in str(find_next_step(state(tmp_path / "b", documents, OLD_HERE, NEW_HERE)).command)
    none_fits = [*documents[:2], undecided()]
    assert " IMAGE " in str(find_next_step(state(tmp_path / "d", none_fits, OLD_HERE, NEW_HERE)).command)
    assert " assess " in str(
        find_next_step(state(tmp_path / "c", [*documents[:1], assessment(OLD, "replace"), plan()], OLD_HERE)).command
    )


def test_a_drive_unlike_the_units_is_not_read_again_but_the_right_one(tmp_path: Path) -> None:
    large = msgspec.structs.replace(OLD, form_factor="3.5 inches")
    job = filed(tmp_path, [fact("consent"), assessment(large, "refit")], opening=IN_THAT_BAY)
    step = find_next_step(load_job_state(job.read(), now=NOW, bench=Bench(drives=(OLD_HERE,))))
    assert step.command == "drivecare assess DRIVE --job 1042"
    assert "it is 3.5-inch, but this unit is built for 2.5-inch: read the right one" in step.why


@pytest.mark.parametrize(
    ("candidates", "words"),
    [
        ((), "no drive was tried: order one (plan --order), enter it in the stock list, then plan again"),
        (("no",), "the drive tried does not fit: order one"),
        (("no", "no"), "none of 2 drives fits: order one"),
        (("no", "unknown"), "no drive in it certainly fits: enter what is missing in the stock list, then plan again"),
    ],
)
def test_a_plan_that_chooses_none_is_made_again_only_after_something_was_done(
    tmp_path: Path, candidates: tuple[Fits, ...], words: str
) -> None:
    judged = tuple(JudgedCandidate(name=f"drive {number}", fits=fits) for number, fits in enumerate(candidates))
    documents: list[Value] = [fact("consent"), assessment(OLD, "replace"), undecided(*judged)]
    assert find_next_step(state(tmp_path, documents, OLD_HERE)).why.removeprefix("plan: ").startswith(words)


def test_an_open_gate_after_a_recheck_says_that_it_is_cleared(tmp_path: Path) -> None:
    documents = [
        fact("consent"),
        assessment(OLD, "recheck"),
        fact("way-out", note="new cable"),
        assessment(OLD, "recheck", read_at="2026-11-25T11:40:00+00:00"),
    ]
    assert find_next_step(state(tmp_path, documents)).why.startswith("the recheck is cleared and the gate is open")


def test_what_stands_behind_a_bridge_is_found_by_what_it_shows(tmp_path: Path) -> None:
    hidden = msgspec.structs.replace(OLD, identity=Identity(bridge_serial=OLD.serial, strength="weak"))
    documents = [fact("consent"), assessment(hidden, "evacuate"), *data_route()[2:4]]
    job = state(tmp_path, documents, attached(hidden, "/dev/sdq"), NEW_HERE)
    item = next(item for item in job.gate.items if item.item == "copy-verified")
    assert item.next == "drivecare copy /dev/sdq /dev/disk/by-id/ata-new --job 1042"


def every_command(folder: Path) -> set[str]:
    """Every command that a gate asks for in jobs carried to each of their stages, on every route."""
    stages = [route[:count] for route in (data_route(), same_route()) for count in range(len(route) + 1)]
    recheck = [fact("consent"), assessment(OLD, "recheck")]
    old = [*data_route()[:4], msgspec.structs.replace(data_route()[4], bytes_total=SIZE // 2), fact("detached")]
    commands = set()
    for number, documents in enumerate([*stages, recheck, old]):
        for drives in ((), (OLD_HERE, NEW_HERE)):
            job = state(folder / f"{number}-{len(drives)}", documents, *drives)
            commands.add(str(find_next_step(job).command))
            commands |= {item.next for route in ROUTE_ITEMS for item in judge_gate(job, route).items if item.next}
    return commands


def test_every_next_line_parses_as_a_command_once_its_blanks_are_filled(tmp_path: Path) -> None:
    commands = every_command(tmp_path)
    assert len(commands) > 12
    for line in commands:
        open_words = {word for word in shlex.split(line) if word.isupper() and word.isascii() and word.isalpha()}
        assert open_words <= set(BLANKS), line
        program, *words = fill_blanks(line, dict.fromkeys(open_blanks(line), "typed"))
        assert program == "drivecare"
        parse(words)


def parse(words: list[str]) -> None:
    command: click.Command = cli
    while isinstance(command, click.Group):
        subcommand = command.get_command(click.Context(command), words.pop(0))
        assert subcommand is not None
        command = subcommand
    command.make_context(command.name, words)


@pytest.mark.promise(5)
def test_what_a_person_vouches_for_is_never_filled_in(tmp_path: Path) -> None:
    recordings = [line for line in every_command(tmp_path) if " job record " in line]
    assert recordings
    assert all(line.endswith(' --note "..."') for line in recordings)
    closing = load_job_state(filed(tmp_path / "closing", data_route()).read(), now=NOW, sheet_is_current=True)
    assert find_next_step(closing).command == "drivecare job close 1042"  # which asks how it ended


@pytest.mark.promise(5)
@pytest.mark.parametrize(("about", "note"), [("SERIAL", "read it"), ("KX25-00417", "...")])
def test_a_line_pasted_with_its_blanks_records_nothing(about: str, note: str) -> None:
    with pytest.raises(BadInput, match="is to be filled in"):
        make_fact("old-drive", about, note=note, at="2026-11-25T11:30:00+00:00", by="ann")


def test_the_question_for_a_fact_says_what_is_vouched_for() -> None:
    for name in FACTS:
        question = question_for("...", f'drivecare job record 1042 {name} --note "..."')
        assert FACTS[name].says in question
