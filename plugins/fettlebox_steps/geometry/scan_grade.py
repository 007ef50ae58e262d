"""From what was measured on a scan to one word, and to sentences that can be told to whoever made it.

Every measure is a share of the scan's own size or surface, so the verdict needs no unit: what shows on a
print is the noise in proportion to the print. The bounds are our judgement; no standard grades scans for
printing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from .chords import SIDES
from .scan_quality import ScanQuality

GRADES = ("good", "fair", "poor", "hopeless")
LEVELS = (0.75, 0.5, 0.25)
"""Marks from 1, perfect, to 0: at least these are good, fair and poor."""

AS_SEEN = {
    "left": "on its left (-x)",
    "right": "on its right (+x)",
    "front": "at the front (-y)",
    "back": "at the back (+y)",
    "bottom": "at the bottom (-z)",
    "top": "at the top (+z)",
}
assert set(AS_SEEN) == set(SIDES)


@dataclass(frozen=True)
class Measure:
    """One thing that is judged. bounds: where good ends, fair ends, poor ends; None: it gets no worse."""

    name: str
    value: Callable[[ScanQuality], float]
    bounds: tuple[float, float | None, float | None]
    sentence: Callable[[ScanQuality], str]
    of_openings: bool = False


@dataclass(frozen=True)
class Mark:
    """mark: 1 perfect, 0 useless."""

    name: str
    value: float
    mark: float
    sentence: str

    @property
    def grade(self) -> str:
        return grade_of(self.mark)


@dataclass(frozen=True)
class ScanGrade:
    """The worst mark decides. rank orders takes of one subject: the worst mark first, then their mean."""

    grade: str
    marks: tuple[Mark, ...]

    @property
    def rank(self) -> tuple[float, float]:
        values = [mark.mark for mark in self.marks]
        return min(values), sum(values) / len(values)

    @property
    def reasons(self) -> tuple[str, ...]:
        """A sentence for whatever is not good, the worst first."""
        bad = [mark for mark in self.marks if mark.grade != "good"]
        return tuple(mark.sentence for mark in sorted(bad, key=lambda mark: mark.mark))

    def evidence(self) -> list[dict[str, Any]]:
        return [
            {"judged": m.name, "value": float(f"{m.value:.6g}"), "mark": round(m.mark, 4), "grade": m.grade}
            for m in self.marks
        ]


def grade_of(mark: float) -> str:
    return GRADES[sum(mark < level for level in LEVELS)]


def worse(grade: str, than: str) -> bool:
    return GRADES.index(grade) > GRADES.index(than)


def grade_scan(quality: ScanQuality, *, one_sided: bool = False) -> ScanGrade:
    """`one_sided`: the subject is a relief; what its openings lack is not missing."""
    if not quality.area_mm2 > 0:
        nothing = Mark("surface", 0.0, 0.0, "there is no surface in this scan; please scan again")
        return ScanGrade("hopeless", (nothing,))
    marks = []
    for measure in MEASURES:
        if measure.of_openings and one_sided:
            continue
        value = measure.value(quality)
        marks.append(Mark(measure.name, value, _mark(value, measure.bounds), measure.sentence(quality)))
    return ScanGrade(grade_of(min(mark.mark for mark in marks)), tuple(marks))


def _mark(value: float, bounds: tuple[float, float | None, float | None]) -> float:
    """Straight lines between the bounds; beyond the last that is given, no worse than just below it."""
    import numpy as np

    given = [bound for bound in bounds if bound is not None]
    at = [0.0, *given, 2 * given[-1]]
    marks = [1.0, *LEVELS[: len(given)], 0.0 if len(given) == len(bounds) else LEVELS[len(given)]]
    return float(np.interp(value, at, marks))


def _missing(q: ScanQuality) -> str:
    side = q.coverage.worst_side
    return (
        f"{share_in_words(1.0 - q.coverage.covered)} of the surface is missing, most of it "
        f"{AS_SEEN[side]}; please scan again, also from there"
    )


def _holes(q: ScanQuality) -> str:
    one = len(q.holes) == 1
    return (
        f"{'a hole' if one else f'{len(q.holes)} holes'} of {_area(q.hole_area_mm2)} in all "
        f"({q.hole_ratio:.1%} of the surface) will be filled by guessing; hold the scanner longer there"
    )


def _rough(q: ScanQuality) -> str:
    return (
        f"the surface is rough: its noise is {q.noise_mm:.2g} mm on a length of {q.longest_mm:.3g} mm; scan "
        "more slowly, or from nearer"
    )


def _coarse(q: ScanQuality) -> str:
    return (
        f"the triangles are coarse: {q.edge_mm:.2g} mm on a length of {q.longest_mm:.3g} mm, so fine "
        "features are lost; ask for the scan at its full resolution"
    )


def _torn(q: ScanQuality) -> str:
    return (
        f"the scan is torn: {q.pieces} pieces, the largest with {q.largest_ratio:.0%} of the surface; "
        "scan in one go, or have the pieces joined"
    )


def _doubled(q: ScanQuality) -> str:
    return (
        f"{q.doubled_ratio:.1%} of the surface was scanned twice and does not agree with itself; keep the "
        "subject still, or have the scans aligned anew"
    )


def _broken(q: ScanQuality) -> str:
    return (
        f"{q.broken_ratio:.1%} of the edges do not join two triangles as a surface does; export the scan "
        "again as one merged mesh"
    )


def _turned(q: ScanQuality) -> str:
    return (
        f"{q.turned_ratio:.0%} of the triangles look the wrong way; repairing turns them, look at the result"
    )


def _spiky(q: ScanQuality) -> str:
    return f"{q.spikes} needles stick out of the surface; shiny and hairy places make them: powder them"


# An inside-out scan is turned without a guess, so what counts is how mixed the triangles are.
MEASURES = (
    Measure("missing_ratio", lambda q: 1 - q.coverage.covered, (0.15, 0.4, 0.85), _missing, of_openings=True),
    Measure("hole_ratio", lambda q: q.hole_ratio, (0.01, 0.06, 0.25), _holes),
    Measure("noise_ratio", lambda q: q.noise_ratio, (0.001, 0.004, 0.02), _rough),
    Measure("median_edge_ratio", lambda q: q.edge_ratio, (0.025, 0.1, None), _coarse),
    Measure("loose_ratio", lambda q: q.loose_ratio, (0.05, 0.2, 0.5), _torn),
    Measure("doubled_ratio", lambda q: q.doubled_ratio, (0.01, 0.1, 0.4), _doubled),
    Measure("non_manifold_edge_ratio", lambda q: q.broken_ratio, (0.005, 0.05, 0.4), _broken),
    Measure(
        "turned_face_ratio", lambda q: min(q.turned_ratio, 1 - q.turned_ratio), (0.02, 0.2, None), _turned
    ),
    Measure("spike_ratio", lambda q: q.spike_ratio, (0.0005, 0.01, 0.1), _spiky),
)


def _area(mm2: float) -> str:
    """1711 mm² → `17.1 cm²`: no powers of ten."""
    return (
        f"{mm2 / 100:.3g} cm²" if 1000 <= mm2 < 1e5 else f"{mm2:.3g} mm²" if mm2 < 1000 else f"{mm2:.0f} mm²"
    )


def share_in_words(share: float) -> str:
    """0.34 → `a third`: as one says it, where a plain fraction is near enough."""
    said = {1 / 10: "a tenth", 1 / 5: "a fifth", 1 / 4: "a quarter", 1 / 3: "a third", 1 / 2: "half",
            2 / 3: "two thirds", 3 / 4: "three quarters", 4 / 5: "four fifths"}  # fmt: skip
    nearest = min(said, key=lambda value: abs(value - share))
    return said[nearest] if abs(nearest - share) <= 0.03 else f"{share:.0%}"
