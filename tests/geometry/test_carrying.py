from __future__ import annotations

import numpy as np
from fettlebox_steps.geometry.carrying import nearest_values, unmoved_share


def test_kept_points_keep_their_value_and_new_ones_take_the_nearest() -> None:
    rng = np.random.default_rng(2)
    old = rng.normal(size=(200, 3))
    colours = rng.integers(0, 255, (200, 4)).astype(np.uint8)
    new = np.concatenate([old[50:], old[:1] + 1e-6, [[100.0, 0, 0]]])
    carried = nearest_values(old, colours, new)
    np.testing.assert_array_equal(carried[:150], colours[50:])
    np.testing.assert_array_equal(carried[150], colours[0])
    np.testing.assert_array_equal(carried[151], colours[old[:, 0].argmax()])
    assert carried.dtype == np.uint8


def test_a_face_counts_as_unmoved_only_bit_for_bit() -> None:
    points = np.random.default_rng(3).normal(size=(6, 3))
    faces = np.array([[0, 1, 2], [1, 2, 3], [3, 4, 5], [0, 4, 5]])
    shuffled = points[::-1].copy()
    assert unmoved_share(points, faces, shuffled, 5 - faces[:, [1, 2, 0]]) == 1.0
    shuffled[0, 0] = np.nextafter(shuffled[0, 0], 9)
    assert unmoved_share(points, faces, shuffled, 5 - faces) == 0.5
    assert unmoved_share(points, faces[:0], points, faces) == 0.0
    assert unmoved_share(np.zeros((3, 3)), faces[:1], -np.zeros((3, 3)), faces[:1]) == 1.0
