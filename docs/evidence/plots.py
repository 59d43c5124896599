"""The pictures of docs/evidence.md, as SVG whose bytes do not change from run to run."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import polars as pl
from fitting import Floats, Numbers, area, roc
from matplotlib.axes import Axes

from drivecare.risk.survival import SurvivalTable, load_table

INK, BLUE, ORANGE, GREY = "#222222", "#2066a8", "#c2571a", "#999999"


def draw(
    table: SurvivalTable, compared: pl.DataFrame, last: tuple[Numbers, dict[str, Floats]], day: str, folder: Path
) -> None:
    """calibration.svg and roc.svg of this table, chance.svg of the shipped one, in `folder`."""
    mpl.use("svg")
    mpl.rcParams.update({"svg.hashsalt": "evidence", "font.size": 10, "axes.spines.top": False})
    mpl.rcParams.update(
        {"axes.spines.right": False, "text.color": INK, "axes.labelcolor": INK, "font.family": "sans-serif"}
    )
    folder.mkdir(parents=True, exist_ok=True)
    for name, axes in (
        ("calibration", _calibration(table, compared, day)),
        ("roc", _roc(*last)),
        ("chance", _chance(load_table())),
    ):
        figure = axes.get_figure(root=True)
        assert figure is not None  # pyplot drew it
        figure.savefig(folder / f"{name}.svg", metadata={"Date": None}, bbox_inches="tight")
        plt.close(figure)


def _percent_axis(axis: mpl.axis.Axis, ticks: list[float]) -> None:
    axis.set_ticks(ticks, [f"{100 * tick:g}%" for tick in ticks])
    axis.set_ticks([], minor=True)


def _calibration(table: SurvivalTable, compared: pl.DataFrame, day: str) -> Axes:
    _, axes = plt.subplots(figsize=(6.4, 5.2))
    axes.set(xscale="log", yscale="log", xlim=(0.002, 1), ylim=(0.001, 1.05))
    axes.plot([0.002, 1], [0.002, 1], color=GREY, linewidth=1, zorder=1)
    for row in compared.iter_rows(named=True):
        colour = GREY if row["within"] is None else BLUE if row["within"] else ORANGE
        axes.plot([row["estimate"]] * 2, [row["low"], row["high"]], color=colour, alpha=0.35, linewidth=7)
        axes.plot(row["estimate"], row["observed"], "o", color=colour, markeredgecolor="white")
        axes.annotate(
            f"{row['failed']:,} of {row['drives']:,}", (row["estimate"], row["observed"]), (9, -3), fontsize=8,
            textcoords="offset points",
        )  # fmt: skip
    ticks = [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1]
    _percent_axis(axes.xaxis, ticks)
    _percent_axis(axes.yaxis, ticks)
    axes.set_xlabel(f"printed chance of failing within 12 months (bar: printed interval), known until {table.last_day}")
    axes.set_ylabel(f"observed in the 12 months after {day}")
    axes.set_title("Bars hold what happened: points are observed, with failed of all drives", fontsize=10, loc="left")
    return axes


def _roc(failed: Numbers, scores: dict[str, Floats]) -> Axes:
    _, axes = plt.subplots(figsize=(6.4, 5.2))
    for (name, score), colour, style in zip(scores.items(), (BLUE, INK, ORANGE), ("-", ":", "--"), strict=True):
        alarms, caught = roc(failed, score)
        label = f"{name}: area {area(alarms, caught):.3f}, {np.interp(0.01, alarms, caught):.0%} caught at 1 %"
        grid = np.union1d(alarms, np.linspace(0, 1, 2001))  # straight chords are curves on this scale
        axes.plot(grid, np.interp(grid, alarms, caught), style, color=colour, label=label)
    axes.axvline(0.01, color=GREY, linewidth=0.8)
    axes.set(xscale="symlog", xlim=(0, 1), ylim=(0, 1))
    axes.set_xscale("symlog", linthresh=0.01, linscale=0.7)
    _percent_axis(axes.xaxis, [0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1])
    _percent_axis(axes.yaxis, [0, 0.2, 0.4, 0.6, 0.8, 1])
    axes.set_xlabel("false alarms among surviving drives (scale stretched towards 0)")
    axes.set_ylabel("failed drives caught")
    axes.legend(loc="lower right", frameon=False, fontsize=8)
    axes.set_title(f"Last states of {len(failed):,} drives, {failed.sum():,} of them failed", fontsize=10, loc="left")
    return axes


def _chance(table: SurvivalTable) -> Axes:
    _, axes = plt.subplots(figsize=(6.4, 4.2))
    rows, points = table.bands, [band.points for band in table.bands]
    axes.fill_between(points, [row.low for row in rows], [row.high for row in rows], color=BLUE, alpha=0.2, linewidth=0)
    axes.plot(points, [row.chance for row in rows], "o-", color=BLUE, markersize=3, label="by the points alone")
    excluded = ", ".join(table.excluded_models)
    axes.plot(points, [row.with_excluded for row in rows], ":", color=ORANGE, label=f"with {excluded} counted")
    for row in table.base_rates[:-1]:
        axes.axhline(row.chance, color=GREY, linewidth=0.8)
        axes.annotate(row.maker, (max(points), row.chance), (0, 1), fontsize=7, ha="right", textcoords="offset points")
    axes.set(
        xscale="log", yscale="log", ylim=(0.002, 1), xlabel="extra failures per 100 drive-years (grey: base rates)"
    )
    axes.set_ylabel("chance of failing within 12 months")
    _percent_axis(axes.yaxis, [0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1])
    axes.legend(loc="upper left", frameon=False)
    return axes
