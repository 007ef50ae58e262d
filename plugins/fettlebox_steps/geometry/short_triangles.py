"""Triangles by their corners' coordinates, none of them too long: what a winding number is summed over.

One long triangle makes a whole leaf of a tree reach far. Threads share the work, and what comes out is the
same however many there are.
"""

from __future__ import annotations

import numpy as np
from numba import get_num_threads, njit, prange
from numpy.typing import NDArray

LONGEST = 3.0
"""Longest side of a triangle, in median longest sides."""

PARTS = 8
"""Of the work for each thread: long triangles, which take the most, often follow one another, so that each
thread takes parts from all over."""


def short_triangles(points: NDArray[np.float64], corners: NDArray[np.int64]) -> NDArray[np.float64]:
    """Triangles (k,9) that make up the same surface as corners (m,3) over points (n,3), long ones halved."""
    triangles = _gathered(points, corners)
    middle = np.median(_longest_sides(triangles))
    longest = LONGEST * middle if middle > 0 else np.inf
    while True:
        halved = _halved(triangles, longest * longest, 2 * len(triangles) + 64, get_num_threads())
        if len(halved):
            return np.asarray(halved)
        longest *= 2


@njit(parallel=True, cache=True)
def _gathered(points, corners):
    triangles = np.empty((len(corners), 9))
    for f in prange(len(corners)):
        for i in range(9):
            triangles[f, i] = points[corners[f, i // 3], i % 3]
    return triangles


@njit(parallel=True, cache=True)
def ordered(triangles, order):
    """Triangles (k,9) in an order (k,)."""
    found = np.empty_like(triangles)
    for f in prange(len(order)):
        found[f] = triangles[order[f]]
    return found


@njit(parallel=True, cache=True)
def middles(triangles):
    """(k,3) middles of triangles (k,9)."""
    found = np.empty((len(triangles), 3))
    for f in prange(len(triangles)):
        for k in range(3):
            found[f, k] = (triangles[f, k] + triangles[f, 3 + k] + triangles[f, 6 + k]) / 3
    return found


@njit(parallel=True, cache=True)
def _longest_sides(triangles):
    longest = np.empty(len(triangles))
    for f in prange(len(triangles)):
        longest[f] = np.sqrt(max(_side2(triangles[f], 0), _side2(triangles[f], 1), _side2(triangles[f], 2)))
    return longest


@njit(cache=True)
def _side2(t, k):
    j = (k + 1) % 3
    return (
        (t[3 * j] - t[3 * k]) ** 2 + (t[3 * j + 1] - t[3 * k + 1]) ** 2 + (t[3 * j + 2] - t[3 * k + 2]) ** 2
    )


@njit(parallel=True, cache=True)
def _halved(triangles, longest2, most, threads):
    """Triangles halved at the middle of their longest sides until none is too long; none at all if they would
    be more than `most`. They are counted first, so that each thread knows where its own come.
    """
    count = len(triangles)
    parts = PARTS * threads
    start = np.zeros(parts + 1, np.int64)
    for i in prange(parts):
        part = i % PARTS * threads + i // PARTS
        waiting, t, nowhere = np.empty((128, 9)), np.empty(9), np.empty((0, 9))
        total = 0
        for f in range(part * count // parts, (part + 1) * count // parts):
            total += _halve(triangles[f], longest2, waiting, t, nowhere, most - total)
            if total > most:
                break
        start[part + 1] = total
    for part in range(parts):
        start[part + 1] += start[part]
    if start[parts] > most:
        return np.empty((0, 9))
    halved = np.empty((start[parts], 9))
    for i in prange(parts):
        part = i % PARTS * threads + i // PARTS
        waiting, t = np.empty((128, 9)), np.empty(9)
        at = start[part]
        for f in range(part * count // parts, (part + 1) * count // parts):
            at += _halve(triangles[f], longest2, waiting, t, halved[at:], most)
    return halved


@njit(cache=True)
def _halve(triangle, longest2, waiting, t, halved, most):
    """Of how many parts, none too long, a triangle is made, but at most one above `most`; written to `halved`
    unless that is empty.
    """
    if max(_side2(triangle, 0), _side2(triangle, 1), _side2(triangle, 2)) <= longest2:
        if len(halved):
            halved[0] = triangle
        return 1
    count = 0
    waiting[0] = triangle
    top = 1
    while top > 0 and count <= most:
        top -= 1
        for i in range(9):
            t[i] = waiting[top, i]
        sides = (_side2(t, 0), _side2(t, 1), _side2(t, 2))
        k = 0
        if sides[1] > sides[k]:
            k = 1
        if sides[2] > sides[k]:
            k = 2
        if sides[k] <= longest2 or top > 120:
            if len(halved):
                for i in range(9):
                    halved[count, i] = t[i]
            count += 1
            continue
        j = (k + 1) % 3
        for i in range(9):
            waiting[top, i] = waiting[top + 1, i] = t[i]
        for d in range(3):
            middle = 0.5 * (t[3 * k + d] + t[3 * j + d])
            waiting[top, 3 * j + d] = middle
            waiting[top + 1, 3 * k + d] = middle
        top += 2
    return count
