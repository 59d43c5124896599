"""A file like one day of open drive statistics: all their columns, invented drives."""

from __future__ import annotations

import csv
import random
from pathlib import Path

NUMBERS = (*range(1, 14), 15, 16, 17, 18, 22, 23, 24, *range(160, 256))  # 116 attributes, two columns each


def write_day(path: Path, rows: int) -> None:
    """One day of invented drives: most clean, a few with counts; ages and temperatures as varied as real ones."""
    chance = random.Random(7)
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        columns = [f"smart_{number}_{kind}" for number in NUMBERS for kind in ("normalized", "raw")]
        writer.writerow(["date", "serial_number", "model", "capacity_bytes", "failure", *columns])
        for row in range(rows):
            counts = dict.fromkeys((5, 10, 187, 188, 197, 198, 199), 0)
            if chance.random() < 0.05:
                counts[chance.choice((5, 187, 197, 199))] = int(chance.paretovariate(0.7))
            hours, celsius = chance.randrange(60_000), chance.randrange(18, 45)
            raws = {1: row * 977, 3: 0, 4: 12, 9: hours, 12: 12, 194: celsius, **counts}
            cells = [cell for number in NUMBERS for cell in ((100, raws[number]) if number in raws else ("", ""))]
            writer.writerow(["2030-01-01", f"KX{row:08}", "KESTREL KD4000", 4_000_787_030_016, 0, *cells])
