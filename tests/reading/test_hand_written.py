"""A part of a report below a head in somebody's own words names a drive, but proves nothing about which it is."""

from __future__ import annotations

import pytest

from drivecare.errors import NoDrive
from drivecare.reading.decode import decode_report
from drivecare.reading.identity import compare
from drivecare.risk.assess import assess
from tests.reading.recorded import report

TABLE = report("hdd-nothing-against-it").split("Vendor Specific SMART Attributes with Thresholds:\n")[1]
NVME_LOG = report("nvme-nothing-against-it").split("START OF SMART DATA SECTION ===\n")[1]
PENDING = "197 Current_Pending_Sector  0x0032   200   200   000    Old_age   Always       -       "


@pytest.mark.parametrize(
    ("head", "model", "serial"),
    [
        ("Model: KD-500 SN KX25-00417", "KD-500", "KX25-00417"),
        ("Kestrel drive KD-500, S/N: KX2500417", "KD-500", "KX2500417"),
        ("model = Kestrel KD-500\nserial no. = KX25-00417\ncustomer: Brandt", "Kestrel KD-500", "KX25-00417"),
        ("Disk: Kestrel KD-500 (Serial #KX25-00417)", "Kestrel KD-500", "KX25-00417"),
        ("Here is that drive again, serial number KX25-00417:", None, "KX25-00417"),
    ],
)
def test_a_table_below_a_hand_written_head(head: str, model: str | None, serial: str) -> None:
    reading = decode_report(f"{head}\n\n{TABLE}".replace(f"{PENDING}0", f"{PENDING}24"))
    assert (reading.drive.model, reading.drive.serial, reading.drive.named_by_hand) == (model, serial, True)
    assert (reading.drive.identity.strength, reading.drive.identity.native_serial) == ("weak", None)
    assert [gap.code for gap in reading.gaps if gap.code in ("named-by-hand", "identity-weak")] == ["named-by-hand"]
    assert reading.values.pending == 24
    assert assess(reading).verdict == "evacuate"


def test_it_proves_nothing_about_which_drive_it_is() -> None:
    reading = decode_report(f"Model: Kestrel KD-500 SN KX25-00417\n{TABLE}")
    assert compare(reading.drive, decode_report(report("hdd-nothing-against-it")).drive) == "unknown"


def test_a_log_of_nvme_below_a_hand_written_head() -> None:
    reading = decode_report(f"Model: Merlin MN-512 SN MN23-51200\n{NVME_LOG}")
    assert (reading.drive.serial, reading.drive.protocol) == ("MN23-51200", "nvme")
    assert reading.values.available_spare_percent is not None


@pytest.mark.parametrize(
    "text",
    [
        "Model: KD-500 SN KX25-00417\nIt clicks. Can you save it?\n",
        f"It clicks. Can you save it?\n{TABLE}",
        f"{TABLE}\n\nModel: KD-500 SN KX25-00417\n",
    ],
    ids=["no data", "no name", "below the data"],
)
def test_what_names_no_drive(text: str) -> None:
    with pytest.raises(NoDrive):
        decode_report(text)


def test_what_the_drive_says_counts_where_it_says_it() -> None:
    reading = decode_report("Model: Other SN 12345678\n" + report("hdd-nothing-against-it"))
    assert (reading.drive.serial, reading.drive.named_by_hand) == ("KX25-00417", False)
