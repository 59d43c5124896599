"""Invented drives sold as new: what each shows, and the signals that give it away."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from drivecare.reading.model import Attribute, Reading
from drivecare.risk.model import Verdict
from tests.risk.drives import HDD, NVME, SAS, SATA_SSD, logged, reading, self_tests


class Incoming(NamedTuple):
    """One delivery: its verdict and the signals of its findings, notes aside."""

    id: str
    reading: Reading
    verdict: Verdict
    signals: tuple[str, ...]


def _new(drive: Any = HDD, values: dict[str, Any] | None = None, **fields: Any) -> Reading:
    counts = {"power_on_hours": 3, "power_cycles": 5} | (values or {})
    if drive.kind == "ssd":
        counts = {"wear_percent_used": 0, "host_bytes_written": 10**9} | counts
    return reading(drive, values=counts, **fields)


def _drive(drive: Any, **changes: Any) -> Any:
    return msgspec.structs.replace(drive, **changes)


INCOMING: tuple[Incoming, ...] = (
    Incoming("new hard drive", _new(), "refit", ()),
    Incoming("new SATA solid-state drive", _new(SATA_SSD), "refit", ()),
    Incoming("new NVMe drive", _new(NVME), "refit", ()),
    Incoming("months of use", _new(values={"power_on_hours": 2_900}), "replace", ("new_hours",)),
    Incoming("switched on often", _new(values={"power_cycles": 400}), "replace", ("new_cycles",)),
    Incoming("written twice over", _new(NVME, {"host_bytes_written": 10**12}), "replace", ("new_bytes_written",)),
    Incoming("worn", _new(NVME, {"wear_percent_used": 2}), "replace", ("new_wear",)),
    Incoming(
        "test long ago",
        _new(selftests=self_tests(("Short", "passed", 4_132, None))),
        "replace",
        ("counter_reset_hours", "new_old_log"),
    ),
    Incoming(
        "error long ago",
        _new(errors=logged("aborted", count=2, newest=9_000)),
        "replace",
        ("counter_reset_hours", "new_old_log"),
    ),
    Incoming(
        "statistics kept the hours", _new(statistics={"power_on_hours": 18_000}), "replace", ("counter_reset_hours",)
    ),
    Incoming(
        "heads have flown longer", _new(statistics={"head_flying_hours": 900}), "replace", ("counter_reset_hours",)
    ),
    Incoming(
        "statistics kept the defects", _new(statistics={"reallocated": 12}), "replace", ("counter_reset_reallocated",)
    ),
    Incoming(
        "statistics kept the writes",
        _new(NVME, statistics={"sectors_written": 10**11}),
        "replace",
        ("counter_reset_written",),
    ),
    Incoming(
        "the hours row has worn",
        _new(attributes=(Attribute(id=9, value=62, worst=62, threshold=0, raw=3),)),
        "replace",
        ("counter_reset_hours_row",),
    ),
    Incoming(
        "hot for longer than it ran",
        _new(NVME, {"warning_temperature_minutes": 900}),
        "replace",
        ("counter_reset_hot_minutes",),
    ),
    Incoming(
        "more written than its hours allow",
        _new(SATA_SSD, {"host_bytes_written": 90 * 10**12}),
        "replace",
        ("counter_reset_written_too_fast", "new_bytes_written"),
    ),
    Incoming(
        "251 GB of nobody's standard", _new(_drive(HDD, capacity_bytes=251_000_193_024)), "replace", ("odd_capacity",)
    ),
    Incoming(
        "cut down to a smaller label",
        _new(_drive(HDD, capacity_bytes=320_072_933_376, native_capacity_bytes=500_107_862_016)),
        "replace",
        ("new_hidden_area",),
    ),
    Incoming("locked by somebody", _new(_drive(HDD, security="locked")), "replace", ("new_locked", "security")),
    Incoming("losing data: sent back, not evacuated", _new(values={"pending": 8}), "replace", ("pending", "estimate")),
    Incoming("SAS, defects grown at the factory", _new(SAS, {"grown_defects": 2}), "replace", ("grown_defects",)),
    Incoming("nothing to be read", Reading(drive=HDD), "unproven", ("no-health-data",)),
)
