"""The grade follows the worst measure, and its sentences can be told to a customer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from fettlebox_steps.geometry.scan_grade import GRADES, MEASURES, grade_scan, share_in_words, worse
from fettlebox_steps.geometry.scan_quality import measure_scan


@pytest.fixture(scope="module")
def half_head(head: Callable[..., Any]) -> Any:
    v, f = head(5).vertices, head(5).faces
    return measure_scan(v, f[v[f].mean(axis=1)[:, 1] < 0.0])


def test_a_whole_clean_head_is_good(head: Callable[..., Any]) -> None:
    graded = grade_scan(measure_scan(head(5).vertices, head(5).faces))
    assert (graded.grade, graded.reasons) == ("good", ())
    assert graded.rank[0] > 0.75


def test_half_a_head_is_poor_and_says_what_is_missing_where(half_head: Any) -> None:
    graded = grade_scan(half_head)
    assert graded.grade == "poor"
    assert "missing" in graded.reasons[0]
    assert "at the back (+y)" in graded.reasons[0]
    assert "please scan again" in graded.reasons[0]


def test_of_a_relief_the_back_is_not_missing(half_head: Any) -> None:
    assert grade_scan(half_head, one_sided=True).grade == "good"


def test_more_noise_never_ranks_higher(head: Callable[..., Any]) -> None:
    v, f = head(4).vertices, head(4).faces
    rng = np.random.default_rng(4).normal(size=v.shape)
    graded = [grade_scan(measure_scan(v + rng * s, f)) for s in (0.0, 0.3, 1.0, 3.0, 9.0)]
    ranks = [one.rank for one in graded]
    assert ranks == sorted(ranks, reverse=True)
    assert [one.grade for one in graded][-1] in ("poor", "hopeless")
    assert any("rough" in reason for reason in graded[-1].reasons)


def test_nothing_at_all_is_hopeless() -> None:
    graded = grade_scan(measure_scan(np.zeros((3, 3)), np.array([[0, 1, 2]])))
    assert graded.grade == "hopeless"
    assert graded.reasons == ("there is no surface in this scan; please scan again",)


def test_bounds_go_from_good_to_worse() -> None:
    for measure in MEASURES:
        given = [bound for bound in measure.bounds if bound is not None]
        assert given == sorted(given), measure.name
    assert [worse(a, "fair") for a in GRADES] == [False, False, True, True]


@pytest.mark.parametrize(("share", "words"), [(0.34, "a third"), (0.5, "half"), (0.42, "42%"), (0.98, "98%")])
def test_shares_as_one_says_them(share: float, words: str) -> None:
    assert share_in_words(share) == words
