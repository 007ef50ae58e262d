"""How the cost of each step grows with the scan, read from whole jobs of many sizes.

What is measured is the processor time of a step within its job. The exponent is the slope of the best
line through the logarithms; work that goes with n·log n has 1.08 between 50,000 and 4 million. The last
slope, over the last four times in size, shows what a fixed part at small sizes would hide.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from rows import Row

STEEP, APART = 1.25, 4
"""More than n·log n by more than what one run differs from the next: a tenth in each of two times, of sizes
that are four times apart, is 0.15 of a slope."""

SHORT_S = 0.3
"""A step that takes less at its largest size says nothing about growth."""

BESIDE = "all beside the steps"


@dataclass(frozen=True)
class Growth:
    """One step: sizes in triangles, processor seconds at each, slopes of the logarithms."""

    step: str
    triangles: tuple[int, ...]
    cpu_s: tuple[float, ...]
    exponent: float
    last: float

    @property
    def steep(self) -> bool:
        return self.cpu_s[-1] >= SHORT_S and max(self.exponent, self.last) > STEEP


def exponent(triangles: Iterable[float], seconds: Iterable[float]) -> float:
    """Slope of the line through (log n, log s) with the least squares of errors."""
    x, y = np.log(list(triangles)), np.log(np.maximum(list(seconds), 1e-6))
    return float(np.polyfit(x, y, 1)[0])


def growths(jobs: Iterable[dict[str, Any]]) -> list[Growth]:
    """Every step that ran at three sizes or more of one recipe; the recipe with most sizes speaks for it."""
    taken: dict[tuple[str, str], dict[int, float]] = defaultdict(dict)
    for job in jobs:
        costs = {name: step["cpu_s"] for name, step in job["steps"].items()}
        costs[BESIDE] = sum(job["beside"].values())
        for step, seconds in costs.items():
            taken[step, job["recipe"]][int(job["triangles"])] = float(seconds)
    best: dict[str, dict[int, float]] = {}
    for (step, _), sizes in taken.items():
        if len(sizes) >= 3 and len(sizes) > len(best.get(step, {})):
            best[step] = sizes
    found = []
    for step, sizes in best.items():
        order = sorted(sizes)
        seconds = [sizes[n] for n in order]
        before = max((k for k, n in enumerate(order) if n * APART <= order[-1] * 1.05), default=0)
        ends = [before, -1]
        last = exponent([order[k] for k in ends], [seconds[k] for k in ends])
        found.append(Growth(step, tuple(order), tuple(seconds), exponent(order, seconds), last))
    return sorted(found, key=lambda one: -one.cpu_s[-1])


def growth_rows(found: Iterable[Growth]) -> list[Row]:
    """For the table: what grows faster than n·log n is lost, whatever it takes."""
    return [
        Row(
            f"growth of {one.step}", one.triangles[-1], "n log n", None, None,
            f"exponent {one.exponent:.2f}, at the end {one.last:.2f}; {one.cpu_s[-1]:.1f} s at the end",
            "faster than n log n" if one.steep else "",
        )
        for one in found
    ]  # fmt: skip


def as_json(found: Iterable[Growth]) -> list[dict[str, Any]]:
    return [{**asdict(one), "steep": one.steep} for one in found]
