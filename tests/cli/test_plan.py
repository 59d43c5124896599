"""`drivecare plan` as a person types it, on the demo's drives."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner, Result

from drivecare.cli.main import cli
from drivecare.cli.plan import plan
from drivecare.errors import BadInput, DriveCareError
from drivecare.hardware.machine import Machine
from drivecare.hardware.smart_port import Recorded
from tests.cli.bench import recorded_machine
from tests.cli.bench import run as run_on
from tests.hardware.reports import answer, sata
from tests.hardware.sysfs import Tree

DEMO = Path(str(resources.files("drivecare.demo_data")))
OLD, NEW, STOCK = DEMO / "failing-drive.txt", DEMO / "new-drive.txt", DEMO / "stock.csv"
REPORTS = DEMO.parent / "reports"
SHIPPED = json.loads(resources.files("drivecare.schemas").joinpath("plan-1.json").read_bytes())


def run(*arguments: object, columns: int = 80) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(cli, ["plan", *map(str, arguments)])


def document(*arguments: object) -> Any:
    found = json.loads(run(*arguments, "--json").stdout)
    jsonschema.validate(found, SHIPPED)
    return found


@pytest.fixture(scope="module")
def demo() -> Any:
    return document("--host", "CH-2103", "--reading", OLD, "--stock", STOCK, "--symptom", "storage error")


def test_the_demos_plan(demo: Any) -> None:
    assert (demo["schema"], demo["host"], demo["chosen"]) == ("drivecare/plan-1", "corvane-hearth-21", "Petrel PM-500")
    assert demo["source"]["serial"] == "KX25-00417"
    assert demo["source"]["verdict"] == "evacuate"
    assert {"yes", "no", "unknown"} == {one["fits"] for one in demo["candidates"]}
    assert len(demo["candidates"]) >= 10
    assert demo["steps"]
    assert demo["cautions"]
    assert run("--host", "CH-2103", "--reading", OLD, "--stock", STOCK).exit_code == 0


def test_every_block_reason_of_the_demos_stock_is_another(demo: Any) -> None:
    blocks = [
        (one["name"], check["check"], check["reason"])
        for one in demo["candidates"]
        for check in one["checks"]
        if check["result"] == "block"
    ]
    assert len({reason for _, _, reason in blocks}) == len(blocks)
    assert {name: [check for named, check, _ in blocks if named == name] for name, _, _ in blocks} == {
        "Osprey OD-500": ["form-factor", "supply"],
        "Plover P-500": ["connector", "protocol"],
        "Falcon FK-600": ["sector-format", "raw-copy"],
        "Gannet GT-750": ["supply"],
        "Bittern B-1000": ["height"],
        "Heron HN-2000": ["capacity-limit"],
        "Sandpiper SX-480": ["capacity"],
    }


def test_the_block_reasons_are_true(demo: Any) -> None:
    """Worked out again here from the stock list and the unit's numbers."""
    reasons = {(one["name"], check["check"]): check["reason"] for one in demo["candidates"] for check in one["checks"]}
    short = (131_072 - 125_829) * 512
    assert f"({short:,} bytes)" in reasons["Sandpiper SX-480", "capacity"]
    assert f"{12.5 - 9.7:.2f} mm more" in reasons["Bittern B-1000", "height"]
    assert f"{1.2 - 1.0:.1f} A more" in reasons["Gannet GT-750", "supply"]
    assert "at most 1,000,204,886,016" in reasons["Heron HN-2000", "capacity-limit"]


def test_the_screen_fits_80_columns_and_cuts_no_serial(demo: Any) -> None:
    text = run("--host", "CH-2103", "--reading", OLD, "--stock", STOCK, "--symptom", "slow", "--full").stdout
    assert max(len(line) for line in text.splitlines()) <= 80
    for one in demo["candidates"]:
        assert one["serial"] in text
    assert "  1. Unplug the console" in text


def test_a_very_long_serial_stays_whole(tmp_path: Path) -> None:
    serial = "-".join(["LONG0123456789"] * 8)
    stock = tmp_path / "stock.csv"
    stock.write_text(f"model,serial\nK,{serial}\n")
    assert serial in run("--host", "bay-3.5", "--reading", OLD, "--stock", stock, columns=40).stdout


def test_a_drives_own_report_leaves_facts_missing_until_they_are_measured() -> None:
    arguments = ("--host", "CH-2103", "--reading", OLD, "--candidate", NEW)
    found = run(*arguments)
    assert found.exit_code == 31
    assert "height: its height is not known" in found.stdout
    by_hand = (*arguments, "--height-mm", "9,5", "--fact", "peak_5v=0.95 A", "--fact", "recording=cmr")
    assert run(*by_hand).exit_code == 0
    (one,) = document(*by_hand)["candidates"]
    assert (one["fits"], one["by_hand"]) == ("yes", ["height", "peak_5v", "recording"])
    assert one["identity"]["strength"] == "strong"


def test_none_fits() -> None:
    found = run("--host", "bay-m2-2280-nvme", "--reading", OLD, "--stock", STOCK)
    assert found.exit_code == 30
    assert "None of these fits." in found.stdout


def test_the_old_drive_itself() -> None:
    found = document("--host", "CH-2103", "--reading", OLD, "--candidate", OLD)
    assert "same-drive" in {one["check"] for one in found["candidates"][0]["checks"] if one["result"] == "block"}


@pytest.mark.parametrize(
    ("report", "reason"),
    [("raid-volume.txt", "not a drive; take a drive out of it"), ("hdd-locked.txt", "it is locked by a password")],
)
def test_what_is_no_drive_to_fit_is_refused_as_such(report: str, reason: str) -> None:
    arguments = ("--host", "bay-3.5", "--reading", OLD, "--candidate", REPORTS / report)
    assert run(*arguments).exit_code == 30
    (one,) = document(*arguments)["candidates"]
    (check,) = [each for each in one["checks"] if each["check"] == "usable"]
    assert check["result"] == "block"
    assert reason in check["reason"]


def test_a_file_copy_needs_the_used_space() -> None:
    arguments = ("--host", "bay-2.5-9.5", "--reading", OLD, "--stock", STOCK, "--migration", "file-copy")
    assert run(*arguments).exit_code == 31
    assert run(*arguments, "--used", "50 MB").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--host", "CH-2203"], "label 'CH-2203': matches no unit or bay."),
        (["--host", "CH-2103", "--stock", "none.csv"], "none.csv: there is no such file."),
        (["--host", "CH-2103", "--symptom", "xyzzy"], "symptom 'xyzzy': does not match a symptom we know."),
        (["--host", "CH-2103", "--used", "lots"], "--used: 'lots' is not a number with a unit."),
        (["--host", "CH-2103", "--candidate", str(OLD), "--fact", "colour=red"], "colour: is not a fact"),
        (["--host", "CH-2103", "--candidate", str(OLD), "--height-mm", "tall"], "height=tall: 'tall' is not a number"),
        (["--host", "CH-2103", "--candidate", str(OLD), "--height-mm", "0"], "height=0: '0' is not a height"),
    ],
)
def test_bad_input_is_one_line(arguments: list[str], message: str) -> None:
    error = run(*arguments).exception
    assert isinstance(error, BadInput)
    assert error.message().startswith(message)
    assert "\n" not in error.message()


@pytest.mark.parametrize(
    "arguments",
    [["--height-mm", "9.5"], ["--candidate", str(NEW), "--candidate", str(OLD), "--height-mm", "9"],
     ["--candidate", str(NEW), "--fact", "height"]],
)  # fmt: skip
def test_facts_by_hand_need_one_candidate(arguments: list[str]) -> None:
    assert run("--host", "CH-2103", *arguments).exit_code in (2, 1)
    assert not isinstance(run("--host", "CH-2103", *arguments).exception, DriveCareError)


def test_unused_columns_are_named_on_stderr(tmp_path: Path) -> None:
    stock = tmp_path / "stock.csv"
    stock.write_text("model,heigth\nK,9.5\n")
    assert "columns not used: heigth" in run("--host", "CH-2103", "--stock", stock).stderr


def test_help_lists_every_column() -> None:
    from drivecare.fit.stock_columns import COLUMNS

    text = run("--help").stdout
    assert all(name in text for name in COLUMNS)
    assert "Example: drivecare plan" in text


class TestAttachedDrives:
    """A plan asks the machine of its context, as every command does."""

    @pytest.fixture
    def bench(self, tmp_path: Path) -> Machine:
        tree = Tree(tmp_path)
        for name, serial in (("sdx", "KX25-00417"), ("sdy", "PM24-0001")):
            tree.drive(name, f"pci0000:00/ata{len(serial)}/{name}", sectors=976_773_168)
        old, new = answer(sata(serial="KX25-00417", pending=24)), answer(sata(serial="PM24-0001"))
        return recorded_machine(tmp_path, Recorded({"/dev/sdx": old, "/dev/sdy": new}))

    def test_the_old_drive_is_asked(self, bench: Machine) -> None:
        ran = run_on(plan, "--host", "CH-2103", "--reading", "/dev/sdx", "--stock", STOCK, "--json", machine=bench)
        assert ran.json["source"]["serial"] == "KX25-00417"
        assert ran.json["source"]["verdict"] == "evacuate"

    def test_a_candidate_is_asked(self, bench: Machine) -> None:
        ran = run_on(plan, "--host", "CH-2103", "--candidate", "/dev/sdy", "--json", machine=bench)
        assert [candidate["serial"] for candidate in ran.json["candidates"]] == ["PM24-0001"]
        (risk,) = [check for check in ran.json["candidates"][0]["checks"] if check["check"] == "risk"]
        assert (risk["result"], "chance of failing within 12 months" in risk["reason"]) == ("pass", True)

    def test_one_that_is_not_attached_is_an_error(self, bench: Machine) -> None:
        ran = run_on(plan, "--host", "CH-2103", "--reading", "/dev/sdz", machine=bench)
        assert ran.exit_code == 3
        assert "/dev/sdz: there is no such device" in ran.err


class TestOrderList:
    """What a supplier must be told, with nothing on the shelf."""

    def test_nothing_tried_prints_it_and_ends_with_31(self) -> None:
        ran = run("--host", "CH-2103", "--reading", OLD, "--full")
        assert ran.exit_code == 31
        assert "No drive was tried. Order one" in ran.stdout
        assert "  Form factor  2.5-inch, at most 9.5 mm high\n" in ran.stdout
        assert max(len(line) for line in ran.stdout.splitlines()) <= 80

    def test_alone_it_names_nothing_of_the_customers(self) -> None:
        text = run("--host", "CH-2103", "--reading", OLD, "--order").stdout
        assert text.startswith("Replacement drive for Corvane Hearth, revision 21\n")
        assert "Supply       5 V, peak at most 1 A\n" in text
        assert "KX25-00417" not in text
        assert "Kestrel" not in text

    def test_the_document_always_has_it(self, demo: Any) -> None:
        empty = document("--host", "CH-2103", "--reading", OLD, "--order")
        assert empty["candidates"] == []
        assert empty["order"] == demo["order"]
        assert {"form_factor", "height_mm_max", "connector", "protocol", "capacity_bytes_min", "capacity_bytes_max",
                "logical_sector_bytes", "rails", "notes"} <= set(empty["order"])  # fmt: skip


def test_a_symptom_has_its_cause_and_what_to_check_in_order() -> None:
    text = " ".join(run("--host", "CH-2103", "--symptom", "stops at its logo").stdout.split())
    assert "Symptom: it lights up, but stops at its logo, restarts again and again, or does not start. Cause: " in text
    assert "- first check whether it lights up" in text
    assert "- then check whether the drive's plug is clean" in text
    assert "Cause: heat. The drive is less likely." in " ".join(
        run("--host", "CH-2103", "--symptom", "overheats").stdout.split()
    )


def test_the_rule_of_the_ranking_stands_in_one_line() -> None:
    lines = run("--host", "CH-2103", "--reading", OLD, "--stock", STOCK, "--full").stdout.splitlines()
    rule = next(number for number, line in enumerate(lines) if line.startswith("Ranked by "))
    assert lines[rule].endswith("size.")
    assert lines[rule + 1].startswith("  1 fits ")


@pytest.mark.parametrize(
    "report", ["hdd-nothing-against-it", "ssd-nothing-against-it", "hdd-pending-2544", "hdd-locked"]
)
def test_a_candidate_is_judged_as_assess_judges_a_new_drive(report: str) -> None:
    path = REPORTS / f"{report}.txt"
    verdict = json.loads(CliRunner().invoke(cli, ["assess", str(path), "--as", "new", "--json"]).stdout)["verdict"]
    (drive,) = document("--host", "bay-2.5-9.5", "--candidate", path)["candidates"]
    results = {check["check"]: check["result"] for check in drive["checks"]}
    expected = {"refit": "pass", "replace": "block", "unproven": "unknown"}
    assert results["health"] == expected[verdict]


def test_a_volume_behind_a_controller_does_not_size_the_order() -> None:
    answer = run("--host", "CH-2103", "--reading", REPORTS / "raid-volume.txt", "--stock", STOCK)
    assert isinstance(answer.exception, BadInput)
    assert "not a drive; take a drive out of it and read that" in str(answer.exception)
    assert answer.stdout == ""


def test_the_smallest_member_is_a_fact_of_the_unit_not_of_a_candidate() -> None:
    told = document("--host", "PN-0721", "--reading", OLD, "--stock", STOCK, "--fact", "smallest_member_sectors=131072")
    assert told["smallest_member_sectors"] == 131_072
    answer = run("--host", "PN-0721", "--reading", OLD, "--fact", "smallest_member_sectors=2 TB")
    assert isinstance(answer.exception, BadInput)
    assert "is not a number of sectors" in str(answer.exception)
