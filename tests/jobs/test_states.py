from __future__ import annotations

import itertools

import pytest
from fettlebox.jobs.states import ALLOWED, FINISHED, State, StateError, check_transition


def test_every_state_says_what_may_follow() -> None:
    assert set(ALLOWED) == set(State)


def test_the_names_are_those_of_the_traveler() -> None:
    from typing import get_args

    from fettlebox.traveler.record import JobState

    assert {str(state) for state in State} == set(get_args(JobState))


@pytest.mark.parametrize(("before", "after"), list(itertools.product(State, State)))
def test_a_transition_is_allowed_or_an_error_that_names_both(before: State, after: State) -> None:
    if after in ALLOWED[before]:
        check_transition(before, after)
    else:
        with pytest.raises(StateError, match=f"{before}.*{after}"):
            check_transition(before, after)


def test_nothing_that_is_delivered_comes_back_by_itself() -> None:
    assert not ALLOWED[State.DONE]
    assert all(State.WORKING not in ALLOWED[state] for state in FINISHED)
