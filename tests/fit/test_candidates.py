"""Candidates: stock lists as shops keep them, readings, facts by hand."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.documents import encode
from drivecare.errors import BadInput
from drivecare.fit.candidates import add_facts, candidate_from_reading
from drivecare.fit.model import Candidate
from drivecare.fit.stock_columns import COLUMNS
from drivecare.fit.stock_list import read_stock
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive, Reading
from tests.fit.samples import candidate, old_drive


def read(text: str, encoding: str = "utf-8") -> tuple[Candidate, ...]:
    return read_stock(text.encode(encoding), origin="stock.csv").candidates


def test_every_column() -> None:
    header = ",".join(COLUMNS)
    row = (
        "Kite,K-500,KI-1,5 000c50 0a1b2c3d4,500 GB,ssd,SATA,SATA,2.5-inch,9.5 mm,512e,5400,6.0 Gb/s,0,850 mA,0 A,no,"
        "CMR,side+bottom,150 TBW,1 in 10^15,120 MB/s,A3,EUR 39.00"
    )
    (entry,) = read(f"{header}\n{row}\n")
    assert entry == Candidate(
        name="Kite",
        model="K-500",
        serial="KI-1",
        identity=Identity(wwn="5000c500a1b2c3d4"),
        labelled_gb=500,
        kind="ssd",
        protocol="sata",
        connector="sata",
        form_factor="2.5-inch",
        height_mm=9.5,
        logical_sector_bytes=512,
        physical_sector_bytes=4096,
        rotation_rpm=5400,
        link_gbps=6.0,
        peak_3v3_amps=0.0,
        peak_5v_amps=0.85,
        peak_12v_amps=0.0,
        power_disable=False,
        recording="conventional",
        mounting=("side", "bottom"),
        rated_written_bytes=150 * 10**12,
        error_bits_exponent=15,
        sustained_mb_s=120,
        shelf="A3",
        price=39.0,
    )


@pytest.mark.parametrize("unknown", ["", "-", "?", "unknown", " n/a "])
def test_a_cell_nobody_filled_in_is_unknown(unknown: str) -> None:
    (entry,) = read(f"model,height,capacity,recording\nK,{unknown},{unknown},{unknown}\n")
    assert entry == Candidate(name="K", model="K")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings_and_decimal_commas(encoding: str) -> None:
    (entry,) = read("Model;Height (mm);Capacity;Shelf\r\nK;9,5;1 TB;Käfig\r\n", encoding)
    assert (entry.height_mm, entry.labelled_gb, entry.shelf) == (9.5, 1000, "Käfig")


def test_tabs_quotes_blank_lines_and_missing_cells() -> None:
    assert [entry.name for entry in read('\n"model"\theight\n\nK\t9.5\n\t\nL\n')] == ["K", "L"]
    (entry,) = read('model,height\n"K, the ""big"" one","9,5"\n')
    assert (entry.name, entry.height_mm) == ('K, the "big" one', 9.5)


def test_other_columns_are_left_alone_and_named() -> None:
    stock = read_stock(b"model,colour,heigth\nK,red,9\n", origin="stock.csv")
    assert stock.ignored == ("colour", "heigth")
    assert stock.candidates == (Candidate(name="K", model="K"),)


def test_drives_of_one_name_are_told_apart() -> None:
    assert [entry.name for entry in read("model,serial\nK,1\nK,2\nK,\nK,\nL,3\n")] == ["K 1", "K 2", "K", "K (2)", "L"]


def test_a_worldwide_name_of_zeros_names_no_drive() -> None:
    """A drive that has none prints zeros; taken for a name, two such drives would be one."""
    stock = read_stock(b"model,wwn\nK,0000000000000000\nL,5000 c500 a1b2 c3d4\n", origin="stock.csv")
    assert [candidate.identity.wwn for candidate in stock.candidates] == [None, "5000c500a1b2c3d4"]
    assert len(stock.faults) == 1


HEIGHT = "stock.csv:3 column height: taken as unknown"


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        (
            "K,tall",
            f"{HEIGHT}: 'tall' is not a number with a unit. Expected: 9.5 mm, also 9,5.",
        ),
        (
            "K,9.5 inch",
            f"{HEIGHT}: 'inch' is none of: mm, cm. Expected: 9.5 mm, also 9,5.",
        ),
        (
            "K,9.5,3",
            "stock.csv:3: left out: has 3 cells under 2 columns. "
            "Put a cell that holds the separator into double quotes.",
        ),
        (",9.5", "stock.csv:3: left out: does not name a drive. Fill in name or model."),
    ],
)
def test_a_wrong_cell_is_named_by_file_line_and_column(cells: str, message: str) -> None:
    stock = read_stock(f"model,height\nGood,9.5\n{cells}\nAlso good,7\n".encode(), origin="stock.csv")
    assert stock.faults == (message,)
    names = [entry.name for entry in stock.candidates if entry.height_mm is not None]
    assert names == ["Good", "Also good"]


def test_every_fault_of_a_list_is_told_at_once_and_the_rest_is_read() -> None:
    text = f'model,height,kind\nA,tall,floppy\n,7,ssd\nB,7,ssd\n"C"x,9,hdd\n{"9" * 500},{"9" * 401},hdd\n"D,9.5\n'
    stock = read_stock(text.encode(), origin="s.csv")
    assert [fault.partition(": ")[0] for fault in stock.faults] == [
        "s.csv:2 column height", "s.csv:2 column kind", "s.csv:3", "s.csv:5", "s.csv:6 column model",
        "s.csv:6 column height", "s.csv:6", "s.csv:7",
    ]  # fmt: skip
    facts = [(entry.name, entry.height_mm, entry.kind) for entry in stock.candidates]
    assert facts == [("A", None, None), ("B", 7, "ssd")]


@pytest.mark.parametrize("cell", ["9" * 400, "9" * 30 + " bytes", "1e400", "1" + ", " * 190 + "1x"])
@pytest.mark.parametrize("column", sorted(set(COLUMNS) - {"name", "shelf"}))
def test_no_cell_gives_a_value_that_no_document_takes(column: str, cell: str) -> None:
    stock = read_stock(f'name,{column}\nx,"{cell}"\n'.encode(), origin="s.csv")
    for entry in stock.candidates:
        encode(entry)


def test_thousands_of_one_name_are_told_apart_in_no_time() -> None:
    names = [entry.name for entry in read("model\n" + "K\n" * 5000)]
    assert len(set(names)) == 5000
    assert names[-1] == "K (5000)"


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("capacity", "500"),
        ("capacity", "big"),
        ("kind", "floppy"),
        ("protocol", "parallel"),
        ("connector", "scart"),
        ("form_factor", "M.2"),
        ("form_factor", "5.25"),
        ("height", "-9.5"),
        ("sector_format", "520"),
        ("link", "7 Gb/s"),
        ("link", "PCIe 9.0 x4"),
        ("link", "PCIe 3.0 x3"),
        ("peak_5v", "5 W"),
        ("power_disable", "maybe"),
        ("recording", "vinyl"),
        ("mounting", "top"),
        ("endurance", "150"),
        ("endurance", "150 gallons"),
        ("read_errors", "few"),
        ("rate", "fast"),
        ("price", "ask"),
        ("wwn", "5000c500"),
    ],
)
def test_what_no_column_takes(column: str, cell: str) -> None:
    stock = read_stock(f"model,{column}\nK,{cell}\n".encode(), origin="stock.csv")
    assert [fault.partition(": taken as unknown: ")[0] for fault in stock.faults] == [f"stock.csv:2 column {column}"]
    assert stock.candidates == read_stock(b"model\nK\n", origin="stock.csv").candidates


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "stock.csv: holds no line. The first line names the columns: name, model"),
        (b"\n\n", "stock.csv: holds no line."),
        (b"height\n9.5\n", "stock.csv:1: has neither a column name nor a column model."),
        (b"\x7fELF\x00\x01", "stock.csv: is not text."),
        (b"model\n" + b"K\n" * 10_001, "stock.csv: has more than 10,000 lines."),
    ],
)
def test_what_is_no_stock_list(data: bytes, message: str) -> None:
    with pytest.raises(BadInput) as refused:
        read_stock(data, origin="stock.csv")
    assert refused.value.message().startswith(message)
    assert "\n" not in refused.value.message()


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_words(data: bytes) -> None:
    with contextlib.suppress(BadInput):  # and no other error
        read_stock(data, origin="stock.csv")


@given(st.sampled_from(list(COLUMNS)), st.text(max_size=20))
def test_any_cell_is_read_or_refused_in_words(column: str, cell: str) -> None:
    with contextlib.suppress(BadInput):
        add_facts(candidate(), {column: cell})


def test_an_empty_stock_list_has_no_drives() -> None:
    assert read("model,height\n") == ()


def test_a_reading_tells_neither_height_nor_current_nor_holes() -> None:
    entry = candidate_from_reading(
        old_drive(
            kind="hdd",
            protocol="ata",
            form_factor="2.5 inches",
            link_max_gbps=6.0,
            physical_sector_bytes=4096,
        ),
        verdict="refit",
    )
    assert (entry.name, entry.capacity_bytes, entry.connector, entry.protocol) == (
        "Rook R-500 RO-7",
        500_107_862_016,
        "sata",
        "sata",
    )
    assert (entry.height_mm, entry.peak_5v_amps, entry.mounting, entry.recording) == (None, None, None, None)
    assert entry.identity.strength == "strong"


@pytest.mark.parametrize(
    ("drive", "protocol", "connector"),
    [
        (Drive(protocol="nvme", form_factor="M.2"), "nvme", None),
        (Drive(protocol="ata", form_factor="M.2 2280", link_max_gbps=6.0), "sata", None),
        (Drive(protocol="ata", form_factor="2.5 inches"), None, None),  # no SATA line: it may be PATA
        (Drive(protocol="ata", form_factor="2.5 inches", ata_transport="serial"), "sata", "sata"),
        (Drive(protocol="ata", form_factor="2.5 inches", ata_transport="parallel"), "pata", None),
        (Drive(protocol="scsi", form_factor="3.5 inches"), "sas", "sas"),
        (Drive(), None, None),
    ],
)
def test_the_plug_is_taken_from_a_reading_only_where_there_is_one_kind(
    drive: Drive, protocol: str | None, connector: str | None
) -> None:
    entry = candidate_from_reading(Reading(path="somewhere", drive=drive))
    assert (entry.name, entry.protocol, entry.connector) == ("somewhere", protocol, connector)


def test_facts_by_hand_are_marked() -> None:
    entry = add_facts(candidate(height_mm=None), {"height": "9,5", "Peak 5V": "0.7 A"})
    assert (entry.height_mm, entry.peak_5v_amps) == (9.5, 0.7)
    assert entry.by_hand == ("height", "peak_5v")


@pytest.mark.parametrize("fact", ["serial", "wwn", "colour"])
def test_what_cannot_be_given_by_hand(fact: str) -> None:
    with pytest.raises(BadInput, match="is not a fact that can be given by hand"):
        add_facts(candidate(), {fact: "1"})
