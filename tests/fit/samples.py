"""Hosts and candidates for the tests: everything right, to be made wrong one thing at a time."""

from __future__ import annotations

from typing import Any

import msgspec

from drivecare.documents import decode_toml
from drivecare.fit.host_profile import Host
from drivecare.fit.model import Candidate, JudgedCandidate
from drivecare.fit.plan import make_plan
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive, Reading, Values

PROFILE = """
id = "testbox-7"
name = "Testbox, revision 7"
kind = "unit"
what = "media console"
cautions = ["The lid is sharp."]

[label]
prefix = "TB"
revisions = ["70"]
region_digits = 2
source = "common practice, no source"

[bay]
form_factor = "2.5-inch"
height_mm = 9.5
spacer = true
screws = { count = 4, thread = "M3", head = "Phillips PH1", depth_mm = 3.0, holes = "side" }
tools = ["Phillips PH1"]
source = "common practice, no source"

[interface]
connector = "sata"
protocols = ["sata"]
link_gbps = 3.0
source = "common practice, no source"

[supply]
rail_5v_amps = 1.0
source = "common practice, no source"

[capacity]
least_bytes = 250_000_000_000
most_bytes = 1_000_204_886_016
why = "its firmware says so"
source = "common practice, no source"

[recording]
kinds = ["hdd", "ssd"]
shingled = "refuse"
daily_write_gb = 20
why = "it stalls"
source = "common practice, no source"

[sectors]
formats = ["512n", "512e"]
source = "common practice, no source"

[moving]
kind = "sector-copy"
how = "Start it."
source = "common practice, no source"

[[steps]]
phase = "open"
do = "Take the lid off"
tool = "Torx T8 with centre pin"
screws = "1 x M3 x 8"
caution = "the lid is sharp"

[[steps]]
phase = "fit"
do = "Put the drive in"

[[steps]]
phase = "close"
do = "Put the lid on"

[[symptoms]]
id = "hums"
says = "it hums"
words = ["hum", "hums"]
drive_likely = false
cause = "the fan"
first = ["the fan"]
source = "common practice, no source"
"""


def host(**tables: Any) -> Host:
    """The test profile with fields of it, or of its tables, replaced: host(bay={"height_mm": 7.0}, supply=None)."""
    profile = decode_toml(Host, PROFILE.encode(), origin="PROFILE")
    fields = {
        name: msgspec.structs.replace(getattr(profile, name), **value) if isinstance(value, dict) else value
        for name, value in tables.items()
    }
    return msgspec.structs.replace(profile, **fields)


def candidate(**facts: Any) -> Candidate:
    """A drive that fits the test profile in every respect, with facts replaced."""
    fitting: dict[str, Any] = {
        "name": "Kite K-500",
        "model": "Kite K-500",
        "serial": "KI-0001",
        "capacity_bytes": 500_107_862_016,
        "kind": "hdd",
        "protocol": "sata",
        "connector": "sata",
        "form_factor": "2.5-inch",
        "height_mm": 9.5,
        "logical_sector_bytes": 512,
        "physical_sector_bytes": 4096,
        "rotation_rpm": 5400,
        "link_gbps": 6.0,
        "peak_5v_amps": 0.9,
        "recording": "conventional",
    }
    return Candidate(**{**fitting, **facts})


def old_drive(capacity_bytes: int | None = 500_107_862_016, values: Values | None = None, **drive: Any) -> Reading:
    """The reading of the drive to be replaced."""
    return Reading(
        drive=Drive(
            **{
                "model": "Rook R-500",
                "serial": "RO-7",
                "identity": Identity(wwn="500c0ffe00000007", native_serial="RO-7", strength="strong"),
                "capacity_bytes": capacity_bytes,
                "logical_sector_bytes": 512,
                "link_gbps": 3.0,
                **drive,
            }
        ),
        values=values or Values(),
    )


def judged(drive: Candidate, unit: Host | None = None, reading: Reading | None = None, **more: Any) -> JudgedCandidate:
    """One candidate judged against the test profile and the old drive."""
    reading = old_drive() if reading is None else reading
    (only,) = make_plan(unit or host(), [drive], reading=reading, **more).candidates
    return only


def result(drive: JudgedCandidate, check: str) -> tuple[str, str]:
    """Result and reason of the one check of that name."""
    ((outcome, reason),) = [(each.result, each.reason) for each in drive.checks if each.check == check]
    return outcome, reason
