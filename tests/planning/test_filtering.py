from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from controller.planning.filtering import filtered_excursion

PULLUP = 2000.0
VALUES = st.floats(50.0, 50_000.0)


def falling(ohms):
    """Stand in for an NTC's scale: falls with resistance, and reaches from 0 to infinity."""
    with np.errstate(divide="ignore"):
        return 100.0 - 20.0 * np.log(np.clip(np.asarray(ohms, dtype=float), 1e-3, 1e9) / 100.0)


def strays(ohms, holds_s, tau_s):
    return filtered_excursion(
        ohms, holds_s, pullup_ohms=PULLUP, time_constant_s=tau_s, celsius=falling
    )


@given(st.lists(st.tuples(VALUES, st.floats(0.002, 0.05)), min_size=1, max_size=5), VALUES)
def test_the_filter_is_the_differential_equation_of_an_rc_section(hops, start):
    ohms = [start, *(r for r, _ in hops)]
    holds_s = [h for _, h in hops]
    tau_s, state, seen = 0.02, start / (start + PULLUP), []
    for value, hold_s in hops:
        share = value / (value + PULLUP)
        solved = solve_ivp(
            lambda _t, v, share=share: (share - v) / tau_s,
            (0.0, hold_s),
            [state],
            rtol=1e-9,
            atol=1e-12,
        )
        state = float(solved.y[0, -1])
        seen.append(PULLUP * state / (1 - state))
    ends = sorted(falling([ohms[0], ohms[-1]]))
    made = falling(seen)
    expected = max(0.0, ends[0] - made.min(), made.max() - ends[1])
    assert strays(ohms, holds_s, tau_s) == pytest.approx(expected, abs=1e-3)


@given(st.lists(st.tuples(VALUES, st.floats(0.002, 0.05)), min_size=1, max_size=6), VALUES)
def test_a_filter_never_adds_to_an_excursion_and_none_leaves_all_of_it(hops, start):
    ohms = [start, *(r for r, _ in hops)]
    holds_s = [h for _, h in hops]
    made = falling(ohms)
    low, high = sorted((made[0], made[-1]))
    raw = max(0.0, low - made.min(), made.max() - high)
    assert strays(ohms, holds_s, 0.0) == pytest.approx(raw, abs=1e-6)
    assert strays(ohms, holds_s, 0.1) <= raw + 1e-6
    assert strays(ohms, holds_s, 10.0) <= strays(ohms, holds_s, 0.1) + 1e-6


def test_open_and_short_ends_are_no_excursion():
    assert strays([math.inf, 500.0], [0.01], 0.1) == 0.0
    assert strays([500.0, 0.0], [0.01], 0.1) == 0.0
    assert strays([500.0], [], 0.1) == 0.0
