"""Draw how much of a failing drive is safe after how long: docs/copy-policy.svg, and print its figures.

usage: python -m tests.benchmarks.policy_curve [SEED] [SVG]
"""

from __future__ import annotations

import sys

import matplotlib as mpl

from drivecare.transfer.sectors.damage import DamagePolicy
from tests.transfer.sectors.failing_drive import TENTH, FailingDrive, rescue

mpl.use("svg")
mpl.rcParams["svg.hashsalt"] = "drivecare"  # the same drawing gives the same bytes


def main(seed: int = 1, path: str = "docs/copy-policy.svg") -> None:
    """Run the model, print a table, draw the curve."""
    from matplotlib import pyplot

    rescued = rescue(FailingDrive(TENTH, seed), DamagePolicy())
    drive, whole = rescued.drive, rescued.drive.readable_bytes
    print(f"seed {seed}: {drive.now / 3600:,.1f} h in all, {drive.bad_seconds / 3600:,.1f} h of them in failed reads")
    print("share safe    after     in failed reads by then   of all time")
    for share in (0.5, 0.9, 0.99, 0.999, 0.9999, 1.0):
        seconds, damage, _ = rescued.at_share(share)
        print(f"{share:9.2%} {seconds / 3600:7.2f} h {damage:14,.0f} s {damage / drive.now:20.3%}")
    figure, axes = pyplot.subplots(figsize=(8, 4.5))
    step = max(1, len(rescued.curve) // 2000)
    points = [*rescued.curve[::step], rescued.curve[-1]]
    axes.plot([point[0] / 60 for point in points], [100 * point[2] / whole for point in points])
    axes.set_xlim(0, 1.2 * rescued.at_share(1.0)[0] / 60)  # the rest of the time goes to what cannot be read
    axes.set_xlabel("minutes since the copy began")
    axes.set_ylabel("readable bytes that are safe, %")
    axes.set_title(f"A modelled failing drive of 100 GB, seed {seed}")
    axes.grid(visible=True, alpha=0.3)
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})


if __name__ == "__main__":
    main(*(int(word) if word.isdigit() else word for word in sys.argv[1:]))  # type: ignore[arg-type]
