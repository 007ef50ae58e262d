"""How well `knockdown` finds planted bumps, on shapes it was tuned on and on shapes it was not.

    python benchmarks/knockdown.py [--fit]

A bump is found when a patch of its sign lies on it; a patch that touches no planted bump is false. Bumps that
grain or `smooth` left lower than OVER_MM are not counted. Shapes "clean" have no bumps: whatever strict care
changes there is a mistake. `--fit` fits the weights of the judgement anew, on the tuning shapes only, and
prints them.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))
from bump_recipes import (
    CLAD,
    CLAD_FRESH,
    CLAD_LAST,
    CLAD_LATEST,
    FRESH,
    FRESH_SMOOTH,
    LATEST,
    THIRTY,
    TUNING,
    UNSEEN,
)
from bump_shapes import Floats, Planted, Recipe, plant
from rows import Row, tell

OVER_MM, WIDEST_MM = 0.4, 8.0
LEAST_PRECISION, LEAST_RECALL = 0.95, 0.6
ON_IT = 0.6
"""A find lies on a bump if their centres are nearer than this share of the bump's radius."""


@dataclass(frozen=True)
class Tally:
    """standing: bumps that are still OVER_MM high. right, false: finds, by what is done with them."""

    standing: int
    strict_right: int
    strict_false: int
    asked_right: int
    asked_false: int
    residuals: tuple[float, ...]
    seconds: float


def tops(planted: Planted) -> tuple[Floats, Floats]:
    """Where the bumps are (b,3), and how much of each still stands in the vertices as they are (b,), mm."""
    from fettlebox_steps.geometry.smoothing import vertex_normals

    off = np.einsum("ij,ij->i", planted.vertices - planted.true, vertex_normals(planted.true, planted.faces))
    places, standing = np.zeros((len(planted.heights), 3)), np.zeros(len(planted.heights))
    for k, height in enumerate(planted.heights):
        ids = np.flatnonzero(planted.label == k)
        profile = planted.lift[ids] / height
        standing[k] = profile @ off[ids] / (profile @ profile)
        places[k] = planted.vertices[ids[np.abs(planted.lift[ids]).argmax()]]
    return places, standing


def matched(planted: Planted, centres: Floats, radii: Floats, signs: Floats) -> NDArray[np.int64]:
    """(f,) the bump that each find lies on, -1 none, -2 beside one, which counts neither way."""
    places, _ = tops(planted)
    answer = np.full(len(centres), -1)
    if not len(places):
        return answer
    away = np.linalg.norm(centres[:, None] - places, axis=2)
    answer[(away < planted.radii + radii[:, None] + 2.0).any(axis=1)] = -2
    nearest = (away / planted.radii).argmin(axis=1)
    on = away[np.arange(len(away)), nearest] < ON_IT * planted.radii[nearest]
    on &= np.sign(planted.heights[nearest]) == signs
    answer[on] = nearest[on]
    return answer


def judged(planted: Planted) -> Tally:
    """What the finds on one shape are worth, and how much of the bumps is left after refilling."""
    from fettlebox_steps.geometry.bumps import find_bumps, level
    from fettlebox_steps.geometry.surface_links import links_of
    from fettlebox_steps.knockdown import PROPOSED, SURE

    fixed = links_of(planted.faces, len(planted.vertices)).rim
    clock = time.process_time()
    finds = find_bumps(planted.vertices, planted.faces, fixed, OVER_MM, WIDEST_MM)
    sure = [bump for bump in finds.bumps if bump.confidence >= SURE]
    after = level(planted.vertices, planted.faces, finds.relief, sure, fixed)
    seconds = time.process_time() - clock
    shown = [bump for bump in finds.bumps if bump.confidence >= PROPOSED]
    on = matched(
        planted,
        np.array([bump.seen.centre for bump in shown]).reshape(-1, 3),
        np.array([bump.seen.radius_mm for bump in shown]),
        np.array([bump.seen.sign for bump in shown]),
    )
    _, before_mm = tops(planted)
    _, after_mm = tops(replace(planted, vertices=after.vertices))
    high = set(np.flatnonzero(np.abs(before_mm) >= OVER_MM).tolist())
    done = {bump.seen.vertex for bump, ok in zip(sure, after.done, strict=True) if ok}
    strict = np.array([bump.seen.vertex in done for bump in shown], dtype=np.bool_)
    right = {int(k) for k in on[strict] if k >= 0}
    return Tally(
        len(high),
        len(right & high),
        int((on[strict] == -1).sum()),
        len({int(k) for k in on if k >= 0} & high),
        int((on == -1).sum()),
        tuple(abs(after_mm[k] / before_mm[k]) for k in sorted(right & high)),
        seconds,
    )


def fit(recipes: tuple[Recipe, ...], rounds: int = 5) -> Floats:
    """Weights of the judgement: penalised logistic regression, each place speaking with its likeliest disc
    (as for multiple instances: S. Andrews et al., "Support vector machines for multiple-instance
    learning", 2002).
    """
    from fettlebox_steps.geometry.bump_measures import AT, look_at
    from fettlebox_steps.geometry.bump_scales import relief_and_places
    from fettlebox_steps.geometry.bumps import signs_of
    from fettlebox_steps.geometry.surface_links import links_of

    items = []
    for recipe in recipes:
        shape = recipe.make()
        for planted in (plant(recipe, shape=shape), plant(recipe, bumps=0, shape=shape)):
            fixed = links_of(planted.faces, len(planted.vertices)).rim
            relief, places = relief_and_places(planted.vertices, planted.faces, fixed, OVER_MM, WIDEST_MM)
            rows = look_at(planted.vertices, relief, places, WIDEST_MM)
            sign = np.repeat([place.sign for place in places], rows.shape[1])
            flat = rows.reshape(-1, rows.shape[2])
            on = matched(planted, flat[:, :3], flat[:, AT["radius"]], sign).reshape(rows.shape[:2])
            usable = (rows[..., AT["radius"]] > 0) & (rows[..., AT["height"]] >= OVER_MM)
            items.append((signs_of(rows, relief.grain_mm), on, usable, rows[..., AT["signal"]]))
    weights = None
    for _ in range(rounds):
        signs, labels = [], []
        for sign, on, usable, signal in items:
            score = signal if weights is None else weights[0] + sign @ weights[1:]
            score = np.where(usable, score, -np.inf)
            best = score.argmax(axis=1)
            at = np.arange(len(best))
            use = usable[at, best] & (on[at, best] != -2)
            signs.append(sign[at, best][use])
            labels.append(on[at, best][use] >= 0)
        weights = _logistic(np.concatenate(signs), np.concatenate(labels).astype(float))
    assert weights is not None
    return weights


def _logistic(signs: Floats, labels: Floats, penalty: float = 1.0) -> Floats:
    """By Newton's method."""
    rows = np.column_stack([np.ones(len(signs)), signs])
    weights, ridge = np.zeros(rows.shape[1]), np.eye(rows.shape[1]) * penalty
    ridge[0, 0] = 1e-6
    for _ in range(40):
        likely = 1 / (1 + np.exp(-np.clip(rows @ weights, -30, 30)))
        slope = rows.T @ (likely - labels) + ridge @ weights
        bend = (rows * (likely * (1 - likely))[:, None]).T @ rows + ridge
        stride = np.linalg.solve(bend, slope)
        weights = weights - stride * min(1.0, 3.0 / max(float(np.abs(stride).max()), 1e-12))
    return weights


def main() -> None:
    if "--fit" in sys.argv:
        print(np.round(fit(TUNING), 3).tolist())
        return
    print("shape                 CPU s  strict P / R    ask P / R    residual p50 / p90   clean  triangles")
    sets = {
        "tuning": TUNING,
        "clad": CLAD,
        "unseen": UNSEEN,
        "fresh": FRESH,
        "latest": LATEST,
        "latest clad": CLAD_LATEST,
        "thirty bumps": THIRTY,
        "fresh clad": CLAD_FRESH,
        "last clad": CLAD_LAST,
        "fresh smooth": FRESH_SMOOTH,
    }
    for title, recipes in sets.items():
        totals: dict[bool, list[Tally]] = {False: [], True: []}
        triangles = 0
        for recipe in recipes:
            shape = recipe.make()
            tally = judged(plant(recipe, shape=shape))
            clean = judged(plant(recipe, bumps=0, shape=shape))
            totals[recipe.textured].append(tally)
            triangles += len(shape[1])
            print(_line(recipe.name, (tally,)), f"{clean.strict_false:5}", f"{len(shape[1]):9}", flush=True)
        for textured, tallies in totals.items():
            if not tallies:
                continue
            print(_line(f"{title}, {'textured' if textured else 'smooth'}", tallies))
        if recipes is not TUNING and totals[False]:
            tell(_row(f"knockdown, {title} smooth shapes", triangles, totals[False]))


def _row(what: str, triangles: int, tallies: Sequence[Tally]) -> Row:
    """No library does this: what was planted is the measure."""
    right, false, standing = (
        sum(getattr(tally, name) for tally in tallies)
        for name in ("strict_right", "strict_false", "standing")
    )
    precision, recall = right / max(right + false, 1), right / max(standing, 1)
    wrong = "" if precision >= LEAST_PRECISION and recall >= LEAST_RECALL else "short of its targets"
    return Row(
        what, triangles, "the truth", None, None, f"precision {precision:.2f}, recall {recall:.2f}", wrong
    )


def _line(name: str, tallies: Sequence[Tally]) -> str:
    def share(right: int, false: int) -> str:
        return f"{right / max(right + false, 1):.2f} / {right / max(sum(t.standing for t in tallies), 1):.2f}"

    strict = share(sum(t.strict_right for t in tallies), sum(t.strict_false for t in tallies))
    asked = share(sum(t.asked_right for t in tallies), sum(t.asked_false for t in tallies))
    left = [value for t in tallies for value in t.residuals] or [0.0]
    seconds = sum(t.seconds for t in tallies)
    return (
        f"{name:18} {seconds:6.1f}  {strict}   {asked}   "
        f"{100 * np.percentile(left, 50):4.1f} % / {100 * np.percentile(left, 90):4.1f} %"
    )


if __name__ == "__main__":
    main()
