"""`drivecare assess-table` as its user meets it."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drivecare.cli.assess_table import assess_table
from drivecare.cli.main import cli
from drivecare.errors import BadInput
from tests.cli import bench

COLUMNS = "date,serial_number,model,capacity_bytes,failure,"
TABLE = f"""{COLUMNS}smart_5_raw,smart_9_raw,smart_187_raw,smart_197_raw,smart_198_raw
2030-01-01,KX1,KESTREL KD4000,4000787030016,0,0,9000,0,0,0
2030-01-01,KX2,KESTREL KD4000,4000787030016,1,12,9000,30,24,24
2030-01-01,KX3,KESTREL KD4000,4000787030016,0,,,,,
"""


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "day.csv"
    path.write_text(TABLE)
    return path


def run(*arguments: str | Path, stdin: str | None = None) -> Result:
    result = CliRunner().invoke(cli, ["assess-table", *map(str, arguments)], input=stdin, standalone_mode=False)
    if result.exception and not isinstance(result.exception, BadInput | SystemExit):
        raise result.exception
    return result


def test_columns_are_added_and_the_rest_is_kept(table: Path, tmp_path: Path) -> None:
    output = tmp_path / "judged.csv"
    result = run(table, "--output", output)
    assert result.output == f"3 rows judged: refit 1, evacuate 1, unproven 1\nwritten to {output}\n"
    lines = output.read_text().splitlines()
    assert lines[0] == TABLE.splitlines()[0] + ",verdict,estimate,low,high,leading_signal"
    for before, after in zip(TABLE.splitlines()[1:], lines[1:], strict=True):
        assert after.startswith(before + ",")
    added = [line.split(",")[-5:] for line in lines[1:]]
    assert [cells[0] for cells in added] == ["refit", "evacuate", "unproven"]
    assert float(added[0][2]) < float(added[0][1]) < float(added[0][3]) < 0.2
    assert float(added[1][1]) > 0.3
    assert added[1][4] == "pending"
    assert added[2][1:4] == ["", "", ""]


def test_without_an_output_the_table_goes_to_stdout_also_from_stdin(table: Path) -> None:
    assert run(table).output == run("-", stdin=TABLE).output
    assert run(table).output.splitlines()[0].endswith(",leading_signal")


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_table_as_spreadsheets_save_it(tmp_path: Path, separator: str) -> None:
    """Semicolons or tabs, capitals, headings that people write; what is written has commas."""
    path = tmp_path / "shop.csv"
    rows = [
        [
            "Serial No.",
            "Model Number",
            "Reallocated Sectors",
            "SMART 9 raw",
            "SMART_187_RAW",
            "Pending",
            "Smart 198 Raw",
        ],
        ["KX1", '"KESTREL; 4000"', "0", "9000,0", "0", "0", "0"],
        ["KX2", "KESTREL KD4000", "12", "9000", "30", "24", "24"],
    ]
    path.write_text("".join(separator.join(row) + "\r\n" for row in rows))
    ran = run(path)
    header, *judged = ran.output.splitlines()
    assert ran.exit_code == 0
    assert header == ",".join(rows[0]) + ",verdict,estimate,low,high,leading_signal"
    assert [line.split(",")[-5] for line in judged] == ["refit", "evacuate"]
    assert judged[0].startswith('KX1,KESTREL; 4000,0,"9000,0",0,')


def test_a_heading_of_its_own_goes_before_a_synonym(tmp_path: Path) -> None:
    path = tmp_path / "both.csv"
    path.write_text("Pending;smart_5_raw;smart_197_raw\n24;0;0\n")
    assert ",refit," in run(path).output.splitlines()[1]


def test_a_normalized_value_is_no_counter(tmp_path: Path) -> None:
    path = tmp_path / "normal.csv"
    path.write_text("model,smart_5_normalized,smart_197_normalized\nK,100,100\n")
    assert isinstance(run(path).exception, BadInput)


def test_windows_line_ends_and_a_mark_at_the_start(table: Path) -> None:
    plain = run(table).output
    table.write_bytes(b"\xef\xbb\xbf" + TABLE.replace("\n", "\r\n").encode())
    assert run(table).output == plain


def test_json_summary(table: Path) -> None:
    assert json.loads(run(table, "--json").output) == {
        "schema": "drivecare/assess-table-1",
        "rows": 3,
        "verdicts": {"refit": 1, "evacuate": 1, "unproven": 1},
        "output": None,
        "left_out": 0,
        "not_understood": 0,
    }


def test_evaluate(table: Path) -> None:
    found = json.loads(run(table, "--evaluate", "--json").output)
    assert found["schema"] == "drivecare/evaluation-1"
    assert (found["rows"], found["failed"], found["unscored"], found["auc"]) == (3, 1, 1, 1.0)
    said = run(table, "--evaluate").output
    assert said.startswith("3 rows, 1 marked as failed, 1 without an estimate left out\nAUC 1.0000\n")
    assert {(row["verdict"], row["rows"], row["failed"]) for row in found["verdicts"]} == {
        ("evacuate", 1, 1),
        ("unproven", 1, 0),
        ("refit", 1, 0),
    }
    assert "evacuate           100.0%           0.00%\n" in said


def test_evaluate_leaves_out_what_has_no_outcome(table: Path) -> None:
    marked = run(table, "--evaluate", "--json").output
    table.write_text(TABLE + "2030-01-01,KX4,KESTREL KD4000,4000787030016,,0,9000,0,0,0\n")
    found, before = json.loads(run(table, "--evaluate", "--json").output), json.loads(marked)
    assert (found.pop("unmarked"), found.pop("rows")) == (1, 4)
    assert (before.pop("unmarked"), before.pop("rows")) == (0, 3)
    assert found == before
    assert run(table, "--evaluate").output.startswith(
        "4 rows, 1 marked as failed, 1 without an estimate left out, 1 without an outcome left out\n"
    )


def test_a_compressed_table_is_read_as_it_is(table: Path, tmp_path: Path) -> None:
    packed = tmp_path / "day.csv.gz"
    packed.write_bytes(gzip.compress(TABLE.encode()))
    assert run(packed).output == run(table).output
    packed.write_bytes(gzip.compress(TABLE.encode())[:-20])
    result = run(packed)
    assert isinstance(result.exception, BadInput)
    assert result.exception.message() == f"{packed}: is a damaged gzip file. Fetch it again."


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty. A header line and one line per drive are needed."),
        ("date,model\n1,2\n", "has no column of raw counters. The header needs names such as smart_5_raw, "
         "smart_187_raw, smart_197_raw."),
        ("smart_5_raw,verdict\n1,x\n", "has a column verdict already. Give the table as it was before it was judged."),
    ],
    ids=["empty", "no counters", "judged already"],
)  # fmt: skip
def test_a_malformed_table_is_one_line_and_leaves_nothing(tmp_path: Path, text: str, message: str) -> None:
    table, output = tmp_path / "bad.csv", tmp_path / "judged.csv"
    table.write_text(text)
    result = run(table, "--output", output)
    assert isinstance(result.exception, BadInput)
    assert result.exception.message() == f"{table}: {message}"
    assert result.exception.exit_code == 3
    assert list(tmp_path.iterdir()) == [table]


def test_what_is_wrong_is_told_at_once_and_the_rest_is_judged(tmp_path: Path) -> None:
    table, output = tmp_path / "day.csv", tmp_path / "judged.csv"
    rows = ["a,0", "b,n/a", "c", "d,many", *(f"e{number}" for number in range(20)), "f,0"]
    table.write_text("\n".join(["model,smart_5_raw", *rows]) + "\n")
    result = bench.run(assess_table, table, "--output", output)
    assert result.exit_code == 3
    assert [line.split(",")[0] for line in output.read_text().splitlines()] == ["model", "a", "b", "d", "f"]
    told = result.err.splitlines()
    assert told[:2] == [
        f"{table}: line 4 is left out: it has 1 cells, the header has 2.",
        f"{table}: line 5: column smart_5_raw holds 'many', a whole number or an empty cell is needed; "
        "taken as unreadable.",
    ]
    assert told[9] == "... 10 more faults"
    assert told[-1].startswith(f"{table}: line 25 is left out")
    assert len(told) == 13
    found = json.loads(run(table, "--json").stdout)
    assert (found["rows"], found["left_out"], found["not_understood"]) == (4, 21, 1)


def test_a_cell_that_is_no_number_does_not_fail_the_table(tmp_path: Path) -> None:
    table = tmp_path / "day.csv"
    table.write_text("model,smart_5_raw,failure\na,many,perhaps\n")
    assert run(table).exit_code == 0
    result = run(table, "--evaluate", "--json")
    assert json.loads(result.stdout)["unmarked"] == 1
    assert "line 2: column failure holds 'perhaps', 0 or 1 is needed; taken as not known." in result.stderr


def test_bytes_that_are_no_text_come_through_in_a_row_and_are_refused_in_the_header(tmp_path: Path) -> None:
    table, output = tmp_path / "bad.csv", tmp_path / "judged.csv"
    table.write_bytes(b"model,smart_5_raw\n\xff\xfe,1\n")
    assert run(table, "--output", output).exit_code == 0
    assert output.read_bytes().splitlines()[1].startswith(b"\xff\xfe,1,")
    assert run(table).stdout_bytes == output.read_bytes()
    table.write_bytes(b"\x00\x01\xff,smart_5\nx,1\n")
    result = run(table)
    assert isinstance(result.exception, BadInput)
    assert "does not begin with a line of text" in result.exception.message()


@pytest.mark.parametrize(
    "data",
    [
        "model;Pending\nKestrel;24\n".encode("utf-16"),
        gzip.compress("model;Pending\nKestrel;24\n".encode("utf-16")),
        "Modell;Pending;Größe\nKestrel;24;½ TB\n".encode("cp1252"),
        b"Pulled in November;;\r\n\r\nModel;Pending\r\nKestrel;24\r\n",
        b"sep=;\nmodel;Pending\nKestrel;24\n",
    ],
    ids=["utf-16", "packed", "cp1252", "a title", "a spreadsheet's own line"],
)
def test_a_table_in_any_encoding_and_with_a_title(tmp_path: Path, data: bytes) -> None:
    table, output = tmp_path / "day.csv", tmp_path / "judged.csv"
    table.write_bytes(data)
    assert run(table, "--output", output).output.startswith("1 rows judged: evacuate 1")
    head, row = output.read_bytes().splitlines()
    assert head.endswith(b",verdict,estimate,low,high,leading_signal")
    assert row.startswith(b"Kestrel,24,")
    assert b",evacuate," in row
    piped = CliRunner().invoke(cli, ["assess-table", "-"], input=gzip.decompress(data) if data[0] == 0x1F else data)
    assert piped.stdout_bytes == output.read_bytes()


def test_a_fault_below_a_title_is_named_by_its_line(tmp_path: Path) -> None:
    table = tmp_path / "day.csv"
    table.write_text("November\nmodel,smart_5_raw\na,1\nb,many\n")
    assert "line 4: column smart_5_raw holds 'many'" in run(table).stderr


def test_evaluate_needs_the_outcome(tmp_path: Path) -> None:
    table = tmp_path / "day.csv"
    table.write_text("smart_5_raw\n1\n")
    result = run(table, "--evaluate")
    assert isinstance(result.exception, BadInput)
    assert "has no column failure" in result.exception.message()


def test_the_table_is_not_written_over(table: Path) -> None:
    result = run(table, "--output", table)
    assert isinstance(result.exception, BadInput)
    assert table.read_text() == TABLE


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null"])
def test_a_device_is_no_table(device: str) -> None:
    ran = bench.run(assess_table, device)
    assert ran.exit_code == 3
    assert ran.err == f"drivecare: {device}: is a device, a table is needed. For one drive: drivecare assess.\n"
