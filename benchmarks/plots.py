"""Pictures of the figures: ratios as bars, the growth of each step's cost as lines (SVG)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from growth import SHORT_S, Growth
from rows import Row

WON, LOST, EVEN = "#2a7f62", "#b23a48", "#8a8d91"


def plot_ratios(rows: Sequence[Row], place: Path) -> None:
    """How many times our time the other needs; a bar that goes left is one that we lose."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    shown = [row for row in rows if row.time]
    if not shown:
        return
    figure, axes = pyplot.subplots(figsize=(11, 1.2 + 0.26 * len(shown)), layout="constrained")
    values = np.log10([row.time or 1.0 for row in shown])
    colours = [LOST if row.verdict.startswith("lost") else WON if row.verdict.startswith("won") else EVEN
               for row in shown]  # fmt: skip
    axes.barh(np.arange(len(shown)), values, color=colours)
    for at, (row, value) in enumerate(zip(shown, values, strict=True)):
        wrong = (
            " wrong: other"
            if row.theirs_wrong and not row.ours_wrong
            else " wrong: ours"
            if row.ours_wrong
            else ""
        )
        axes.text(max(value, 0) + 0.02, at, f"{_times(row.time or 0.0)}×{wrong}", va="center", fontsize=7)
    axes.set_yticks(
        np.arange(len(shown)), [f"{r.step}, {r.triangles:,}, {r.against}" for r in shown], fontsize=7
    )
    axes.invert_yaxis()
    axes.axvline(0.0, color="black", linewidth=0.8)
    ticks = np.arange(np.floor(values.min()), np.ceil(values.max()) + 1)
    axes.set_xticks(ticks, [f"{10.0**t:g}×" for t in ticks])
    axes.margins(x=0.12, y=0.01)
    axes.set_xlabel("processor time of the other, in times of ours (right of 1×: ours is faster)")
    _save(figure, place)


def plot_growth(found: Sequence[Growth], place: Path) -> None:
    """Seconds over triangles, both logarithmic, with a line of n log n to compare with."""
    import matplotlib

    matplotlib.use("svg")
    from matplotlib import pyplot

    shown = [one for one in found if one.cpu_s[-1] >= SHORT_S]
    if not shown:
        return
    figure, axes = pyplot.subplots(figsize=(11, 6), layout="constrained")
    colours = pyplot.get_cmap("tab20")
    for k, one in enumerate(shown):
        axes.loglog(
            one.triangles, one.cpu_s, marker="o", markersize=3, color=colours(k % 20),
            linewidth=2.4 if one.steep else 1.2,
            label=f"{one.step}  {one.exponent:.2f} (end {one.last:.2f}){'  steep' if one.steep else ''}",
        )  # fmt: skip
    n = np.array([min(o.triangles[0] for o in shown), max(o.triangles[-1] for o in shown)], float)
    guide = n * np.log(n)
    top = max(one.cpu_s[-1] for one in shown)
    axes.loglog(n, guide * (2 * top / guide[-1]), color="black", linestyle="--", linewidth=1, label="n log n")
    axes.set_xlabel("triangles of the scan")
    axes.set_ylabel("processor seconds of the step")
    axes.grid(which="major", alpha=0.3)
    axes.legend(
        fontsize=7,
        title="step, fitted exponent",
        title_fontsize=8,
        loc="upper left",
        bbox_to_anchor=(1.0, 1.0),
    )
    _save(figure, place)


def _times(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 else f"{value:.2g}"


def _save(figure: object, place: Path) -> None:
    import matplotlib
    from matplotlib import pyplot

    matplotlib.rcParams["svg.hashsalt"] = "fettlebox"  # the same figures give the same file
    place.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(place, metadata={"Date": None})  # type: ignore[attr-defined]
    pyplot.close("all")
