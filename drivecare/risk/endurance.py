"""How long a solid-state drive's rated endurance lasts at the pace of its own life so far.

The percentage is a whole number, cut off: 3 means less than 4. So the years are a least number, and "not counted" is
said where no rating could still stand at 0 %.
"""

from __future__ import annotations

from drivecare.format import format_bytes
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.health import missing_health
from drivecare.reading.model import Reading
from drivecare.risk.model import Endurance
from drivecare.risk.rules import Thresholds


def describe_endurance(reading: Reading, limits: Thresholds) -> Endurance | None:
    """The endurance at the drive's pace; None for a hard drive, and where wear or hours cannot be told."""
    values, drive = reading.values, reading.drive
    used, hours, written = values.wear_percent_used, values.power_on_hours, values.host_bytes_written
    if drive.kind != "ssd" or used is None or missing_health(reading):
        return None
    size = drive.whole_bytes
    if used == 0 and written and size and written >= limits.endurance_uncounted_writes.value * size:
        times = f"{written // size:,} times its size"
        return Endurance(
            percent_used=used,
            counted=False,
            text=f"{format_bytes(written)} were written, {times}, and it shows 0 % used: it does not count its wear.",
        )
    if used >= 100:
        return Endurance(percent_used=used, years_left=0.0, text=f"{used} % is used, so nothing of it is left.")
    if hours is None or hours < limits.endurance_shortest_hours.value:
        return None
    most_years = limits.endurance_most_years.value
    years = hours * (99 - used) / (used + 1) / HOURS_PER_YEAR
    share = f"{used} %" if used else "less than 1 %"
    left = f"lasts {min(int(years), most_years)} years or more" if years >= 2 else "may last less than two years"
    return Endurance(
        percent_used=used,
        years_left=round(min(years, most_years), 1),
        text=f"{share} used in {hours:,} powered-on hours; at this pace the rest {left} of running.",
    )
