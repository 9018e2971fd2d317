from __future__ import annotations

import math
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from controller.measurement.model import SettleRule
from controller.readback.base import Reading
from controller.run.settle import SettleDetector, SettleState, StepWatch

RULE = SettleRule(within_celsius=1.0, for_s=3.0, at_most_s=30.0)

SAMPLES = st.lists(
    st.tuples(
        st.floats(0.01, 3.0), st.one_of(st.none(), st.floats(-4, 4), st.sampled_from([0.0, 1.0]))
    ),
    min_size=1,
    max_size=60,
)


def by_definition(rule: SettleRule, samples: list[tuple[float, float | None]]) -> SettleState:
    """Say the same the slow way: try every run of samples that ends with the newest."""
    last_s = samples[-1][0]
    for start in range(len(samples)):
        window = samples[start:]
        values = [value for _, value in window]
        gaps = [later - earlier for (earlier, _), (later, _) in pairwise(window)]
        if len(window) < rule.readings or max(gaps, default=0.0) > rule.gap_s:
            continue
        if None in values or max(values) - min(values) > rule.within_celsius:
            continue
        if last_s - window[0][0] >= rule.for_s:
            return SettleState.SETTLED
    return SettleState.OUT_OF_TIME if last_s >= rule.at_most_s else SettleState.MOVING


@given(
    SAMPLES,
    st.floats(0, 3),
    st.floats(0, 8),
    st.floats(8, 40),
    st.integers(1, 5),
    st.floats(0.5, 4) | st.just(math.inf),
)
def test_the_detector_says_what_the_definition_says(
    steps, within, for_s, at_most_s, readings, gap_s
):
    rule = SettleRule(
        within_celsius=within, for_s=for_s, at_most_s=at_most_s, readings=readings, gap_s=gap_s
    )
    detector = SettleDetector(rule, started_s=0.0)
    seen: list[tuple[float, float | None]] = []
    now_s = 0.0
    for step_s, value in steps:
        now_s += step_s
        seen.append((now_s, value))
        assert detector.add(now_s, value) is by_definition(rule, seen)


def test_a_slow_drift_inside_the_band_for_the_whole_time_is_settled():
    detector = SettleDetector(RULE, started_s=0.0)
    states = [detector.add(float(second), 0.3 * second) for second in range(5)]
    assert states[2] is SettleState.MOVING
    assert states[3] is SettleState.SETTLED  # 0.0 to 0.9 in 3 s
    assert detector.add(5.0, 9.0) is SettleState.MOVING


def test_time_runs_out_without_samples_too():
    detector = SettleDetector(RULE, started_s=100.0)
    assert detector.state(129.9) is SettleState.MOVING
    assert detector.state(130.0) is SettleState.OUT_OF_TIME


def test_a_restart_forgets_what_came_before():
    detector = SettleDetector(RULE, started_s=0.0)
    for second in range(4):
        detector.add(float(second), 20.0)
    assert detector.state(3.0) is SettleState.SETTLED
    detector.restart(10.0)
    assert detector.state(10.0) is SettleState.MOVING
    assert detector.add(10.0, 20.0) is SettleState.MOVING
    assert detector.add(13.0, 20.0) is SettleState.SETTLED


def reading(at_s: float, celsius: float) -> Reading:
    return Reading(token=1, celsius=celsius, at_s=at_s)


def test_a_gap_between_two_old_readings_is_no_stillness():
    rule = SettleRule(within_celsius=1.0, for_s=1.0, at_most_s=30.0, readings=3, gap_s=0.75)
    detector = SettleDetector(rule, started_s=0.0)
    # The line was silent in between: whatever the module did then is not known.
    states = [detector.add(at_s, 40.0) for at_s in (0.0, 0.25, 1.4, 1.65, 1.9)]
    assert SettleState.SETTLED not in states
    assert detector.add(2.4, 40.0) is SettleState.SETTLED


def test_a_reading_asked_for_before_the_relays_were_set_is_not_the_steps():
    rule = SettleRule(within_celsius=1.0, for_s=0.2, at_most_s=30.0)
    watch = StepWatch(rule, set_at_s=10.0, dwell_s=0.0)
    watch.take(reading(9.9, 40.0))
    assert watch.last is None
    assert not watch.decided(10.5)
    watch.take(reading(10.1, 60.0))
    watch.take(reading(10.4, 60.0))
    assert watch.decided(10.4)
    assert watch.last is not None
    assert watch.last.celsius == 60.0


def test_readings_that_may_still_be_old_are_shown_but_do_not_count():
    rule = SettleRule(within_celsius=1.0, for_s=0.5, at_most_s=30.0, lag_s=2.0, readings=3)
    watch = StepWatch(rule, set_at_s=0.0, dwell_s=0.0)
    for quarter in range(8):
        watch.take(reading(0.25 * quarter, 40.0))
        assert not watch.decided(0.25 * quarter)
    assert watch.last is not None
    for at_s in (2.0, 2.25, 2.5):
        watch.take(reading(at_s, 60.0))
    assert watch.settled(2.5)
    assert watch.last.celsius == 60.0


def test_a_reading_from_within_the_lag_is_shown_but_never_judged() -> None:
    rule = SettleRule(within_celsius=0.5, for_s=1.0, at_most_s=4.0, lag_s=1.0, readings=3)
    watch = StepWatch(rule, set_at_s=0.0, dwell_s=0.0)
    watch.take(Reading(token=1, celsius=20.0, at_s=0.5))
    assert watch.last is not None
    assert watch.judged is None
    assert not watch.decided(4.5)  # time is up, but there is nothing of the step's own
    watch.take(Reading(token=1, celsius=60.0, at_s=4.6))
    assert watch.judged is not None
    assert watch.judged.celsius == 60.0
    assert watch.decided(4.6)
    silent = StepWatch(rule, set_at_s=0.0, dwell_s=0.0)
    silent.take(Reading(token=1, celsius=20.0, at_s=0.5))
    assert silent.decided(5.1)
    assert silent.judged is None
