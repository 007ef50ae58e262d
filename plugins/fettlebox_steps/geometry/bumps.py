"""Bumps, spikes and pits that a scanner left: finding them, judging them, taking them off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .bump_measures import AT, FLOOR_MM, Look, connected_ball, cubic, frame, look_at, look_of, rim_radius
from .bump_scales import Relief, relief_and_places
from .bump_texture import ALL_OVER, among_others, textured
from .refill import Patch, refilled, spoiled_faces

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]
Longs = NDArray[np.int64]

WEIGHTS = (
    -1.286,
    0.548, -3.778, -0.056, -0.255, 0.376, 1.331, -0.483, -0.634, -0.194, 0.279, 1.105,
    0.075, 0.433, 1.662, -0.103, -0.478, -0.004, -0.028, -0.085, 0.392, -1.665, 0.795,
)  # fmt: skip
"""Logistic regression of "a planted bump" on `signs_of`, fitted on the tuning shapes of
benchmarks/knockdown.py (`--fit` prints it)."""

NOT_WORTH_A_LOOK = 0.02
"""Confidence below which a place is not a find."""

MOST_BEND, LEAST_TILT = 1.2, 0.2
"""Nothing is said of places where the surface below bends more sharply than the disc is wide, or turns away
from view: no bump was planted on the like, so the weights know nothing of it."""

AMONG_OTHERS = 0.9
"""Confidence that a find on a textured surface has at most, being one of many: a person may be asked, but it
is not certain."""

APART = 0.8
"""Two finds nearer than this share of their radii together are one."""


@dataclass(frozen=True)
class Bump:
    """A find. `confidence` 0 to 1: how sure it is that the scanner made it; textured: it lies on texture,
    or is one of many like it.
    """

    seen: Look
    confidence: float
    textured: bool = False

    @property
    def height_mm(self) -> float:
        """Over the surface around; negative for a pit."""
        return self.seen.sign * self.seen.height_mm

    @property
    def width_mm(self) -> float:
        """Across its foot."""
        return 2.0 * self.seen.radius_mm


@dataclass(frozen=True)
class Finds:
    """All finds, surest first, the relief they were made in, and the share of the surface that is textured;
    all_over: so much is that the part as a whole counts as textured.
    """

    bumps: tuple[Bump, ...]
    relief: Relief
    textured_share: float
    all_over: bool


@dataclass(frozen=True)
class Levelled:
    """A surface (n,3) with patches refilled. done: which of the bumps asked for were; moved (n,)."""

    vertices: Floats
    done: tuple[bool, ...]
    moved: Mask


def signs_of(rows: Floats, grain_mm: float) -> Floats:
    """(...,22) what speaks for or against a scanner's bump in rows (...,17) of `look_at`: eleven signs, each
    of an order of one, and their squares.
    """
    column = {name: rows[..., k] for name, k in AT.items()}
    height = np.maximum(column["height"], 1e-3)
    radius = np.maximum(column["radius"], 1e-3)
    signs = np.stack(
        [
            np.log(np.maximum(column["signal"], 1e-3)),
            np.log(column["rim"] / (grain_mm + FLOOR_MM) + 0.1),
            np.clip(column["explained"], 0.0, 1.0),
            column["roundness"],
            np.clip(column["bend"], 0.0, 2.0),
            1.0 - column["tilt"],
            np.clip(column["growth"], 0.0, 3.0),
            np.log(np.maximum(column["others"], 0.0) + 0.1),
            np.log(height / (0.5 * column["bend"] * radius + 0.1)),
            np.log(height / radius),
            np.log(np.maximum(column["wide_rim"], 0.0) + 0.02),
        ],
        axis=-1,
    )
    return np.concatenate([signs, np.square(signs)], axis=-1)


def confidences(rows: Floats, grain_mm: float) -> Floats:
    """(...) from 0 to 1, of rows (...,17)."""
    score = WEIGHTS[0] + signs_of(rows, grain_mm) @ np.array(WEIGHTS[1:])
    sure = 1.0 / (1.0 + np.exp(-np.clip(score, -30.0, 30.0)))
    unlike = (rows[..., AT["bend"]] > MOST_BEND) | (rows[..., AT["tilt"]] < LEAST_TILT)
    return np.asarray(np.where(unlike, 0.0, sure))


def find_bumps(vertices: Floats, faces: Ints, fixed: Mask, over_mm: float, widest_mm: float) -> Finds:
    """What may be a scanner's bump of at least `over_mm` height and at most `widest_mm` across its foot.

    fixed (n,): vertices that belong to flat faces or open rims, where nothing is looked for.
    """
    relief, places = relief_and_places(vertices, faces, fixed, over_mm, widest_mm)
    rows = look_at(vertices, relief, places, widest_mm)
    sure = confidences(rows, relief.grain_mm)
    sure[(rows[..., AT["radius"]] <= 0.0) | (rows[..., AT["height"]] < over_mm)] = 0.0
    best = sure.argmax(axis=1)
    bumps = [
        Bump(look_of(place, rows[k, best[k]]), float(sure[k, best[k]]))
        for k, place in enumerate(places)
        if sure[k, best[k]] > NOT_WORTH_A_LOOK
    ]
    bumps.sort(key=lambda bump: (-bump.confidence, -bump.seen.signal, bump.seen.vertex))
    apart = _apart(bumps)
    certain = [bump.seen for bump in apart if bump.confidence > AMONG_OTHERS]
    texture, share = textured(vertices, relief, certain, widest_mm)
    all_over = share >= ALL_OVER
    many = among_others(vertices, relief, [bump.seen for bump in apart], widest_mm)
    told = [
        Bump(bump.seen, min(bump.confidence, AMONG_OTHERS), True)
        if all_over or texture[bump.seen.vertex] or one_of_many
        else bump
        for bump, one_of_many in zip(apart, many, strict=True)
    ]
    return Finds(tuple(sorted(told, key=lambda bump: -bump.confidence)), relief, share, all_over)


def level(vertices: Floats, faces: Ints, relief: Relief, bumps: Sequence[Bump], fixed: Mask) -> Levelled:
    """Refill under these bumps. Where that would make triangles cross, fold or vanish that did not, vertices
    are spread sideways too; where that does not help, the bump is left as it is. Vertices outside the
    patches keep every bit.
    """
    scratch = np.zeros(len(vertices) + 1, dtype=np.int64)
    patches = [refilled(vertices, relief, bump.seen, fixed, scratch) for bump in bumps]
    spoiled_before: Mask | None = None
    spread: set[int] = set()
    while True:
        result, owner = _applied(vertices, patches)
        touched = np.asarray((owner >= 0)[faces].any(axis=1))
        if not touched.any():
            break
        bad = spoiled_faces(result, faces, touched)
        if bad.any():
            if spoiled_before is None:
                spoiled_before = spoiled_faces(vertices, faces, np.ones(len(faces), np.bool_))
            bad &= ~spoiled_before
        guilty = [int(k) for k in np.unique(owner[faces[bad]]) if k >= 0]
        if not guilty:
            break
        for k in guilty:
            if k in spread:
                patches[k] = None
            else:
                spread.add(k)
                patches[k] = refilled(vertices, relief, bumps[k].seen, fixed, scratch, spread=True)
    return Levelled(result, tuple(patch is not None for patch in patches), owner >= 0)


def height_left(vertices: Floats, relief: Relief, bump: Bump) -> float:
    """Height in mm that the profile of a bump still has over the rim, in these vertices (n,3)."""
    seen = bump.seen
    outside = rim_radius(seen.radius_mm, relief.edge_mm)
    scratch = np.zeros(len(vertices) + 1, dtype=np.int64)
    near = connected_ball(relief, vertices, seen.vertex, outside + seen.radius_mm, scratch)
    offset = vertices[near] - seen.centre
    flat, high = offset @ frame(seen.normal).T / seen.radius_mm, offset @ seen.normal
    away = np.linalg.norm(flat, axis=1)
    rim = (away >= 1.0) & (away * seen.radius_mm < outside)
    over = high - cubic(flat) @ np.linalg.lstsq(cubic(flat[rim]), high[rim], rcond=None)[0]
    profile = np.square(np.maximum(1.0 - away * away, 0.0))
    return float(profile @ over / np.square(profile).sum())


def _applied(vertices: Floats, patches: Sequence[Patch | None]) -> tuple[Floats, NDArray[np.int64]]:
    """The vertices with patches in place, and the patch of each vertex, -1 for none.

    The first patch that names a vertex has it: bumps come surest first.
    """
    result, owner = vertices.copy(), np.full(len(vertices), -1, dtype=np.int64)
    for k, patch in enumerate(patches):
        if patch is None:
            continue
        free = owner[patch.vertices] < 0
        result[patch.vertices[free]] = patch.places[free]
        owner[patch.vertices[free]] = k
    return result, owner


def _apart(bumps: list[Bump]) -> list[Bump]:
    """Without those that lie on a surer one."""
    kept: list[Bump] = []
    for bump in bumps:
        if all(
            np.linalg.norm(bump.seen.centre - other.seen.centre)
            > APART * (bump.seen.radius_mm + other.seen.radius_mm)
            for other in kept
        ):
            kept.append(bump)
    return kept
