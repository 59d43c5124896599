"""Stock lists as they come out of a supplier's catalogue or a shop's own spreadsheet."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.errors import BadInput
from drivecare.fit.candidates import add_facts
from drivecare.fit.model import Candidate
from drivecare.fit.stock_list import Stock, read_stock
from drivecare.fit.units import parse_price
from tests.fit.samples import candidate


def read(text: str) -> Stock:
    return read_stock(text.encode(), origin="s.csv")


def only(column: str, cell: str) -> Candidate:
    (drive,) = read(f'model;{column}\nK;"{cell.replace(chr(34), chr(34) * 2)}"\n').candidates
    return drive


@pytest.mark.parametrize(
    ("column", "cell", "fields"),
    [
        ("form_factor", '2,5"', {"form_factor": "2.5-inch"}),
        ("form_factor", "2,5 Zoll", {"form_factor": "2.5-inch"}),
        ("form_factor", "2.5 in.", {"form_factor": "2.5-inch"}),
        ("form_factor", "3.5″", {"form_factor": "3.5-inch"}),
        ("form_factor", "22x80", {"form_factor": "m2-2280"}),
        ("form_factor", "22 × 42 mm", {"form_factor": "m2-2242"}),
        ("form_factor", "M2 2280", {"form_factor": "m2-2280"}),
        ("form_factor", "M.2-2260", {"form_factor": "m2-2260"}),
        ("form_factor", "2280 M.2", {"form_factor": "m2-2280"}),
        ("form_factor", '2½"', {"form_factor": "2.5-inch"}),
        ("form_factor", "M.2 2280 M-Key", {"form_factor": "m2-2280", "connector": "m2-m"}),
        ("form_factor", "2242 B+M", {"form_factor": "m2-2242", "connector": "m2-bm"}),
        ("connector", "M-Key", {"connector": "m2-m"}),
        ("connector", "Key B+M", {"connector": "m2-bm"}),
        ("connector", "M.2 (B&M key)", {"connector": "m2-bm"}),
        ("connector", "B-key", {"connector": "m2-b"}),
        ("connector", "SATA III", {"connector": "sata"}),
        ("connector", "SATA 6 Gb/s", {"connector": "sata"}),
        ("connector", "IDE 44 pin", {"connector": "pata-44"}),
        ("protocol", "SATA III", {"protocol": "sata"}),
        ("protocol", "NVMe 1.4", {"protocol": "nvme"}),
        ("link", "SATA III", {"link_gbps": 6.0}),
        ("link", "SATA 3", {"link_gbps": 6.0}),
        ("link", "SATA II", {"link_gbps": 3.0}),
        ("link", "SATA 3.0 Gb/s", {"link_gbps": 3.0}),
        ("link", "PCI-E 3.0 x4", {"pcie_generation": 3, "pcie_lanes": 4}),
        ("link", "PCIe Gen4x4", {"pcie_generation": 4, "pcie_lanes": 4}),
        ("link", "Gen 3 x2", {"pcie_generation": 3, "pcie_lanes": 2}),
        ("kind", "SATA SSD", {"kind": "ssd"}),
        ("kind", "HDD 5400", {"kind": "hdd"}),
        ("capacity", "500G", {"labelled_gb": 500}),
        ("sector_format", "512e (AF)", {"logical_sector_bytes": 512, "physical_sector_bytes": 4096}),
        ("sector_format", "512 / 4096", {"logical_sector_bytes": 512, "physical_sector_bytes": 4096}),
        ("peak_5v", "5V 0,95A", {"peak_5v_amps": 0.95}),
        ("peak_12v", "12 V / 850 mA", {"peak_12v_amps": 0.85}),
        ("recording", "CMR (conventional)", {"recording": "conventional"}),
        ("recording", "DM-SMR", {"recording": "shingled"}),
        ("mounting", "sides and bottom", {"mounting": ("side", "bottom")}),
        ("read_errors", "< 1 in 10^15 bits read", {"error_bits_exponent": 15}),
        ("read_errors", "10¹⁴", {"error_bits_exponent": 14}),
        ("price", "1.234,50 EUR", {"price": 1234.5}),
        ("height", "9.5\u00a0mm", {"height_mm": 9.5}),
        ("height", "—", {}),
    ],
)
def test_cells_as_people_fill_them(column: str, cell: str, fields: dict[str, Any]) -> None:
    assert only(column, cell) == Candidate(name="K", model="K", **fields)


@pytest.mark.parametrize(
    ("column", "cell", "reason"),
    [
        ("link", "SATA 3.0", "may be revision 3.0, which runs at 6.0 Gb/s, or a rate; write 6.0 Gb/s or 3.0 Gb/s"),
        ("price", "1.234", "may be 1234 or 1.234; write one of them without separators"),
        ("protocol", "SATA/SAS", "is more than one of: sata, sas"),
        ("recording", "not SMR", "is none of: conventional"),
        ("peak_5v", "12V 0.9A", "is about another voltage than 5 V"),
        ("connector", "PCIe", "is not a connector we know"),
    ],
)
def test_what_may_mean_two_things_is_asked(column: str, cell: str, reason: str) -> None:
    stock = read(f"model;{column}\nK;{cell}\n")
    assert stock.candidates == (Candidate(name="K", model="K"),)
    (fault,) = stock.faults
    assert reason in fault


@pytest.mark.parametrize(
    ("heading", "cell", "fields"),
    [
        ("Serial No.", "S1", {"serial": "S1"}),
        ("S/N", "S1", {"serial": "S1"}),
        ("Size", "500 GB", {"labelled_gb": 500}),
        ("Size", '2.5"', {"form_factor": "2.5-inch"}),
        ("Interface", "SATA III", {"protocol": "sata", "link_gbps": 6.0}),
        ("Interface", "NVMe PCIe 3.0 x4", {"protocol": "nvme", "pcie_generation": 3, "pcie_lanes": 4}),
        ("Interface", "SATA", {"protocol": "sata"}),
        ("Interface", "PCI-E 3.0 x4", {"pcie_generation": 3, "pcie_lanes": 4}),
        ("Interface", "mSATA", {"protocol": "sata", "connector": "msata"}),
        ("Schnittstelle", "SATA 3", {"protocol": "sata", "link_gbps": 6.0}),
        ("SMR", "yes", {"recording": "shingled"}),
        ("SMR", "nein", {"recording": "conventional"}),
        ("SMR", "CMR", {"recording": "conventional"}),
        ("Form-Factor", "mSATA", {"form_factor": "msata"}),
        ("Height (cm)", "0,95", {"height_mm": 9.5}),
        ("Peak 5V (mA)", "850", {"peak_5v_amps": 0.85}),
        ("Capacity GB", "500", {"labelled_gb": 500}),
        ("LBA", "976773168", {"capacity_bytes": 500_107_862_016}),
        ("Endurance [TBW]", "150", {"rated_written_bytes": 150 * 10**12, "kind": "ssd"}),
        ("Price EUR", "39,-", {"price": 39.0}),
        ("TBW", "150 TB", {"rated_written_bytes": 150 * 10**12, "kind": "ssd"}),
    ],
)
def test_headings_as_people_write_them(heading: str, cell: str, fields: dict[str, Any]) -> None:
    stock = read(f'Model;{heading}\nK;"{cell.replace(chr(34), chr(34) * 2)}"\n')
    assert (stock.candidates, stock.ignored, stock.faults) == ((Candidate(name="K", model="K", **fields),), (), ())


def test_a_column_of_its_own_goes_before_one_that_is_only_like_it() -> None:
    stock = read("model,part no.,interface,protocol,link\nK,P,SATA III,sata,3.0 Gb/s\n")
    assert stock.candidates == (Candidate(name="K", model="K", protocol="sata", link_gbps=3.0),)
    assert stock.ignored == ("part no.",)


def test_a_column_twice_counts_where_it_does_not_contradict_itself() -> None:
    stock = read("model,height,Height\nK,7,7\nL,7,\nM,7,9.5\n")
    assert [drive.height_mm for drive in stock.candidates] == [7.0, 7.0, None]
    assert stock.faults == ("s.csv:4 column height: taken as unknown: the list has it twice, with '7' and '9.5'.",)


def test_a_drive_listed_twice_is_named() -> None:
    stock = read("model,serial\nK,S1\nL,S1\nk,s1\n")
    assert len(stock.candidates) == 3
    assert stock.faults == ("s.csv:4: the same drive as in line 2, serial s1. Delete one of the two.",)


def test_a_spreadsheets_separator_line_is_skipped() -> None:
    assert [drive.height_mm for drive in read("sep=;\nmodel;height\nK;9,5\n").candidates] == [9.5]


def test_a_title_above_the_headings_is_skipped() -> None:
    stock = read("Delivery 12, 4 November; checked\n;;\nArtikel;Size;Serial No.\nK;500 GB;S1\nK;500 GB;S1\n")
    assert [(drive.name, drive.labelled_gb) for drive in stock.candidates] == [("K S1", 500), ("K S1 (2)", 500)]
    assert stock.faults == ("s.csv:5: the same drive as in line 4, serial S1. Delete one of the two.",)


def test_a_fault_says_once_what_is_expected() -> None:
    (fault,) = read("model;form_factor\nK;round\n").faults
    assert fault == (
        "s.csv:2 column form_factor: taken as unknown: 'round' is not a form factor we know. "
        'Expected: 2.5-inch, 3.5", mSATA, M.2 2280 ...'
    )


def test_every_unknown_cell_is_listed_at_once_and_the_plan_goes_on() -> None:
    stock = read("model,height,link,price\n" + "K,tall,fast,ask\n" * 20)
    assert len(stock.candidates) == 20
    assert [fault.partition(": ")[0] for fault in stock.faults] == [
        f"s.csv:2 and 19 more lines, column {column}" for column in ("height", "link", "price")
    ]


@pytest.mark.parametrize(
    ("text", "price"),
    [
        ("39", 39.0), ("39.00", 39.0), ("EUR 39.00", 39.0), ("39,90 €", 39.9), ("$1,234.50", 1234.5),
        ("1.234,50 EUR", 1234.5), ("CHF 1'234.50", 1234.5), ("1 234,50", 1234.5), ("39,-", 39.0), ("39.--", 39.0),
        ("1,234,567", 1234567.0), ("ask", None), ("1.234", None), ("1,234", None), ("-39", None), ("3-4", None),
        ("39.001,5.5", None), ("", None),
    ],
)  # fmt: skip
def test_prices(text: str, price: float | None) -> None:
    if price is None:
        with pytest.raises(ValueError, match=r"is not a price|write one of them"):
            parse_price(text)
    else:
        assert parse_price(text) == price


@given(st.integers(0, 99_999_999), st.sampled_from([",.", ".,", " ,", "'."]), st.sampled_from(["", "$", "EUR "]))
def test_a_price_with_cents_survives_any_separators(cents: int, signs: str, currency: str) -> None:
    thousands, decimal = signs[0], signs[1]
    written = f"{cents / 100:,.2f}".replace(",", "T").replace(".", decimal).replace("T", thousands)
    assert parse_price(currency + written) == pytest.approx(cents / 100)


def test_facts_by_hand_are_read_the_same_way() -> None:
    assert add_facts(candidate(), {"Interface speed": "SATA III"}).link_gbps == 6.0
    with pytest.raises(BadInput, match="may be revision"):
        add_facts(candidate(), {"link": "SATA 3.0"})


@pytest.mark.parametrize(
    ("headings", "cells", "fields"),
    [
        # JEDEC JESD218: TBW is the endurance rating of solid-state drives
        ("tbw", "150 TB", {"kind": "ssd"}),
        ("tbw;kind", "150 TB;hdd", {"kind": "hdd"}),
        ("tbw;rpm", "150 TB;5400", {"kind": None}),
        ("interface;form_factor;height", "SATA III;2,5 Zoll;7 mm", {"connector": "sata"}),
        ("interface;form_factor", "SATA III;3.5 inch", {"connector": "sata"}),
        ("interface;form_factor;connector", "SATA III;2.5 inch;sata-micro", {"connector": "sata-micro"}),
        # SFF-8784: the edge connector of 2.5-inch drives of 5 mm
        ("interface;form_factor;height", "SATA III;2.5 inch;5 mm", {"connector": None}),
        ("interface;form_factor", "NVMe;2.5 inch", {"connector": None}),
    ],
    ids=["flash", "told otherwise", "it turns", "7 mm", "3.5-inch", "told plug", "5 mm", "u.2 or u.3"],
)
def test_a_line_tells_what_its_other_cells_imply(headings: str, cells: str, fields: dict[str, Any]) -> None:
    (drive,) = read(f"model;{headings}\nK;{cells}\n").candidates
    assert {name: getattr(drive, name) for name in fields} == fields
