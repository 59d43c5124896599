"""Every command's --json: one document, true to its shipped schema, with the keys that others rely on."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner

from drivecare.cli.main import cli
from drivecare.schemas import schema_bytes

FIXTURES = Path(__file__).parents[2] / "fixtures"

# What the contract names of each document, as dotted paths; "[]" looks into the first entry of a list.
KEYS = {
    "assessment-1": """
        read_at path transport bridge drive_says verdict fault_classes limits findings drive.model
        drive.serial drive.firmware drive.kind drive.protocol drive.capacity_bytes
        drive.native_capacity_bytes drive.security drive.logical_sector_bytes
        drive.physical_sector_bytes drive.form_factor drive.rotation_rpm drive.link_gbps
        drive.link_max_gbps drive.identity.wwn drive.identity.native_serial
        drive.identity.bridge_serial drive.identity.strength values.power_on_hours
        values.temperature_celsius values.reallocated values.pending values.offline_uncorrectable
        values.reported_uncorrectable values.command_timeouts values.crc_errors
        values.wear_percent_used values.available_spare_percent values.spare_threshold_percent
        values.media_errors values.critical_warnings values.grown_defects values.uncorrected_reads
        values.error_log_count values.host_bytes_written values.last_selftest.kind
        values.last_selftest.result values.last_selftest.hours values.last_selftest.lba
        failure_12_months.estimate failure_12_months.low failure_12_months.high
        failure_12_months.basis findings[].signal findings[].observed findings[].limit
        findings[].severity findings[].fault_class findings[].source findings[].action
    """,
    "plan-1": """
        host source candidates[].name candidates[].fits candidates[].checks[].check
        candidates[].checks[].result candidates[].checks[].reason candidates[].checks[].source steps
        cautions
    """,
    "contents-1": """
        partitions[].number partitions[].offset partitions[].length partitions[].file_system
        partitions[].label partitions[].encrypted partitions[].used_bytes partitions[].free_bytes
        partitions[].files areas
    """,
    "hosts-1": """
        hosts[].id hosts[].name hosts[].bay hosts[].interface hosts[].migration
    """,
    "next-1": "job state missing command why",
    "receipt-1": """
        source target bytes_total bytes_copied digest.algorithm digest.whole digest.chunk_bytes
        digest.chunks unreadable[].offset unreadable[].length fill parents verified
        verification.method verification.at partitions zero_fraction started finished tool_version
    """,
}


def has(document: Any, dotted: str) -> bool:
    """Whether the key is there, whatever its value."""
    name, _, rest = dotted.partition(".")
    if name.removesuffix("[]") not in document:
        return False
    inner = document[name.removesuffix("[]")]
    if name.endswith("[]"):
        inner = inner[0]
    return not rest or has(inner, rest)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder in which the demo ran."""
    place = tmp_path_factory.mktemp("json")
    before = Path.cwd()
    os.chdir(place)
    done = CliRunner().invoke(cli, ["demo", "d", "--json"])
    assert done.exit_code == 0, done.output
    (place / "demo.json").write_text(done.stdout)
    (place / "counters.csv").write_text("date,serial_number,model,failure,smart_5_raw\n2026-01-01,X,M,0,3\n")
    (place / "files").mkdir()
    (place / "files" / "one.txt").write_text("one")
    yield place
    os.chdir(before)


CASES = [
    ("drives", 0, "drives-1"),
    ("assess d/failing-drive.txt", 12, "assessment-1"),
    ("assess d/failing-drive.txt d/new-drive.txt d/stock.csv", 12, "assessments-1"),
    ("assess d/failing-drive.txt --explain", 12, "assessment-1"),
    ("assess-table counters.csv", 0, "assess-table-1"),
    ("assess-table counters.csv --evaluate", 0, "evaluation-1"),
    ("rules pending", 0, "rules-1"),
    ("readscan d/old-drive.img --sample 20", 0, "readscan-1"),
    ("contents d/old-drive.img", 0, "contents-1"),
    ("plan --host CH-2103 --reading d/failing-drive.txt --stock d/stock.csv", 0, "plan-1"),
    ("plan --host bay-m2-2280-nvme --reading d/failing-drive.txt --stock d/stock.csv", 30, "plan-1"),
    ("plan --host CH-2103 --reading d/failing-drive.txt --candidate d/new-drive.txt", 31, "plan-1"),
    ("copy d/old-drive.img another.img", 0, "receipt-1"),
    ("verify d/jobs/1042/new-drive.img.receipt.json", 20, "receipt-1"),
    ("copy-files files bag", 0, "bag-1"),
    ("verify bag", 0, "bag-1"),
    ("hosts list", 0, "hosts-1"),
    ("hosts show corvane-hearth-21", 0, "host-1"),
    ("hosts match CH-2103", 0, "host-1"),
    ("hosts check d/stock.csv", 3, "host-check-1"),
    ("job new 7 --host CH-2103 --complaint x --jobs d/jobs", 0, "opening-1"),
    ("job record 1042 consent --jobs d/jobs", 0, "fact-1"),
    ("job show 1042 --jobs d/jobs", 0, "job-1"),
    ("job list --jobs d/jobs", 0, "jobs-1"),
    ("job export 1042 --jobs d/jobs", 0, "export-1"),
    ("history KX25-00417 --jobs d/jobs", 0, "history-1"),
    ("shop report --jobs d/jobs", 0, "shop-report-1"),
    ("next 1042 --jobs d/jobs", 0, "next-1"),
    ("gate 1042 --jobs d/jobs", 0, "gate-1"),
    ("gate 7 --jobs d/jobs", 40, "gate-1"),
    ("handover 1042 --jobs d/jobs", 0, "handover-1"),
    ("job label 1042 --jobs d/jobs", 0, "labels-1"),
    ("job withdraw 1042 2 --note wrong --jobs d/jobs", 0, "withdrawal-1"),
    ("job change 1042 --reference blue --jobs d/jobs", 0, "change-1"),
    ("job move 1042 3 7 --note wrong --jobs d/jobs", 0, "withdrawal-1"),
    (
        "job close 1042 --started --old-drive kept --image d/new-drive.img kept --anyway so --jobs d/jobs",
        0,
        "closing-1",
    ),
    ("job reopen 1042 --note wrong --jobs d/jobs", 0, "withdrawal-1"),
]


@pytest.mark.parametrize(("typed", "code", "name"), CASES, ids=[case[0] for case in CASES])
def test_one_document_of_the_shipped_schema(place: Path, typed: str, code: int, name: str) -> None:
    done = CliRunner().invoke(cli, [*typed.split(), "--json"])
    assert done.exit_code == code, done.output
    check(json.loads(done.stdout), name)


def test_the_demo(place: Path) -> None:
    told = json.loads((place / "demo.json").read_text())
    check(told, "demo-1")
    assert all(Path(told[key]).exists() for key in told if key not in ("schema", "job"))


def check(document: Any, name: str) -> None:
    assert document["schema"] == f"drivecare/{name}"
    jsonschema.Draft202012Validator(json.loads(schema_bytes(name))).validate(document)
    if name == "receipt-1" and not document["unreadable"]:
        document["unreadable"] = [{"offset": 0, "length": 0}]
    assert [key for key in KEYS.get(name, "").split() if not has(document, key)] == []


def test_every_command_that_yields_a_result_is_here() -> None:
    """doctor and selftest ask the machine and have recorded machines of their own; records asks a server."""
    tried = {" ".join(case[0].split()[: 2 if case[0].split()[0] in ("hosts", "job", "shop") else 1]) for case in CASES}
    from tests.cli.test_help import LEAVES

    there = {name for name in LEAVES if not name.startswith("records")}
    assert there - tried == {"doctor", "selftest", "demo"}
