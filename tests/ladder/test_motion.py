"""Relays that move like relays: what the module really sees stays inside the computed bound."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.ladder.electrical import state_ohms
from controller.ladder.motion import Latch, contact_states, waveform
from controller.ladder.path import LATENESS_MS, all_at_once_excursion, best_path

BINARY = [float(2**i) for i in range(16)]
LOW_IN, TOP_IN = 0x8000, 0x7FFF  # 32767 and 32768 ohm


def scale(ohms):
    """Return ln(ohm), held inside 0.1 mohm and 1 Gohm: any monotone scale will do."""
    return np.log(np.clip(np.asarray(ohms, dtype=float), 1e-4, 1e9))


def observed(ladder, start, end, latches, seed):
    """Return the worst excursion a module would see."""
    first, last = scale([state_ohms(ladder, start), state_ohms(ladder, end)])
    seen = scale([point.ohms for point in waveform(ladder, start, latches, seed=seed)])
    return max(0.0, min(first, last) - seen.min(), seen.max() - max(first, last))


def latches_of(path, lateness=0.0, rng=None):
    """Return the latches of a path, each late by up to `lateness`, as a device may be."""
    at, latches = 0.0, []
    for state, hold in zip(path.states, path.hold_ms, strict=True):
        late = rng.uniform(0.0, lateness) if rng is not None else 0.0
        latches.append(Latch(at_ms=at + late, state=state))
        at += hold
    return latches


@given(data=st.data(), seed=st.integers(0, 2**32))
def test_by_path_the_bound_is_kept_on_any_ladder(data, seed, ladders):
    ladder = data.draw(ladders())
    most = (1 << ladder.relay_count) - 1
    start, end = data.draw(st.integers(0, most)), data.draw(st.integers(0, most))
    path = best_path(ladder, start, end, scale)
    latches = latches_of(path, LATENESS_MS, np.random.default_rng(seed))
    made = contact_states(ladder, start, latches, seed=seed)
    assert {state for _, state in made} <= {start, *path.states}
    assert made[-1][1] == end
    assert observed(ladder, start, end, latches, seed) <= path.excursion + 1e-12


def test_many_transitions_keep_the_bound_and_all_at_once_does_not(make_series, many):
    ladder = make_series(BINARY, contact_ohms=0.05)
    rng = np.random.default_rng(2)
    broken, count = 0, many(400, 2000)
    for seed in range(count):
        start, end = (int(s) for s in rng.integers(0, 1 << 16, 2))
        end = start ^ (end & 0x3F << int(rng.integers(0, 11)))  # a few neighbouring rungs
        path = best_path(ladder, start, end, scale, detours=0)
        latches = latches_of(path, LATENESS_MS, rng)
        assert observed(ladder, start, end, latches, seed) <= path.excursion + 1e-12
        together = observed(ladder, start, end, [Latch(at_ms=0.0, state=end)], seed)
        assert together <= all_at_once_excursion(ladder, start, end, scale) + 1e-12
        broken += together > path.excursion + 1e-9
    assert broken > count / 10


def test_the_binary_carry_all_at_once(make_series):
    """Sixteen relays at once, as fast to operate as to release.

    By hand, in ln(ohm): the top rung w comes in when the low rungs make x w. Just before, the
    value is a factor 1/x low, just after, a factor 1 + x high. These are equal where
    x (1 + x) = 1: the factor is the golden ratio. Together the relays pass, now and then, through
    a small part of either end: what a module takes for a short.
    """
    ladder = make_series(BINARY, contact_ohms=0.05)
    ladder = replace(ladder, relays=tuple(replace(r, release_ms=4.0) for r in ladder.relays))
    path = best_path(ladder, LOW_IN, TOP_IN, scale)
    assert path.excursion == pytest.approx(np.log((1 + 5**0.5) / 2), abs=1e-3)
    lowest = [
        min(
            point.ohms
            for point in waveform(ladder, LOW_IN, [Latch(at_ms=0.0, state=TOP_IN)], seed=seed)
        )
        for seed in range(200)
    ]
    assert sum(ohms < 32767 / 4 for ohms in lowest) > 20
    assert min(lowest) < 32767 / 100
    for seed in range(200):
        assert observed(ladder, LOW_IN, TOP_IN, latches_of(path), seed) <= path.excursion + 1e-12


def test_the_same_seed_gives_the_same_waveform_and_history_may_be_dropped(make_series):
    ladder = make_series([100.0, 200.0, 400.0])
    latches = [Latch(at_ms=t, state=s) for t, s in ((0, 1), (50, 7), (100, 2))]
    whole = waveform(ladder, 0, latches, seed=5)
    assert whole == waveform(ladder, 0, latches, seed=5)
    assert whole != waveform(ladder, 0, latches, seed=6)
    tail = waveform(ladder, 7, latches[2:], seed=5)
    assert whole[-len(tail) + 1 :] == tail[1:]


def test_times_are_those_of_the_relay(make_series):
    """Operate 4 ms, release 2 ms, bounce 1 ms (as the fixture makes them), no spread."""
    ladder = make_series([100.0])
    latches = [Latch(at_ms=0.0, state=1), Latch(at_ms=20.0, state=0)]
    for seed in range(10):
        made = contact_states(ladder, 0, latches, seed=seed, spread=0.0)
        moments = [at for at, _ in made[1:]]
        on = [at for at in moments if at < 20]
        off = [at for at in moments if at > 20]
        assert on[0] == pytest.approx(4.0)
        assert off[0] == pytest.approx(22.0)
        assert on[-1] <= 5.0
        assert off[-1] <= 23.0
        assert len(on) % 2 == len(off) % 2 == 1  # it ends where it was told to go
        assert all(a < b for a, b in itertools.pairwise(moments))


def test_a_relay_told_back_in_time_does_not_move(make_series):
    ladder = make_series([100.0])
    latches = [Latch(at_ms=0.0, state=1), Latch(at_ms=1.0, state=0)]
    assert contact_states(ladder, 0, latches, seed=1) == [(0.0, 0)]


def test_bounce_is_seen(make_series):
    ladder = make_series([100.0])
    counts = {
        len(contact_states(ladder, 0, [Latch(at_ms=0.0, state=1)], seed=seed)) for seed in range(40)
    }
    assert counts == {2, 4, 6, 8}  # none to three bounces, two changes each
