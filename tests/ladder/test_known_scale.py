"""A scale that has learned gives what it gave before, to the last bit, for any question."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from controller.ladder.known_scale import KnownScale

OHMS = st.lists(st.sampled_from([0.0, 0.5, 1.0, 47.0, 1e6, float("inf")]), max_size=8)


class Counted:
    """A scale that counts how often it is asked."""

    def __init__(self) -> None:
        self.asked = 0

    def __call__(self, ohms):
        self.asked += 1
        return 1.0 / (1.0 + np.asarray(ohms))


@given(learned=OHMS, asked=OHMS)
def test_what_is_learned_changes_nothing(learned, asked):
    scale = Counted()
    known = KnownScale(scale)
    known.learn(np.array(learned))
    np.testing.assert_array_equal(known(np.array(asked)), scale(np.array(asked)))


def test_what_is_learned_is_not_asked_again():
    scale = Counted()
    known = KnownScale(scale)
    known.learn(np.array([10.0, 2.0, 10.0]))
    known(np.array([[2.0, 10.0], [10.0, 2.0]]))
    assert scale.asked == 1
    known(np.array([2.0, 3.0]))
    assert scale.asked == 2
