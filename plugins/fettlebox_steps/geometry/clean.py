"""A raw scan made into an edge- and vertex-manifold, consistently wound surface. Nothing is closed here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from .topology import (
    ALONE,
    CROWDED,
    Flags,
    Floats,
    Ints,
    compact,
    components,
    corner_fans,
    diagonal,
    edge_order,
    face_areas,
    face_vectors,
    twins,
    used_vertices,
    volume_about,
)

WELD_SHARE = 1e-7
"""Vertices this close, as a share of the diagonal, are one: what writing seven digits blurs."""
CROWD_LIMIT = 16
"""An edge with more faces than this is torn open on all of them; pairing them would be a guess."""
FOLD_BACK = -0.3
"""Cosine between normals under which two faces at a crowded edge are not taken for neighbours."""
EAR_ROUNDS = 3
"""Taking off faces that hang on by one edge bares others; three rounds take off what frays."""
FIN = 4.0
"""A face that hangs on by one edge is a fin if its tip is this many of the scan's median edges from there: a
triangle that a scanner drew from the rim to something behind it. Shorter ones are the rim's own teeth."""
SPIKE = 6.0
"""How many times as long as the edges around it the edges of a spike are. A cone so steep has an angle of
less than ten degrees at its tip: no scanner resolves one with a single fan of triangles."""
SPIKES_SHARE = 0.05
"""With more of the faces on spikes than this, they are how the mesh is made."""
NUDGE_ULPS = 8
"""Vertices parted at a pinch keep this many float32 steps between them, so that an STL cannot weld them."""

SPREAD = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
"""Odd numbers without a pattern in their bits, which spread rows over a hash table."""


@dataclass(frozen=True)
class Cleaned:
    """The surface and what was done to it, in counts."""

    vertices: Floats
    faces: Ints
    counts: dict[str, int]


def float32_step(vertices: Floats) -> float:
    """The gap between neighbouring float32 numbers at the largest coordinate, mm."""
    return float(np.spacing(np.float32(np.abs(vertices).max(initial=1e-30))))


def first_of_equal(rows: Ints) -> Ints:
    """(n,) for each row of (n,3) integers, the smallest index of an equal row."""
    return np.asarray(_first_of_equal(np.ascontiguousarray(rows, dtype=np.int64)))


@njit(cache=True)
def _first_of_equal(rows):
    """By a hash table, filled in the order of the rows."""
    size = 16
    while size < 2 * len(rows):
        size *= 2
    slots = np.full(size, -1, np.int32)
    first = np.empty(len(rows), np.int64)
    for i in range(len(rows)):
        x, y, z = rows[i, 0], rows[i, 1], rows[i, 2]
        mixed = np.uint64(x) * SPREAD[0] + np.uint64(y) * SPREAD[1] + np.uint64(z) * SPREAD[2]
        slot = np.int64((mixed ^ (mixed >> np.uint64(29))) >> np.uint64(3)) & (size - 1)
        while True:
            j = slots[slot]
            if j < 0:
                slots[slot] = i
                first[i] = i
                break
            if rows[j, 0] == x and rows[j, 1] == y and rows[j, 2] == z:
                first[i] = j
                break
            slot = (slot + 1) & (size - 1)
    return first


def weld(vertices: Floats, faces: Ints) -> Ints:
    """Faces (m,3) with vertices that are one position named once; the vertices stay where they are.

    Twice: on a grid of WELD_SHARE, and by float32 position, since an STL will do that anyhow.
    """
    if not len(vertices):
        return faces
    grid = max(diagonal(vertices) * WELD_SHARE, 1e-30)
    first = first_of_equal(np.round((vertices - vertices.min(axis=0)) / grid).astype(np.int64))
    single = vertices[first].astype(np.float32) + np.float32(0.0)
    return np.asarray(first_of_equal(single.view(np.int32).astype(np.int64))[first][faces])


def welded(
    vertices: ArrayLike, faces: ArrayLike, *, keep_flat: bool = False
) -> tuple[Floats, NDArray[np.int64]]:
    """Vertices at exactly one place made one, without faces that have no area and vertices that none uses.

    `keep_flat`: of the faces without area only those go that name a place twice. One whose three corners
    are in line fills the slit where an edge meets two shorter ones; without it a closed surface is open.
    The vertices come in the order of their coordinates, whatever order they had.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    first = first_of_equal((points + 0.0).view(np.int64))  # -0 becomes +0
    single = np.flatnonzero(first == np.arange(len(points)))
    single = single[np.lexsort(points[single].T[::-1])]
    name = np.empty(len(points), np.int64)
    name[single] = np.arange(len(single))
    places, corners = points[single], name[first[np.asarray(faces)]]
    if keep_flat:
        a, b, c = corners.T
        kept = (a != b) & (b != c) & (c != a)
    else:
        kept = face_areas(places, corners) > 0
    places, corners, _ = compact(places, corners[kept])
    return places, corners.astype(np.int64, copy=False)


def drop_bad_faces(faces: Ints) -> tuple[Ints, int, int]:
    """Without faces that name a vertex twice, and all but the first of each set of equal faces."""
    a, b, c = faces.T
    proper = faces[(a != b) & (b != c) & (c != a)]
    first = first_of_equal(np.sort(proper, axis=1)) if len(proper) else np.zeros(0, np.int64)
    kept = proper[first == np.arange(len(proper))]
    return kept, len(faces) - len(proper), len(proper) - len(kept)


@njit(cache=True)
def _turned(faces, order, start):
    """Breadth-first over edges of two faces: 1 where a face must be turned to agree with its seed."""
    m = len(faces)
    mate = np.full(3 * m, -1, np.int64)
    for e in range(len(start) - 1):
        if start[e + 1] - start[e] == 2:
            mate[order[start[e]]] = order[start[e] + 1]
            mate[order[start[e] + 1]] = order[start[e]]
    turn = np.full(m, -1, np.int8)
    patch = np.zeros(m, np.int64)
    queue = np.empty(m, np.int64)
    count = 0
    for seed in range(m):
        if turn[seed] >= 0:
            continue
        turn[seed] = 0
        queue[0] = seed
        head, tail = 0, 1
        while head < tail:
            f = queue[head]
            head += 1
            patch[f] = count
            for k in range(3):
                g = mate[3 * f + k]
                if g < 0 or turn[g // 3] >= 0:
                    continue
                along = faces[f, k] == faces[g // 3, g % 3]
                turn[g // 3] = 1 - turn[f] if along else turn[f]
                queue[tail] = g // 3
                tail += 1
        count += 1
    return turn, patch, count


def wind_consistently(vertices: Floats, faces: Ints) -> tuple[Ints, int]:
    """Faces turned so that neighbours agree; each patch keeps the winding of most of its area."""
    turn, patch, count = _turned(faces, *edge_order(faces, len(vertices)))
    area = face_areas(vertices, faces)
    wrong = np.bincount(patch, area * turn, count) > np.bincount(patch, area * (1 - turn), count)
    flip = (turn == 1) ^ wrong[patch]
    return np.where(flip[:, None], faces[:, ::-1], faces), int(flip.sum())


@njit(cache=True)
def _pair_edges(faces, normals, order, start, crowd_limit, fold_back):
    """Twins where a crowded edge keeps its flattest pairs and tears off the rest."""
    twin = np.full(3 * len(faces), -1, np.int64)
    for e in range(len(start) - 1):
        s, t = start[e], start[e + 1]
        if t - s == 2:
            g, h = order[s], order[s + 1]
            if faces[g // 3, g % 3] != faces[h // 3, h % 3]:
                twin[g] = h
                twin[h] = g
        elif 2 < t - s <= crowd_limit:
            while True:
                best, bg, bh = fold_back, -1, -1
                for i in range(s, t):
                    for j in range(i + 1, t):
                        g, h = order[i], order[j]
                        if twin[g] >= 0 or twin[h] >= 0:
                            continue
                        if faces[g // 3, g % 3] == faces[h // 3, h % 3]:
                            continue
                        p, q = normals[g // 3], normals[h // 3]
                        d = p[0] * q[0] + p[1] * q[1] + p[2] * q[2]
                        if d > best:
                            best, bg, bh = d, g, h
                if bg < 0:
                    break
                twin[bg] = bh
                twin[bh] = bg
    return twin


def make_manifold(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, int]:
    """One vertex for each fan of corners; twins of a split vertex are nudged apart, each to its own side.

    Fans are joined over paired edges only (the idea of "cutting and stitching", A. Guéziec et al., 2001).
    A face whose crowded edge is no rim of its own even then hangs in a surface that closes around it, and
    is dropped. Edge- and vertex-manifold in the end. Third: the number of vertices added.
    """
    normals = _to_unit_length(face_vectors(vertices, faces))
    while True:
        order, start = edge_order(faces, len(vertices))
        twin = _pair_edges(faces, normals, order, start, CROWD_LIMIT, FOLD_BACK)
        count, fans = corner_fans(faces, twin)
        crowded = twins(fans, count) == CROWDED
        if not crowded.any():
            break
        single = crowded & (twin < 0)
        stuck = (single if single.any() else crowded).reshape(-1, 3).any(axis=1)
        faces, normals = faces[~stuck], normals[~stuck]
    source = np.empty(count, np.int64)
    source[fans.ravel()] = faces.ravel()
    shared = np.bincount(source, minlength=len(vertices))[source] > 1
    own = vertices[source]
    if shared.any():
        own = _nudged(own, fans, shared, float32_step(vertices))
    return own, fans, count - len(used_vertices(source, len(vertices)))


@njit(cache=True)
def _to_unit_length(rows):
    for i in range(len(rows)):
        rows[i] /= max(np.sqrt(rows[i, 0] ** 2 + rows[i, 1] ** 2 + rows[i, 2] ** 2), 1e-300)
    return rows


def _nudged(vertices: Floats, faces: Ints, shared: Flags, step_mm: float) -> Floats:
    """Shared vertices drawn to the middle of their fan, a hundredth of its shortest spoke or more."""
    touched = shared[faces].any(axis=1)
    near = faces[touched]
    middle = vertices[near].mean(axis=1)
    total = np.zeros_like(vertices)
    fan_size = np.zeros(len(vertices))
    spoke = np.full(len(vertices), np.inf)
    for k in range(3):
        np.add.at(total, near[:, k], middle)
        np.add.at(fan_size, near[:, k], 1.0)
        for other in (near[:, (k + 1) % 3], near[:, (k + 2) % 3]):
            np.minimum.at(spoke, near[:, k], np.linalg.norm(vertices[other] - vertices[near[:, k]], axis=1))
    moving = np.flatnonzero(shared)
    towards = total[moving] / fan_size[moving, None] - vertices[moving]
    length = np.linalg.norm(towards, axis=1)
    reach = np.minimum(np.maximum(0.01 * spoke[moving], NUDGE_ULPS * step_mm), 0.5 * length)
    moved = vertices.copy()
    moved[moving] += towards * (reach / np.maximum(length, 1e-300))[:, None]
    return moved


def without_spikes(vertices: Floats, faces: Ints) -> tuple[Ints, int]:
    """Faces without the fans of spikes, which leave holes as wide as the spikes' feet, and their number.

    A scanner that loses its target for one point leaves a spike: a vertex all of whose edges are SPIKE
    times as long as every edge around its fan, which has three faces at least: a single one is a fin. The
    way around the fan is short too: a cone of 60 degrees and more, such as the pole of a ball, is none.
    """
    spoke, link, around = _spokes_and_links(vertices, faces)
    fan = np.bincount(faces.ravel(), minlength=len(vertices))
    spike = (spoke > SPIKE * link) & (around < np.pi * spoke) & (fan >= 3)
    fans = spike[faces].any(axis=1)
    if not fans.any() or fans.mean() > SPIKES_SHARE:
        return faces, 0
    return faces[~fans], int(spike.sum())


@njit(cache=True)
def _spokes_and_links(vertices, faces):
    """(n,) length of each vertex's shortest edge, (n,) of the longest around its fan, (n,) of all those."""
    spoke = np.full(len(vertices), np.inf)
    link = np.zeros(len(vertices))
    around = np.zeros(len(vertices))
    for f in range(len(faces)):
        for k in range(3):
            a, b, c = faces[f, k], faces[f, (k + 1) % 3], faces[f, (k + 2) % 3]
            p, q = vertices[a], vertices[b]
            side = np.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
            spoke[a] = min(spoke[a], side)
            spoke[b] = min(spoke[b], side)
            link[c] = max(link[c], side)
            around[c] += side
    return spoke, link, around


def without_ears(faces: Ints, n: int, rounds: int = EAR_ROUNDS, spared: Flags | None = None) -> Flags:
    """(m,) faces left without those that have two or three edges on a rim; taking some off bares others,
    hence rounds. None of `spared` (m,) is taken.
    """
    left = np.ones(len(faces), bool)
    may = left if spared is None else ~spared
    for _ in range(rounds):
        own = np.flatnonzero(left)
        frayed = ((twins(faces[own], n) == ALONE).reshape(-1, 3).sum(axis=1) >= 2) & may[own]
        if not frayed.any():
            break
        left[own[frayed]] = False
    return left


def face_outwards(vertices: Floats, faces: Ints) -> tuple[Ints, bool]:
    """All faces turned if the surface is plainly inside out.

    Plainly: closed but for little (the rim's openings are under a quarter of the area), with a negative
    volume. A shallow open surface is left as its maker wound it: the inside of a bowl is a fair subject.
    """
    if not len(faces):
        return faces, False
    vectors = face_vectors(vertices, faces)
    area = float(np.linalg.norm(vectors, axis=1).sum()) / 2
    missing = float(np.linalg.norm(vectors.sum(axis=0))) / 2
    middle = vertices[used_vertices(faces, len(vertices))].mean(axis=0)
    inside_out = missing < 0.25 * area and volume_about(vertices, faces, middle) < 0
    return (np.ascontiguousarray(faces[:, ::-1]), True) if inside_out else (faces, False)


def clean(vertices: Floats, faces: Ints) -> Cleaned:
    """Weld, drop degenerate and doubled faces, wind consistently, make manifold. Ears and crumbs stay."""
    welded = weld(vertices, faces)
    proper, degenerate, doubled = drop_bad_faces(welded)
    consistent, turned = wind_consistently(vertices, proper)
    blunt, spikes = without_spikes(vertices, consistent)
    outwards, inside_out = face_outwards(vertices, blunt)
    own, manifold, split = make_manifold(vertices, outwards)
    counts = {
        "degenerate_faces": degenerate,
        "doubled_faces": doubled,
        "turned_faces": len(outwards) if inside_out else turned,
        "spikes_cut": spikes,
        "split_vertices": split,
        "stuck_faces": len(outwards) - len(manifold),
    }
    return Cleaned(own, manifold, counts)


def without_fins(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, int]:
    """Fins cut from the rims, the surface made manifold again where that bared a pinch; how many."""
    longest_mm = FIN * float(np.median(_side_lengths(vertices, faces))) if len(faces) else 0.0
    left = np.ones(len(faces), bool)
    for _ in range(EAR_ROUNDS):
        own = np.flatnonzero(left)
        alone = (twins(faces[own], len(vertices)) == ALONE).reshape(-1, 3)
        frayed = np.flatnonzero(alone.sum(axis=1) >= 2)
        if not len(frayed):
            break
        hangs = own[frayed]
        length_mm = np.maximum(_side_lengths(vertices, faces[hangs]), 1e-300)
        reach_mm = 2 * face_areas(vertices, faces[hangs])[:, None] / length_mm
        # How far the tip is from the one side that has a neighbour; without any, the face is a scrap.
        tip_mm = np.where(alone[frayed], np.inf, reach_mm).min(axis=1)
        fins = hangs[tip_mm > longest_mm]
        if not len(fins):
            break
        left[fins] = False
    if left.all():
        return vertices, faces, 0
    kept, trimmed, _ = compact(vertices, faces[left])
    return *make_manifold(kept, trimmed)[:2], int((~left).sum())


@njit(cache=True)
def _side_lengths(vertices, faces):
    """(m,3) lengths of the sides from corner k to corner k + 1."""
    length = np.empty((len(faces), 3))
    for f in range(len(faces)):
        for k in range(3):
            p, q = vertices[faces[f, k]], vertices[faces[f, (k + 1) % 3]]
            length[f, k] = np.sqrt((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2)
    return length


def pieces_of(vertices: Floats, faces: Ints) -> tuple[int, Ints, Floats]:
    """(count, (m,) label, (count,) area) of the pieces that hang together."""
    count, label = components(faces, len(vertices))
    return count, label, np.bincount(label, face_areas(vertices, faces), count).astype(np.float64)
