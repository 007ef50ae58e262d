"""A patch bent as little as can be, that leaves its rim the way the surface around it arrives there."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csc_matrix, diags
from scipy.sparse.linalg import splu

from .topology import Flags, Floats, Ints, face_areas

LEAST_WEIGHT, LARGEST_WEIGHT = 0.02, 5.0
"""Cotangents are kept within these: noise makes needles, whose cotangents would drown all others."""


def bend_least(vertices: Floats, faces: Ints, free: Flags) -> Floats:
    """Vertices (n,3) with the `free` ones (n,) moved to where the surface bends least; the others stay.

    The thin-plate energy over the faces that touch a free vertex or its neighbours; two rings of fixed
    vertices give the place of the rim and the way across it. M. Botsch, L. Kobbelt, "An intuitive
    framework for real-time freeform modeling", SIGGRAPH 2004; weights of U. Pinkall, K. Polthier,
    "Computing discrete minimal surfaces and their conjugates", 1993.
    """
    if not free.any():
        return vertices.copy()
    rim = np.zeros(len(vertices), bool)
    rim[faces[free[faces].any(axis=1)]] = True
    near = faces[rim[faces].any(axis=1)]
    used, local = np.unique(near, return_inverse=True)
    laplacian, mass = _laplacian(vertices[used], local.reshape(-1, 3))
    bent = diags(np.where(rim[used], 1 / mass, 0.0))
    energy = csc_matrix(laplacian.T @ bent @ laplacian)
    unknown = free[used]
    inner = csc_matrix(energy[unknown][:, unknown])
    pull = -(energy[unknown][:, ~unknown] @ vertices[used[~unknown]])
    solver = splu(inner, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    moved = vertices.copy()
    moved[used[unknown]] = solver.solve(np.ascontiguousarray(pull))
    return moved


def _laplacian(points: Floats, faces: Ints) -> tuple[csc_matrix, Floats]:
    """The stiffness matrix (n,n) and the areas (n,) around the vertices."""
    n = len(points)
    row, column, value = [], [], []
    for k in range(3):
        i, j, at = faces[:, k], faces[:, (k + 1) % 3], faces[:, (k + 2) % 3]
        u, v = points[i] - points[at], points[j] - points[at]
        across = np.linalg.norm(np.cross(u, v), axis=1)
        cotangent = np.einsum("ij,ij->i", u, v) / np.maximum(across, 1e-300)
        weight = np.clip(cotangent / 2, LEAST_WEIGHT, LARGEST_WEIGHT)
        row += [i, j, i, j]
        column += [j, i, i, j]
        value += [-weight, -weight, weight, weight]
    entries = (np.concatenate(value), (np.concatenate(row), np.concatenate(column)))
    area = np.bincount(faces.ravel(), np.repeat(face_areas(points, faces), 3) / 3, n)
    return csc_matrix(coo_matrix(entries, shape=(n, n))), np.maximum(area, 1e-9 * area.mean())
