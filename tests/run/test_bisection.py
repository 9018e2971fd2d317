"""The search over levels: whatever switches where is found, and nothing goes too far."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st

from controller.run.bisection import MOST_CONTRADICTIONS, Bisection


@dataclass
class Switch:
    """On at `on_at` and above, off below `off_below`, as it was between; the other way round
    when `sign` is negative."""

    on_at: float
    off_below: float
    sign: int = 1
    on: bool = False
    seen: list[float] = field(default_factory=list)

    def put(self, celsius: float) -> None:
        if self.sign * celsius >= self.sign * self.on_at:
            self.on = True
        elif self.sign * celsius < self.sign * self.off_below:
            self.on = False
        self.seen.append(celsius)


def searched(known: Bisection, switch: Switch) -> tuple[Bisection, list[int]]:
    """Carry a search out: every level on the way is put at the switch, as the relays do."""
    looks: list[int] = []
    switch.put(known.levels[0])
    while (level := known.next_level()) is not None:
        for hop in known.hops(level):
            switch.put(known.levels[hop])
        known = known.seen(level, on=switch.on)
        looks.append(level)
        assert len(looks) < 10 * len(known.levels) + 50, "the search does not end"
    return known, looks


@st.composite
def cases(draw: st.DrawFn) -> tuple[Bisection, Switch]:
    """Levels in uneven steps up to 0.5 degC, and a pair of points somewhere inside or outside."""
    gaps = draw(st.lists(st.floats(0.05, 0.5), min_size=1, max_size=80))
    levels = [80.0]
    for gap in gaps:
        levels.append(levels[-1] + gap)
    span = levels[-1] - levels[0]
    on_at = draw(st.floats(80.0 - 0.1 * span, levels[-1] + 0.1 * span))
    off_below = on_at - draw(st.floats(0.0, 1.2 * span))
    sign = draw(st.sampled_from([1, -1]))
    known = Bisection(
        levels=tuple(sign * level for level in levels),
        step_celsius=draw(st.floats(0.5, 10.0)),
        within_celsius=draw(st.floats(0.01, 1.0)),
    )
    return known, Switch(on_at=sign * on_at, off_below=sign * off_below, sign=sign)


@given(cases())
def test_the_intervals_contain_the_true_points(case: tuple[Bisection, Switch]) -> None:
    start, switch = case
    known, _ = searched(start, switch)
    levels, sign = known.levels, switch.sign
    assert known.contradictions == 0
    assert known.both_ways is None
    if known.there_off is not None:
        assert sign * levels[known.there_off] < sign * switch.on_at
    if known.there_on is not None:
        assert sign * levels[known.there_on] >= sign * switch.on_at
    if known.back_on is not None:
        assert sign * levels[known.back_on] >= sign * switch.off_below
    if known.back_off is not None:
        assert sign * levels[known.back_off] < sign * switch.off_below


@given(cases())
def test_what_lies_inside_is_found_as_narrowly_as_the_levels_allow(
    case: tuple[Bisection, Switch],
) -> None:
    start, switch = case
    known, _ = searched(start, switch)
    levels, sign = known.levels, switch.sign
    inside = sign * levels[0] < sign * switch.on_at <= sign * levels[-1]
    if not inside:
        assert known.there_off is None or known.there_on is None
        return
    assert known.there_off is not None
    assert known.there_on is not None
    # Where it never goes off again there is no second look at the way there.
    if sign * levels[0] < sign * switch.off_below:
        assert known.back_on is not None
        assert known.back_off is not None
        for low, high in ((known.there_off, known.there_on), (known.back_off, known.back_on)):
            apart = abs(levels[high] - levels[low])
            assert high - low == 1 or apart <= known.within_celsius + 1e-6
    else:
        assert known.back_off is None


@given(cases())
def test_it_never_goes_more_than_a_step_beyond_a_point(case: tuple[Bisection, Switch]) -> None:
    start, switch = case
    known, looks = searched(start, switch)
    levels, sign = known.levels, switch.sign
    beyond = max(sign * celsius - sign * switch.on_at for celsius in switch.seen)
    assert beyond <= known.step_celsius + 1e-6
    if known.back_off is not None:
        after = looks[next(i for i, one in enumerate(looks) if one == known.there_on) :]
        below = max(sign * switch.off_below - sign * levels[level] for level in after)
        assert below <= known.step_celsius + 1e-6


def test_a_bisection_takes_few_looks() -> None:
    known = Bisection(
        levels=tuple(80.0 + 0.1 * index for index in range(301)),
        step_celsius=3.0,
        within_celsius=0.1,
    )
    found, looks = searched(known, Switch(on_at=94.23, off_below=88.71))
    assert found.there_on is not None
    assert found.levels[found.there_on] == 80.0 + 0.1 * 143
    # Up to 95 in steps of 3: 6; back to 86 or so: 3; then 2 log2(30) and a reset for each half.
    assert len(looks) <= 6 + 4 + 4 * 5


def test_what_switches_anywhere_is_given_up() -> None:
    known = Bisection(levels=tuple(map(float, range(20))), step_celsius=2.0, within_celsius=1.0)
    answers = iter([False, True] * 100)
    count = 0
    while (level := known.next_level()) is not None:
        known = known.seen(level, on=next(answers))
        count += 1
        assert count < 200
    assert known.contradictions <= MOST_CONTRADICTIONS + 1


def test_a_switch_that_contradicts_itself_is_found_out() -> None:
    known = Bisection(levels=(0.0, 1.0, 2.0, 3.0, 4.0), step_celsius=2.0, within_celsius=0.5)
    known = known.seen(0, on=False).seen(2, on=True).seen(0, on=False)
    assert known.next_level() == 1
    known = known.seen(1, on=False)
    assert known.next_level() == 2  # the way back is to be searched: it has to be on
    known = known.seen(2, on=False)  # and now it is not
    assert known.contradictions == 1
    assert known.both_ways == (2, 2)
    assert known.there_on is None


def test_one_way_ends_at_the_first_change() -> None:
    start = Bisection(
        levels=tuple(map(float, range(10))), step_celsius=2.0, within_celsius=0.5, one_way=True
    )
    known, looks = searched(start, Switch(on_at=4.5, off_below=-99.0))
    assert looks == [0, 2, 4, 6]
    assert (known.there_off, known.there_on, known.back_off) == (4, 6, None)


@given(
    st.floats(85.0, 105.0),
    st.floats(0.2, 4.0),
    st.lists(st.booleans(), min_size=1, max_size=40),
)
def test_where_it_chatters_is_told_and_nowhere_else(
    point: float, width: float, answers: list[bool]
) -> None:
    """Off below a band, on above it, and in it as it likes."""
    known = Bisection(
        levels=tuple(80.0 + 0.1 * index for index in range(301)),
        step_celsius=3.0,
        within_celsius=0.1,
    )
    count = 0
    seen: list[tuple[float, bool]] = []
    while (level := known.next_level()) is not None:
        celsius = known.levels[level]
        on = answers[count % len(answers)] if abs(celsius - point) < width else celsius > point
        known = known.seen(level, on=on)
        seen.append((celsius, on))
        count += 1
        assert count < 1000
    if known.both_ways is not None:
        low, high = (known.levels[level] for level in known.both_ways)
        assert point - width <= low <= high <= point + width
    # Oracle, from the looks alone: off at or above where it had come on, on at or below where it
    # had gone off.
    told = False
    for place, (before, after) in enumerate(itertools.pairwise(seen)):
        if before[1] != after[1]:
            turned, on = after
            later = [celsius for celsius, now in seen[place + 2 :] if now != on]
            told |= any(celsius >= turned if on else celsius <= turned for celsius in later)
    assert (known.both_ways is not None) is told


def test_a_fan_that_stops_between_its_two_stages_is_told() -> None:
    """On from 90, off from 93 to 96 while its second stage takes over: seen on, then off."""
    known = Bisection(
        levels=tuple(80.0 + 0.5 * index for index in range(61)),
        step_celsius=4.0,
        within_celsius=0.5,
    )
    stage = {"first": False}

    def fan(celsius: float) -> bool:
        # The first stage trips once it has been on for a while: later looks find it off.
        on = (90.0 <= celsius < 93.0 and not stage["first"]) or celsius >= 96.0
        stage["first"] |= 90.0 <= celsius < 93.0
        return on

    count = 0
    while (level := known.next_level()) is not None:
        known = known.seen(level, on=fan(known.levels[level]))
        count += 1
        assert count < 200
    assert known.both_ways is not None
    assert known.levels[known.both_ways[0]] < 93.0
    assert known.there_on is not None
    assert known.levels[known.there_on] == 96.0
