"""How hot a drive is while it is copied, from the kernel's own sensors: no question goes to the drive's health log.

Documentation/hwmon/drivetemp.rst and the NVMe driver: temp1_input is now, temp1_max the drive's own limit for
continuous operation (NVMe: its warning temperature); thousandths of a degree Celsius.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

EVERY_SECONDS = 30.0


class Heat:
    """Watch one device; `reason` says why to stop once it is above its own limit. Silent where there is no sensor."""

    def __init__(self, device: str, *, root: Path = Path("/"), clock: Callable[[], float] = time.monotonic) -> None:
        name = Path(device).resolve().name
        self._device, self._clock, self._next = device, clock, clock()
        self._reason: str | None = None
        self._sensors = [
            sensor.parent
            for pattern in ("device/hwmon/hwmon*/temp1_input", "device/hwmon*/temp1_input")
            for sensor in (root / "sys/block" / name).glob(pattern)
        ]

    def reason(self) -> str | None:
        """Look at the sensor at most every half minute; once too hot, it stays the reason."""
        if self._reason is not None or not self._sensors or self._clock() < self._next:
            return self._reason
        self._next = self._clock() + EVERY_SECONDS
        for sensor in self._sensors:
            now, limit = _celsius(sensor / "temp1_input"), _celsius(sensor / "temp1_max")
            if now is not None and limit is not None and 0 < limit < now:
                self._reason = f"{self._device} is at {now:g} °C, above its own limit of {limit:g} °C: let it cool"
        return self._reason


def _celsius(path: Path) -> float | None:
    try:
        return int(path.read_text("ascii")) / 1000
    except (OSError, ValueError):
        return None
