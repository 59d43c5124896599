"""`drivecare selftest`: output, exit codes, the guard, interruption."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.cli.selftest import selftest
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import BackendAnswer, Recorded
from drivecare.job.model import Opening
from drivecare.reading.decode import decode_report
from drivecare.record.folder import FolderRecord
from drivecare.risk.assess import assess
from tests.cli.bench import recorded_machine, run
from tests.hardware.reports import BANNER, answer, running, sata
from tests.hardware.sysfs import Tree
from tests.hardware.test_blockdev import sata as sata_drive
from tests.work.test_self_test import ABORTED, PASSED, READ_FAILURE, STARTED, ended


def bench(tmp_path: Path, *looks: BackendAnswer, pending: int = 0) -> tuple[Machine, Recorded]:
    sata_drive(Tree(tmp_path))
    answers: dict[str, BackendAnswer | list[BackendAnswer]] = {
        "-x": answer(sata(pending=pending)),
        "-t": STARTED,
        "-X": answer(BANNER),
        "-c": [answer(sata()), *looks],
    }
    backend = Recorded(answers)
    return recorded_machine(tmp_path, backend), backend


def test_a_drive_that_passes(tmp_path: Path) -> None:
    machine, _ = bench(tmp_path, answer(sata(status=running(50))), ended(PASSED))
    ran = run(selftest, "/dev/sda", machine=machine)
    assert ran.exit_code == 0
    assert ran.out == (
        "Kestrel KD-500   serial KX25-00417   on /dev/sda\n"
        "NO FAULT FOUND   The drive tested itself and says it is sound.\n"
        "  logged as short test: passed, at 1,904 hours powered on\n"
        "  A short test looks at samples only; --extended reads the whole surface.\n"
    )
    assert ran.err == "", "a progress bar belongs on a terminal only"


@pytest.mark.parametrize(
    ("row", "exit_code", "words"),
    [
        (READ_FAILURE, 12, "first bad LBA 233,500,365"),
        ("Short offline       Completed: handling damage??  60%      1904         -", 11, "FAULT FOUND"),
        (ABORTED, 13, "NO RESULT"),
    ],
    ids=["a bad sector", "another fault", "put to sleep by the dock"],
)
def test_how_it_ends(tmp_path: Path, row: str, exit_code: int, words: str) -> None:
    ran = run(selftest, "/dev/sda", machine=bench(tmp_path, ended(row))[0])
    assert ran.exit_code == exit_code
    assert words in ran.out


def test_extended_asks_for_the_long_test(tmp_path: Path) -> None:
    machine, backend = bench(tmp_path, ended(PASSED))
    ran = run(selftest, "/dev/sda", "--extended", "--json", machine=machine)
    assert ("-t", "long", "/dev/sda") in backend.asked
    assert (ran.json["schema"], ran.json["kind"], ran.json["state"]) == ("drivecare/selftest-1", "extended", "passed")


def test_a_drive_that_is_losing_data_is_not_loaded(tmp_path: Path) -> None:
    machine, backend = bench(tmp_path, pending=24)
    ran = run(selftest, "/dev/sda", machine=machine)
    assert (ran.exit_code, ran.out) == (22, "")
    assert ran.err == (
        "drivecare: /dev/sda: it is losing data, and a self-test would load it. Copy it and verify the copy first. "
        "To do it all the same: --allow-load SERIAL, the number on its label.\n"
    )
    assert run(selftest, "/dev/sda", "--allow-load", "KX25-00418", machine=machine).exit_code == 22
    assert not any("-t" in asked for asked in backend.asked)


def test_its_serial_number_typed_is_consent(tmp_path: Path) -> None:
    machine, _ = bench(tmp_path, ended(PASSED), pending=24)
    assert run(selftest, "/dev/sda", "--allow-load", "KX25-00417", machine=machine).exit_code == 0


def test_a_verdict_filed_in_the_job_binds_too(tmp_path: Path) -> None:
    jobs = tmp_path / "jobs"
    folder = FolderRecord(root=jobs).create(
        Opening(id="7", opened_at="2026-11-25T10:00:00+00:00", host="x", label="X-1", complaint="hangs")
    )
    folder.file(assess(decode_report(sata(pending=24))))
    machine, _ = bench(tmp_path / "tree", ended(PASSED))
    assert run(selftest, "/dev/sda", "--job", "7", "--jobs", jobs, machine=machine).exit_code == 22


def test_ctrl_c_leaves_the_test_running_and_the_same_command_picks_it_up(tmp_path: Path) -> None:
    class Impatient(Recorded):
        def ask(self, arguments: object, *, limit_seconds: float) -> BackendAnswer:
            if len(self.asked) == 4:
                self.asked.append(())
                raise KeyboardInterrupt
            return super().ask(arguments, limit_seconds=limit_seconds)  # type: ignore[arg-type]

    sata_drive(Tree(tmp_path))
    looks = [answer(sata()), answer(sata(status=running(90)))]
    backend = Impatient({"-x": answer(sata()), "-t": STARTED, "-c": looks})
    ran = run(selftest, "/dev/sda", machine=recorded_machine(tmp_path, backend))
    assert ran.exit_code == 23
    assert "STILL TESTING   The result is not there yet.\n  90 % remaining\n" in ran.out
    assert "drivecare selftest /dev/sda" in ran.out
    assert not any("-X" in asked for asked in backend.asked)
    later = Recorded({"-x": answer(sata()), "-c": [answer(sata(status=running(50))), ended(PASSED)]})
    ran = run(selftest, "/dev/sda", machine=recorded_machine(tmp_path, later))
    assert (ran.exit_code, ran.err) == (0, "a self-test is running already; following it\n")
    assert not any("-t" in asked for asked in later.asked)


def test_stop(tmp_path: Path) -> None:
    sata_drive(Tree(tmp_path))
    looks = [answer(sata(status=running(40))), ended(ABORTED)]
    backend = Recorded({"-x": answer(sata()), "-X": answer(BANNER), "-c": looks})
    ran = run(selftest, "/dev/sda", "--stop", machine=recorded_machine(tmp_path, backend))
    assert (ran.exit_code, "ENDED EARLY" in ran.out) == (0, True)


def test_an_image_has_no_self_test(tmp_path: Path) -> None:
    Tree(tmp_path).drive("loop0", loop__backing_file="/srv/x.img")
    ran = run(selftest, "/dev/loop0", machine=recorded_machine(tmp_path, Recorded({})))
    assert ran.exit_code == 3
