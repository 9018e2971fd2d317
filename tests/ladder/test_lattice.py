"""Spreading and walking over sets of corners, against a search that takes one corner at a time."""

from __future__ import annotations

from collections import deque

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from controller.ladder.lattice import corners_of, packed, shortest_walk, spread


@st.composite
def sets(draw):
    axes = draw(st.integers(0, 8))
    members = draw(st.lists(st.booleans(), min_size=1 << axes, max_size=1 << axes))
    return axes, np.array(members)


def distances(start, allowed, axes):
    """Return the changes needed from one corner to each that can be reached."""
    found = {start: 0} if allowed[start] else {}
    queue = deque(found)
    while queue:
        here = queue.popleft()
        for axis in range(axes):
            there = here ^ (1 << axis)
            if allowed[there] and there not in found:
                found[there] = found[here] + 1
                queue.append(there)
    return found


@given(sets())
def test_a_set_is_unpacked_as_it_was_packed(drawn):
    axes, members = drawn
    assert np.array_equal(corners_of(packed(members), axes), members)


@given(drawn=sets(), data=st.data())
def test_spreading_finds_what_single_steps_find(drawn, data):
    axes, allowed = drawn
    seeds = data.draw(st.sets(st.integers(0, (1 << axes) - 1), max_size=3))
    found = spread(sum(1 << seed for seed in seeds), packed(allowed), axes)
    expected = {corner for seed in seeds for corner in distances(seed, allowed, axes)}
    assert set(np.flatnonzero(corners_of(found, axes))) == expected


@given(drawn=sets(), data=st.data())
def test_a_walk_is_a_shortest_one_inside(drawn, data):
    axes, allowed = drawn
    start, goal = (data.draw(st.integers(0, (1 << axes) - 1)) for _ in range(2))
    walk = shortest_walk(start, goal, packed(allowed), axes, np.zeros(1 << axes))
    expected = distances(start, allowed, axes).get(goal)
    if expected is None:
        assert walk is None
        return
    assert len(walk) == expected
    here = start
    for there in walk:
        assert (here ^ there).bit_count() == 1
        assert allowed[there]
        here = there
    assert here == goal


def test_of_the_shortest_walks_the_quieter_one_is_taken():
    outside = np.array([0.0, 5.0, 1.0, 0.0])
    assert shortest_walk(0, 3, 0b1111, 2, outside) == [2, 3]
