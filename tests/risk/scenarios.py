"""Invented readings with the verdict and fault class that a careful engineer gives them."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from drivecare.reading.model import Attribute, Gap, LoggedErrors, Reading
from drivecare.reading.surface import SlowArea, SurfaceScan, UnreadableArea
from drivecare.risk.model import FaultClass, Verdict
from tests.risk.drives import HDD, NVME, SAS, SATA_SSD, hdd, logged, near, nvme, reading, row, sas, self_tests, ssd


class Scenario(NamedTuple):
    """One drive, its verdict, the class its verdict rests on, and what else `assess` is given."""

    id: str
    reading: Reading
    verdict: Verdict
    fault_class: FaultClass
    given: dict[str, Any] = {}  # noqa: RUF012  never changed


def scan(**fields: Any) -> SurfaceScan:
    """A complete scan of the invented hard drive, half an hour before its reading."""
    whole = {
        "serial": HDD.serial,
        "started": "2026-11-25T07:00:00+00:00",
        "finished": "2026-11-25T10:00:00+00:00",
        "bytes_total": HDD.capacity_bytes,
        "bytes_read": HDD.capacity_bytes,
    }
    return SurfaceScan(**(whole | fields))


def _drive(drive: Any, **changes: Any) -> Any:
    return msgspec.structs.replace(drive, **changes)


BLOCKED = Gap(code="bridge-blocked", what="The bridge lets nothing through.", blocks=True, advice="Use a native port.")
JUNK = Gap(code="table-junk", what="The table cannot be true.", blocks=True)
DOUBTFUL = Gap(code="wear-doubtful", what="One row says that it is worn out, another does not.")
EARLIER = "2026-11-20T09:00:00+00:00"


def _before(now: Reading, **values: Any) -> dict[str, Any]:
    """The same drive five days earlier with other values."""
    then = msgspec.structs.replace(now.values, **({"power_on_hours": (now.values.power_on_hours or 0) - 20} | values))
    return {"history": (msgspec.structs.replace(now, read_at=EARLIER, values=then),)}


def _ssd_log(count: int) -> Reading:
    """A SATA solid-state drive that logs read errors and counts them."""
    errors = logged("uncorrectable", count=count, newest=8_990)
    return reading(SATA_SSD, values={"reported_uncorrectable": count}, errors=errors)


OLD_FAILURE = self_tests(("Extended", "read", 900, 4711))
SCENARIOS: tuple[Scenario, ...] = (
    # Nothing against it.
    Scenario("clean laptop drive", hdd(), "refit", "none"),
    Scenario("old drive, nothing but hours", hdd(power_on_hours=61_000, power_cycles=20_000), "refit", "none"),
    Scenario("a trace of damaged transfers on the cable", hdd(crc_errors=9), "refit", "none"),
    Scenario(
        "an old trace of damaged transfers in the log",
        reading(values={"crc_errors": 1}, errors=logged("link checksum", count=1, newest=9_000)),
        "refit",
        "none",
    ),
    Scenario("a few damaged transfers on the link", hdd(phy_errors=12), "refit", "none"),
    Scenario("once too hot, by its statistics", reading(statistics={"minutes_too_hot": 90}), "refit", "none"),
    Scenario("a few timed-out commands", hdd(command_timeouts=2), "refit", "none"),
    Scenario("warm drive", hdd(temperature_celsius=55), "refit", "none"),
    Scenario(
        "usage row past its limit long ago", reading(attributes=(row(193, "past", prefail=False),)), "refit", "none"
    ),
    Scenario(
        "self-test aborted by the host",
        reading(selftests=self_tests(("Short", "aborted", 21_900, None))),
        "refit",
        "none",
    ),
    Scenario(
        "aborted commands in the log",
        reading(errors=logged("aborted", count=43, newest=21_900), values={"error_log_count": 43}),
        "refit",
        "none",
    ),
    Scenario("slow dock", reading(_drive(HDD, link_gbps=3.0, link_max_gbps=6.0)), "refit", "none"),
    Scenario("hidden area", reading(_drive(HDD, native_capacity_bytes=500_108_910_592)), "refit", "none"),
    Scenario("warned of by the backend", reading(_drive(HDD, firmware_warning="May hang.")), "refit", "none"),
    Scenario("divided into namespaces", reading(_drive(NVME, native_capacity_bytes=10**13)), "refit", "none"),
    Scenario("NVMe with a warm spot inside", nvme(hottest_sensor_celsius=90), "refit", "none"),
    Scenario("clean solid-state drive", ssd(), "refit", "none"),
    Scenario("solid state, worn to 85 %", ssd(wear_percent_used=85), "refit", "none"),
    Scenario(
        "solid state, rows of wear disagree below the limits",
        reading(SATA_SSD, values={"wear_percent_used": 40}, gaps=(DOUBTFUL,)),
        "refit",
        "none",
    ),
    Scenario("solid state, warm", ssd(temperature_celsius=70), "refit", "none"),
    Scenario("solid state, reallocation events alone", ssd(reallocation_events=5), "refit", "none"),
    Scenario("clean NVMe drive", nvme(), "refit", "none"),
    Scenario(
        "NVMe, refused commands and power cuts", nvme(error_log_count=1_356, unsafe_shutdowns=109), "refit", "none"
    ),
    Scenario(
        "NVMe, spare 0 of 0: not counted", nvme(available_spare_percent=0, spare_threshold_percent=0), "refit", "none"
    ),
    Scenario("NVMe, spare at 40 %", nvme(available_spare_percent=40), "refit", "none"),
    Scenario(
        "NVMe, once hot for minutes",
        nvme(warning_temperature_minutes=284, critical_temperature_minutes=3),
        "refit",
        "none",
    ),
    Scenario("clean SAS drive", sas(), "refit", "none"),
    Scenario("SAS, non-medium errors", sas(non_medium_errors=84_893), "refit", "none"),
    Scenario("SAS, failure prediction as a test", sas(failure_prediction="5d/ff"), "refit", "none"),
    Scenario(
        "SAS, alarm is the test alone",
        reading(SAS, drive_says="failing", values={"failure_prediction": "5d/ff"}),
        "refit",
        "none",
    ),
    Scenario("more hours than the clock allows", hdd(), "refit", "none", _before(hdd(), power_on_hours=1_000)),
    # Something to clear up.
    Scenario("link errors alone", hdd(crc_errors=72_380), "recheck", "link"),
    Scenario(
        "link errors in the log",
        reading(errors=logged("link checksum", "aborted", count=4, newest=21_890)),
        "recheck",
        "link",
    ),
    Scenario(
        "old link errors in the log, many counted",
        reading(values={"crc_errors": 10}, errors=logged("link checksum", count=4, newest=9_000)),
        "recheck",
        "link",
    ),
    Scenario(
        "link errors in the log, nobody knows when",
        reading(errors=logged("link checksum", count=1, newest=None)),
        "recheck",
        "link",
    ),
    Scenario("many damaged transfers on the link", hdd(phy_errors=4_000), "recheck", "link"),
    Scenario("very many timed-out commands", ssd(command_timeouts=4_000), "recheck", "link"),
    Scenario("one reallocated sector", hdd(reallocated=1), "recheck", "media"),
    Scenario("a reallocation event without a sector", hdd(reallocation_events=2), "recheck", "media"),
    Scenario("starts failed, by its statistics", reading(statistics={"start_failures": 2}), "recheck", "mechanics"),
    Scenario(
        "candidates for replacement, by its statistics",
        reading(statistics={"reallocation_candidates": 5}),
        "recheck",
        "media",
    ),
    Scenario(
        "a pending count that is no number",
        reading(
            values={"pending": None},
            attributes=(Attribute(id=197, name="Current_Pending_Sector", raw_text="-1"),),
        ),
        "recheck",
        "none",
    ),
    Scenario("spin retries", hdd(spin_retries=2), "recheck", "mechanics"),
    Scenario(
        "above its own temperature limit",
        reading(_drive(HDD, temperature_limit_celsius=55), values={"temperature_celsius": 58}),
        "recheck",
        "heat",
    ),
    Scenario("a password set, and open", reading(_drive(HDD, security="unlocked")), "refit", "none"),
    Scenario("overlapping tracks", reading(_drive(HDD, zoned="device-managed")), "refit", "none"),
    Scenario("sectors of an array", reading(_drive(SAS, logical_sector_bytes=520)), "refit", "none"),
    Scenario("heads parked often", hdd(load_cycles=300_000), "refit", "none"),
    Scenario("heads parked very often", hdd(load_cycles=600_000), "refit", "none"),
    Scenario("a few read errors counted", hdd(counted_read_errors=3), "refit", "none"),
    Scenario("many read errors counted", hdd(counted_read_errors=100), "recheck", "media"),
    Scenario("a few seek errors counted", hdd(counted_seek_errors=3), "refit", "none"),
    Scenario("many seek errors counted", hdd(counted_seek_errors=100), "recheck", "mechanics"),
    Scenario("a few write errors counted", hdd(counted_write_errors=3), "refit", "none"),
    Scenario("many write errors counted", hdd(counted_write_errors=10), "recheck", "media"),
    Scenario("hot, no limit of its own", hdd(temperature_celsius=63), "recheck", "heat"),
    Scenario("solid state, hot", ssd(temperature_celsius=81), "recheck", "heat"),
    Scenario("temperature row failing now", reading(attributes=(row(190, "now", prefail=False),)), "recheck", "heat"),
    Scenario(
        "pre-fail temperature row failing now", reading(attributes=(row(194, "now", prefail=True),)), "recheck", "heat"
    ),
    Scenario(
        "temperature row failed in the past", reading(attributes=(row(190, "past", prefail=False),)), "recheck", "heat"
    ),
    Scenario(
        "failing worked out from a temperature row",
        reading(
            drive_says="failing", qualifiers=("attribute check only",), attributes=(row(190, "now", prefail=False),)
        ),
        "recheck",
        "heat",
    ),
    Scenario(
        "pre-fail row about to trip",
        reading(attributes=(near(1, "Raw_Read_Error_Rate", 53, 51, worst=52),)),
        "recheck",
        "media",
    ),
    Scenario("age-type threshold now", reading(attributes=(row(184, "now", prefail=False),)), "recheck", "electronics"),
    Scenario(
        "age-type threshold in the past", reading(attributes=(row(199, "past", prefail=False),)), "recheck", "link"
    ),
    Scenario(
        "start count at its threshold, marked pre-fail",
        reading(attributes=(row(4, "now", prefail=True),)),
        "recheck",
        "none",
    ),
    Scenario(
        "old burst of read errors", reading(errors=logged("uncorrectable", count=48, newest=6_964)), "recheck", "media"
    ),
    Scenario(
        "old burst of read errors on a drive without 187 and 198",
        reading(
            values={"reported_uncorrectable": None, "offline_uncorrectable": None},
            errors=logged("uncorrectable", count=48, newest=6_964),
        ),
        "recheck",
        "media",
    ),
    Scenario(
        "fresh read errors of a drive whose log's hours have begun anew",
        reading(values={"power_on_hours": 70_000}, errors=logged("uncorrectable", count=48, newest=70_000 - 65_536)),
        "replace",
        "media",
    ),
    Scenario(
        "few fresh read errors, counters at zero",
        reading(errors=logged("uncorrectable", count=3, newest=21_890)),
        "recheck",
        "media",
    ),
    Scenario(
        "one older failed test, a longer one passed",
        reading(selftests=self_tests(("Extended", "passed", 21_900, None), ("Short", "read", 15_000, 4711))),
        "recheck",
        "media",
    ),
    Scenario("failed test long ago, counters at zero", reading(selftests=OLD_FAILURE), "recheck", "media"),
    Scenario(
        "servo failure long ago, counters at zero",
        reading(selftests=self_tests(("Short", "servo", 900, None))),
        "recheck",
        "media",
    ),
    Scenario(
        "extended test failed long ago, a short one passed since",
        reading(selftests=self_tests(("Short", "passed", 21_900, None), ("Extended", "read", 900, 4711))),
        "recheck",
        "media",
    ),
    Scenario(
        "solid state, failed test long ago",
        reading(SATA_SSD, selftests=self_tests(("Short", "read", 900, 4711))),
        "recheck",
        "media",
    ),
    Scenario("NVMe, failed test long ago", reading(NVME, selftests=OLD_FAILURE), "recheck", "media"),
    Scenario("SAS, failed test long ago", reading(SAS, selftests=OLD_FAILURE), "recheck", "media"),
    Scenario(
        "statistics count sectors that the table does not",
        reading(values={"reallocated": 0}, statistics={"reallocated": 12}),
        "recheck",
        "electronics",
    ),
    Scenario(
        "hours set back, by the statistics",
        reading(values={"power_on_hours": 120}, statistics={"power_on_hours": 33_412}),
        "recheck",
        "electronics",
    ),
    Scenario(
        "a test at hours that the drive has not reached",
        reading(selftests=self_tests(("Short", "passed", 40_000, None))),
        "recheck",
        "electronics",
    ),
    Scenario(
        "heads that flew longer than the drive ran",
        reading(attributes=(Attribute(id=240, name="Head_Flying_Hours", value=100, raw=30_000),)),
        "recheck",
        "electronics",
    ),
    Scenario("locked, counters clean", reading(_drive(HDD, security="locked")), "recheck", "locked"),
    Scenario(
        "slow areas",
        hdd(),
        "recheck",
        "media",
        {"scan": scan(slow=(SlowArea(offset=0, length=2**20, milliseconds=900, expected_milliseconds=8),))},
    ),
    Scenario("solid state, blocks failed on writing", ssd(program_failures=3), "refit", "none"),
    Scenario("solid state, blocks failed on erasing", ssd(erase_failures=3), "refit", "none"),
    Scenario("solid state, few retired blocks", ssd(reallocated=4), "recheck", "media"),
    Scenario("solid state, data changed inside", ssd(end_to_end_errors=45), "recheck", "electronics"),
    Scenario(
        "solid state, one row says worn out, another does not",
        reading(SATA_SSD, values={"wear_percent_used": 100}, gaps=(DOUBTFUL,)),
        "recheck",
        "wear",
    ),
    Scenario(
        "solid state, worn out or not counted",
        reading(SATA_SSD, values={"wear_percent_used": None}, gaps=(DOUBTFUL,)),
        "recheck",
        "wear",
    ),
    Scenario("solid state, worn to 93 %", ssd(wear_percent_used=93), "recheck", "wear"),
    Scenario(
        "NVMe, unreadable places in its log, no media error counted",
        reading(NVME, errors=LoggedErrors(unreadable=2, kinds=("uncorrectable",))),
        "recheck",
        "media",
    ),
    Scenario("NVMe, few media errors", nvme(media_errors=9), "recheck", "media"),
    Scenario("solid state, few read errors reported", ssd(reported_uncorrectable=9), "recheck", "media"),
    Scenario("solid state, few unreadable in the background", ssd(offline_uncorrectable=9), "recheck", "media"),
    Scenario("solid state, one pending", ssd(pending=1), "recheck", "media"),
    Scenario("SATA, few read errors in its log and counted", _ssd_log(9), "recheck", "media"),
    Scenario(
        "NVMe, hot now",
        reading(NVME, drive_says="failing", values={"critical_warnings": ("temperature",)}),
        "recheck",
        "heat",
    ),
    Scenario("NVMe, unnamed warning", nvme(critical_warnings=("bit-6",)), "recheck", "electronics"),
    Scenario("NVMe, spare at its threshold", nvme(available_spare_percent=10), "recheck", "wear"),
    Scenario("NVMe, 49 minutes critically hot", nvme(critical_temperature_minutes=49), "recheck", "heat"),
    Scenario(
        "SAS, hot now",
        reading(SAS, drive_says="failing", values={"critical_warnings": ("temperature",)}),
        "recheck",
        "heat",
    ),
    Scenario("SAS, cache no longer safe", sas(critical_warnings=("0b/06",)), "recheck", "electronics"),
    Scenario("SAS, power to its cache degraded", sas(critical_warnings=("0b/07",)), "recheck", "electronics"),
    Scenario("SAS, power loss expected", sas(critical_warnings=("0b/08",)), "recheck", "electronics"),
    Scenario("SAS, critically hot", sas(critical_warnings=("0b/0a",)), "recheck", "heat"),
    Scenario("SAS, critically cold", sas(critical_warnings=("0b/0b",)), "recheck", "heat"),
    Scenario("SAS, hotter than it may run", sas(critical_warnings=("0b/0c",)), "recheck", "heat"),
    Scenario("SAS, colder than it may run", sas(critical_warnings=("0b/0d",)), "recheck", "heat"),
    Scenario("SAS, unnamed warning", sas(critical_warnings=("3e/02",)), "recheck", "electronics"),
    Scenario("SAS, few grown defects", sas(grown_defects=3), "recheck", "media"),
    Scenario("SAS, two uncorrected reads", sas(uncorrected_reads=2), "recheck", "media"),
    Scenario("SAS, an uncorrected write", sas(uncorrected_writes=1), "recheck", "media"),
    Scenario("SAS, an uncorrected verify", sas(uncorrected_verifies=1), "recheck", "media"),
    Scenario("SAS, background scan found something", sas(background_scan_errors=3), "recheck", "media"),
    Scenario("link errors have grown", hdd(crc_errors=3), "recheck", "link", _before(hdd(), crc_errors=2)),
    Scenario("pending sectors have gone", hdd(), "recheck", "media", _before(hdd(), pending=8)),
    Scenario("cycles have gone down", hdd(), "recheck", "electronics", _before(hdd(), power_cycles=9_000)),
    # Do not put it back.
    Scenario("reallocated sectors, many", hdd(reallocated=300), "replace", "media"),
    Scenario("one read error reported", hdd(reported_uncorrectable=1), "replace", "media"),
    Scenario("unreadable in the background", hdd(offline_uncorrectable=2), "replace", "media"),
    Scenario("data changed inside", hdd(end_to_end_errors=1), "replace", "electronics"),
    Scenario(
        "many fresh read errors", reading(errors=logged("uncorrectable", count=30, newest=21_890)), "replace", "media"
    ),
    Scenario(
        "old burst, but a counter is not zero",
        reading(errors=logged("uncorrectable", count=3, newest=6_964), values={"reallocated": 2}),
        "replace",
        "media",
    ),
    Scenario("pre-fail threshold in the past", reading(attributes=(row(5, "past", prefail=True),)), "replace", "media"),
    Scenario(
        "two older tests failed at one place",
        reading(
            selftests=self_tests(
                ("Extended", "passed", 900, None), ("Short", "read", 800, 7), ("Short", "read", 790, 7)
            )
        ),
        "replace",
        "media",
    ),
    Scenario(
        "extended test failed, only a short one passed since",
        reading(selftests=self_tests(("Short", "passed", 21_900, None), ("Extended", "read", 21_500, 99))),
        "replace",
        "media",
    ),
    Scenario(
        "self-test found an unknown element",
        reading(selftests=self_tests(("Short", "unknown-element", 21_500, None))),
        "replace",
        "media",
    ),
    Scenario(
        "self-test suspects handling damage",
        reading(selftests=self_tests(("Short", "handling-damage", 21_500, None))),
        "replace",
        "mechanics",
    ),
    Scenario(
        "self-test broke off with an error",
        reading(selftests=self_tests(("Short", "not-completed", 21_500, None))),
        "replace",
        "media",
    ),
    Scenario(
        "locked, with read errors reported",
        reading(_drive(HDD, security="locked"), values={"reported_uncorrectable": 3}),
        "replace",
        "media",
    ),
    Scenario("reallocated sectors have grown", hdd(reallocated=4), "replace", "media", _before(hdd(), reallocated=2)),
    Scenario("spin retries have grown", hdd(spin_retries=3), "replace", "mechanics", _before(hdd(), spin_retries=1)),
    Scenario("solid state, endurance used up", ssd(wear_percent_used=104), "replace", "wear"),
    Scenario("solid state, ten read errors reported", ssd(reported_uncorrectable=10), "replace", "media"),
    Scenario("solid state, ten unreadable in the background", ssd(offline_uncorrectable=10), "replace", "media"),
    Scenario("solid state, pending beside retired blocks", ssd(pending=1, reallocated=2), "replace", "media"),
    Scenario("solid state, pending beside read errors", ssd(pending=1, reported_uncorrectable=2), "replace", "media"),
    Scenario("SATA, ten read errors in its log", _ssd_log(10), "replace", "media"),
    Scenario("NVMe, ten media errors", nvme(media_errors=10), "replace", "media"),
    Scenario(
        "solid state, read errors grow",
        ssd(reported_uncorrectable=3),
        "replace",
        "media",
        _before(ssd(), reported_uncorrectable=2),
    ),
    Scenario("NVMe, media errors grow", nvme(media_errors=3), "replace", "media", _before(nvme(), media_errors=2)),
    Scenario("solid state, many retired blocks", ssd(reallocated=480), "replace", "media"),
    Scenario("NVMe, spare below its threshold", nvme(available_spare_percent=9), "replace", "wear"),
    Scenario(
        "NVMe, spare warning",
        reading(NVME, drive_says="failing", values={"critical_warnings": ("spare",)}),
        "replace",
        "wear",
    ),
    Scenario("NVMe, power backup failed", nvme(critical_warnings=("power-backup",)), "replace", "electronics"),
    Scenario(
        "NVMe, persistent memory unreliable", nvme(critical_warnings=("persistent-memory",)), "replace", "electronics"
    ),
    Scenario("NVMe, many media errors", nvme(media_errors=153), "replace", "media"),
    Scenario("SAS, its own test failed", sas(critical_warnings=("0b/03",)), "replace", "media"),
    Scenario("SAS, its pre-scan met an error", sas(critical_warnings=("0b/04",)), "replace", "media"),
    Scenario("SAS, its scan met an error", sas(critical_warnings=("0b/05",)), "replace", "media"),
    Scenario("SAS, many grown defects", sas(grown_defects=2_066), "replace", "media"),
    Scenario("SAS, many uncorrected reads", sas(uncorrected_reads=40), "replace", "media"),
    Scenario("SAS, many uncorrected writes", sas(uncorrected_writes=40), "replace", "media"),
    Scenario("SAS, many uncorrected verifies", sas(uncorrected_verifies=40), "replace", "media"),
    Scenario("SAS, background scan found many", sas(background_scan_errors=210), "replace", "media"),
    Scenario("helium leaking", reading(attributes=(near(22, "Helium_Level", 62, 25),)), "replace", "mechanics"),
    # Losing data, or saying so.
    Scenario(
        "failed test long ago, one sector replaced since",
        reading(values={"reallocated": 1}, selftests=OLD_FAILURE),
        "evacuate",
        "media",
    ),
    Scenario(
        "failed test long ago, pending not said",
        reading(values={"pending": None}, selftests=OLD_FAILURE),
        "evacuate",
        "media",
    ),
    Scenario(
        "failed test long ago, read errors in the log",
        reading(selftests=OLD_FAILURE, errors=logged("uncorrectable", count=3, newest=950)),
        "evacuate",
        "media",
    ),
    Scenario(
        "failed test, nobody knows when",
        reading(selftests=self_tests(("Short", "read", 0, 1)), values={"power_on_hours": None}),
        "evacuate",
        "media",
    ),
    Scenario(
        "SAS, sectors that wait for a write",
        sas(background_scan_errors=2, background_scan_unreadable=2),
        "evacuate",
        "media",
    ),
    Scenario(
        "old burst of read errors, pending sectors not said",
        reading(values={"pending": None}, errors=logged("uncorrectable", count=48, newest=6_964)),
        "replace",
        "media",
    ),
    Scenario("one pending sector", hdd(pending=1), "evacuate", "media"),
    Scenario("pending count zero, but sectors in its log", hdd(pending_log_entries=3), "evacuate", "media"),
    Scenario("drive says failing", reading(drive_says="failing"), "evacuate", "media"),
    Scenario("pre-fail threshold now", reading(attributes=(row(5, "now", prefail=True),)), "evacuate", "media"),
    Scenario(
        "row of unknown type at its threshold",
        reading(attributes=(row(3, "now", prefail=None),)),
        "evacuate",
        "mechanics",
    ),
    Scenario(
        "newest self-test: read",
        reading(selftests=self_tests(("Extended", "read", 21_902, 233_500_365))),
        "evacuate",
        "media",
    ),
    Scenario(
        "newest self-test: servo",
        reading(selftests=self_tests(("Short", "servo", 21_902, None))),
        "evacuate",
        "mechanics",
    ),
    Scenario(
        "newest self-test: electrical",
        reading(selftests=self_tests(("Short", "electrical", 21_902, None))),
        "evacuate",
        "electronics",
    ),
    Scenario(
        "aborted test after a failed one",
        reading(selftests=self_tests(("Extended", "aborted", 21_903, None), ("Extended", "read", 21_902, 5))),
        "evacuate",
        "media",
    ),
    Scenario(
        "areas we could not read",
        hdd(),
        "evacuate",
        "media",
        {"scan": scan(unreadable=(UnreadableArea(offset=4096, length=512),))},
    ),
    Scenario("NVMe, reliability degraded", nvme(critical_warnings=("reliability",)), "evacuate", "media"),
    Scenario("solid state, locked itself read-only", ssd(write_protected=1), "evacuate", "media"),
    Scenario("NVMe, read-only", nvme(critical_warnings=("read-only", "temperature")), "evacuate", "media"),
    Scenario("NVMe says failing and names no warning", reading(NVME, drive_says="failing"), "evacuate", "media"),
    Scenario("SAS predicts: media", sas(failure_prediction="5d/01"), "evacuate", "media"),
    Scenario("SAS predicts: controller", sas(failure_prediction="5d/21"), "evacuate", "electronics"),
    Scenario("SAS predicts: data channel", sas(failure_prediction="5d/32"), "evacuate", "electronics"),
    Scenario("SAS predicts: servo", sas(failure_prediction="5d/42"), "evacuate", "mechanics"),
    Scenario("SAS predicts: spindle", sas(failure_prediction="5d/52"), "evacuate", "mechanics"),
    Scenario("SAS predicts: firmware", sas(failure_prediction="5d/62"), "evacuate", "electronics"),
    Scenario("SAS predicts: endurance", sas(failure_prediction="5d/73"), "evacuate", "wear"),
    Scenario(
        "firmware that is known to stop",
        reading(_drive(SATA_SSD, model="M4-CT128M4SSD2", firmware="0009")),
        "recheck",
        "electronics",
    ),
    Scenario("NVMe with a hot spot inside", nvme(hottest_sensor_celsius=112), "recheck", "heat"),
    Scenario(
        "locked and losing data", reading(_drive(HDD, security="locked"), values={"pending": 8}), "evacuate", "media"
    ),
    # No verdict.
    Scenario("blocked by the bridge", Reading(gaps=(BLOCKED,)), "unproven", "link"),
    Scenario("junk table, whatever it says", reading(gaps=(JUNK,), values={"pending": 65_535}), "unproven", "none"),
    Scenario("pass with nothing behind it", Reading(drive=SATA_SSD, drive_says="passed"), "unproven", "none"),
    Scenario("SMART switched off", reading(_drive(HDD, smart="off")), "unproven", "none"),
    Scenario("a RAID volume", reading(_drive(HDD, virtual="a RAID volume")), "unproven", "none"),
    Scenario(
        "self-test running, nothing else",
        reading(selftests=self_tests(("Extended", "running", 21_904, None))),
        "unproven",
        "none",
    ),
    Scenario(
        "junk table, failing worked out from it",
        reading(gaps=(JUNK,), drive_says="failing", qualifiers=("attribute check only",)),
        "unproven",
        "none",
    ),
    # Missing data hides no other witness.
    Scenario(
        "junk table, but the drive says failing", reading(gaps=(JUNK,), drive_says="failing"), "evacuate", "media"
    ),
    Scenario(
        "blocked, but we could not read it",
        Reading(gaps=(BLOCKED,)),
        "evacuate",
        "link",
        {"scan": scan(unreadable=(UnreadableArea(offset=0, length=512),))},
    ),
    Scenario(
        "self-test running, link errors",
        reading(selftests=self_tests(("Short", "running", 21_904, None)), values={"crc_errors": 19}),
        "recheck",
        "link",
    ),
)
