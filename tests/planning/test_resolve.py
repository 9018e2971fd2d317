from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.default import default_ladder
from controller.bench.model import Switching
from controller.errors import InputError
from controller.ladder.electrical import Output, output_of, state_ohms
from controller.ladder.files import load_ladder
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.ladder.search import NearestSearch
from controller.ladder.sequence import StepChoice, plan_sequence
from controller.measurement.model import SettleRule
from controller.module.files import load_module
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.planning.plan import Direction, Plan, PlanKind, Target, TargetBlock, ToleranceBand
from controller.planning.resolve import make_router, resolve
from controller.planning.states import choose_states
from controller.sensors.extension import extended_celsius
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[2] / "sweeps"


@pytest.fixture(scope="module")
def sensor():
    return load_sensor(SWEEPS / "sensors" / "tern-coolant.toml")


@pytest.fixture(scope="module")
def module():
    return load_module(SWEEPS / "modules" / "tern-aux-diesel.toml")


@pytest.fixture(scope="module")
def ladder():
    return load_ladder(SWEEPS / "ladders" / "bench-16.toml")


@pytest.fixture
def plan(sensor):
    def make(*wanted: float | str, **changes) -> Plan:
        targets = [
            Target(kind=StepKind(w))
            if isinstance(w, str)
            else Target(
                kind=StepKind.TEMPERATURE, celsius=float(w), ohms=float(sensor.curve.ohms(w))
            )
            for w in wanted
        ]
        band = ToleranceBand(from_celsius=-math.inf, to_celsius=math.inf, tolerance_celsius=2.0)
        fields = {
            "name": "p",
            "path": Path("p.toml"),
            "kind": PlanKind.CHECK,
            "sensor": sensor,
            "sensor_path": Path("s.toml"),
            "blocks": (TargetBlock(targets=tuple(targets), direction=Direction.AS_WRITTEN),),
            "tolerance": (band,),
            "settle": SettleRule(within_celsius=0.5, for_s=3.0, at_most_s=30.0),
            "decision_rule": "simple",
        }
        return Plan(**{**fields, **changes})

    return make


def series(ohms: list[float], *, relays: int | None = None, **fields) -> Ladder:
    count = relays or len(ohms)
    return Ladder(
        name="small",
        relay_count=count,
        relays=tuple(Relay(index=i, contact_ohms=0.05) for i in range(count)),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(Rung(relay=i, ohms=value) for i, value in enumerate(ohms)),
            ),
        ),
        **fields,
    )


def refusal(*arguments, **named) -> str:
    with pytest.raises(InputError) as caught:
        resolve(*arguments, **named)
    return str(caught.value)


def seen(resolved, ladder: Ladder) -> list[float]:
    """Return every resistance the run makes, in order, from the park state to the last step."""
    states = [resolved.park_state, *(s.state for step in resolved.steps for s in step.path)]
    return [state_ohms(ladder, state) for state in states]


def test_each_step_is_what_brute_force_would_take_within_the_near_tie(plan, sensor, module):
    # 0.1 of the expanded uncertainty is the most by which a quieter state may be further away.
    rungs = [13.0 * 1.9**i for i in range(12)]
    ladder = series(rungs, park_state=0)
    resolved = resolve(plan(0, 20, 47, 80, 110), ladder, module)
    every = [state_ohms(ladder, state) for state in range(1 << 12)]
    low, high = (float(sensor.curve.ohms(t)) for t in (135.0, -40.0))
    temperatures = [float(sensor.curve.celsius(r)) for r in every if low <= r <= high]
    for step in resolved.steps:
        nearest = min(abs(t - step.target_celsius) for t in temperatures)
        made = abs(step.achieved_celsius - step.target_celsius)
        assert nearest - 1e-9 <= made <= nearest + 0.1 * step.uncertainty_celsius + 1e-9
        assert state_ohms(ladder, step.state) == step.achieved_ohms


@pytest.mark.parametrize("deviation", [0.5, 2.0])
def test_states_within_the_plans_deviation_are_taken_where_that_is_quieter(
    plan, ladder, module, deviation
):
    wanted = [*range(0, 100, 5), *range(95, -1, -5)]
    nearest = resolve(plan(*wanted), ladder, module)
    resolved = resolve(plan(*wanted, deviation_celsius=deviation), ladder, module)
    off = [abs(step.achieved_celsius - step.target_celsius) for step in resolved.steps]
    assert max(off) <= deviation
    assert max(off) > max(abs(s.achieved_celsius - s.target_celsius) for s in nearest.steps)
    assert resolved.lower_bound_celsius < nearest.lower_bound_celsius - 0.1
    assert resolved.worst_excursion_celsius < nearest.worst_excursion_celsius - 0.1
    assert resolved.lower_bound_celsius <= resolved.worst_excursion_celsius
    assert not any("cannot be made" in text for text in resolved.warnings)


def test_a_deviation_that_the_tolerance_does_not_cover_is_no_warning(plan, module):
    """A state that the plan allows is not said to be the nearest that can be made."""
    band = ToleranceBand(from_celsius=-math.inf, to_celsius=math.inf, tolerance_celsius=0.01)
    ladder = series([13.0 * 1.9**i for i in range(12)], park_state=0)
    both = [
        resolve(plan(20, 47, 80, tolerance=(band,), deviation_celsius=allowed), ladder, module)
        for allowed in (None, 4.0)
    ]
    said = [any("cannot be made" in text for text in one.warnings) for one in both]
    assert said[1] is False
    assert both[1].steps[0].achieved_celsius is not None


def test_all_at_once_takes_the_nearest_states_whatever_the_plan_allows(plan, ladder, module):
    states = [
        [
            step.state
            for step in resolve(
                plan(0, 40, 80, deviation_celsius=allowed),
                ladder,
                module,
                switching=Switching.ALL_AT_ONCE,
            ).steps
        ]
        for allowed in (None, 3.0)
    ]
    assert states[0] == states[1]


def test_a_path_moves_one_relay_at_a_time_from_step_to_step(plan, ladder, module):
    resolved = resolve(plan(-20, 60, 20, "open", 40, "short", 90), ladder, module)
    state = resolved.park_state
    moved = 0
    for step in resolved.steps:
        for hop in step.path:
            assert (state ^ hop.state).bit_count() == 1
            assert hop.hold_ms >= 3
            state = hop.state
            moved += 1
        assert state == step.state
    assert resolved.relay_operations == moved
    assert resolved.worst_excursion_celsius == max(s.excursion_celsius for s in resolved.steps)


def test_excursions_are_what_the_passed_resistances_say(plan, ladder, module, sensor):
    resolved = resolve(plan(10, 90, 85, 30), ladder, module)
    state = resolved.steps[0].state
    for step in resolved.steps[1:]:
        ohms = [state_ohms(ladder, s) for s in (state, *(hop.state for hop in step.path))]
        made = [float(sensor.curve.celsius(r)) for r in ohms]
        low, high = sorted((made[0], made[-1]))
        expected = max(0.0, low - min(made), max(made) - high)
        assert step.excursion_celsius == pytest.approx(expected, abs=1e-6)
        state = step.state


def test_a_check_touches_the_extremes_only_where_it_is_meant_to(plan, ladder, module):
    resolved = resolve(plan(40, "open", 40, "short", 40), ladder, module)
    passed = {
        Output.OPEN: [s.index for s in resolved.steps if _passes(ladder, s, Output.OPEN)],
        Output.SHORT: [s.index for s in resolved.steps if _passes(ladder, s, Output.SHORT)],
    }
    # Step 0 leaves the park state, which is open. The same mid value comes back in one move.
    assert passed == {Output.OPEN: [0, 1], Output.SHORT: [3]}
    # No value on the way is lower than any target or higher, short and open apart.
    values = [r for r in seen(resolved, ladder) if math.isfinite(r) and r > 1.0]
    assert min(values) > 0.5 * resolved.steps[0].achieved_ohms
    assert len(resolved.steps[1].path) == len(resolved.steps[3].path) == 1


def _passes(ladder, step, output: Output) -> bool:
    return any(output_of(ladder, hop.state) is output for hop in step.path)


def test_from_open_to_short_the_mid_value_is_shown_in_between(plan, ladder, module):
    resolved = resolve(plan("open", "short", "open"), ladder, module)
    for step in resolved.steps[1:]:
        middle = [h for h in step.path if output_of(ladder, h.state) is Output.CONNECTED]
        assert max(h.hold_ms for h in middle) == 1000
        shown = [state_ohms(ladder, h.state) for h in middle if h.hold_ms == 1000]
        # 47.5 degC is the middle of the sensor's span.
        assert shown[0] == pytest.approx(float(resolved_ohms(ladder)), rel=0.02)


def resolved_ohms(ladder) -> float:
    return load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve.ohms(47.5)


def test_expectations_on_open_and_short_are_the_modules_end_readings(plan, ladder, module):
    opened, warm, shorted = resolve(plan("open", 40, "short"), ladder, module).steps
    assert (opened.expected_celsius, shorted.expected_celsius) == (-40.0, 130.0)
    assert (opened.achieved_ohms, opened.achieved_celsius) == (math.inf, None)
    assert (opened.target_celsius, opened.target_ohms) == (None, None)
    assert shorted.achieved_ohms < 0.5
    assert warm.expected_celsius == warm.achieved_celsius


def test_short_circuit_current_and_power_are_those_of_the_input(plan, ladder, module):
    resolved = resolve(plan("short"), ladder, module)
    # Ohm's law, by hand: 5 V behind 2490 ohm.
    assert resolved.short_circuit_amperes == pytest.approx(5.0 / 2490.0)
    assert resolved.most_watts == pytest.approx(25.0 / (4 * 2490.0))


def test_an_input_beyond_the_ratings_is_refused(plan, ladder, module):
    strong = replace(module, reference_volts=14.0, pullup_ohms=100.0)  # 140 mA, 0.49 W
    text = refusal(plan(20, "short"), ladder, strong)
    assert "step 2: 140 mA through the leads exceeds the ladder's 100 mA" in text
    # Without the short the current stays below, but a rung may still take too much power.
    weak = replace(ladder, max_current_amperes=None)
    assert "would take" in refusal(plan(120), weak, replace(strong, reference_volts=30.0))


def test_without_a_module_what_is_not_known_is_said(plan, ladder):
    resolved = resolve(plan("open", 20, "short"), ladder)
    assert [s.expected_celsius is None for s in resolved.steps] == [True, False, True]
    assert resolved.short_circuit_amperes is None
    text = " ".join(resolved.warnings)
    assert "short-circuit current" in text
    assert "resolution" in text


def test_the_plans_module_comes_before_the_benchs(plan, ladder, module):
    other = replace(module, open_reports_celsius=-39.0)
    [step] = resolve(plan("open", module=other), ladder, module).steps
    assert step.expected_celsius == -39.0


def test_a_ladder_that_cannot_make_an_extreme_is_refused_with_both_reasons(plan, module):
    ladder = replace(
        series([100.0 * 2**i for i in range(8)]),
        groups=(
            Group(kind=GroupKind.SERIES, rungs=(Rung(relay=0, ohms=100.0),)),
            Group(
                kind=GroupKind.PARALLEL,
                rungs=tuple(Rung(relay=i, ohms=100.0 * 2**i) for i in range(1, 8)),
            ),
        ),
    )
    assert "step 2: cannot make a short" in refusal(plan("open", "short"), ladder, module)
    bare = series([100.0, 200.0])
    assert "step 1: cannot make an open circuit" in refusal(plan("open"), bare, module)
    stubborn = replace(bare, lead_ohms=30.0)
    assert "leaves 30.1" in refusal(plan("short"), stubborn, module)


def test_a_target_out_of_reach_keeps_the_nearest_and_says_how_far_off(plan, module):
    ladder = series([100.0, 200.0, 400.0, 800.0])  # at most 1500 ohm: about 40 degC
    resolved = resolve(plan(0, 60), ladder, module)
    cold, warm = resolved.steps
    assert cold.achieved_celsius == pytest.approx(39.9, abs=0.2)
    assert cold.target_celsius == 0.0
    [warning] = [w for w in resolved.warnings if w.startswith("step 1")]
    assert "cannot be made, beyond what ladder 'small' reaches" in warning
    assert f"{cold.achieved_celsius - 0.0:+.1f} degC off" in warning
    assert not any(w.startswith("step 2") for w in resolved.warnings)
    assert warm.achieved_celsius == pytest.approx(60.0, abs=3.0)


def test_an_excursion_above_the_limit_is_refused_with_the_step_and_what_would_help(plan, module):
    # Worked by hand: eight rungs from 100 ohm, doubling. From 12700 ohm (rungs 0 to 6) to
    # 12800 ohm (rung 7 alone) either rung 7 comes in first, or something goes out first.
    ladder = series([100.0 * 2**i for i in range(8)])
    curve = plan(20).sensor.curve
    targets = [float(curve.celsius(r)) for r in (12700.4, 12800.4)]
    calm = resolve(plan(*targets), ladder, module)
    assert calm.worst_excursion_celsius > 5
    text = refusal(plan(*targets, max_excursion_celsius=5.0), ladder, module)
    assert f"step 2: switching there strays {calm.worst_excursion_celsius:.1f} degC" in text
    [rung] = re.findall(r"a redundant rung of (\S+) kohm brings it to (\S+) degC", text)
    # What is promised is what a ladder with that rung does.
    added = Rung(relay=8, ohms=float(rung[0]) * 1000)
    group = replace(ladder.groups[0], rungs=(*ladder.groups[0].rungs, added))
    relays = (*ladder.relays, replace(ladder.relays[0], index=8))
    longer = replace(ladder, relay_count=9, relays=relays, groups=(group,))
    kept_by_rung = resolve(plan(*targets, max_excursion_celsius=5.0), longer, module)
    assert kept_by_rung.worst_excursion_celsius == pytest.approx(float(rung[1]), abs=0.06)
    kept = plan(*targets, max_excursion_celsius=calm.worst_excursion_celsius)
    assert resolve(kept, ladder, module).steps == calm.steps


def test_a_run_resumed_in_the_middle_has_the_same_states_and_a_path_from_park(plan, ladder, module):
    whole = resolve(plan(0, 20, "open", 40, 60), ladder, module)
    for first in range(1, 5):
        later = resolve(plan(0, 20, "open", 40, 60), ladder, module, first_step=first)
        assert [s.state for s in later.steps] == [s.state for s in whole.steps]
        state = ladder.park_state
        for hop in later.steps[first].path:
            assert (state ^ hop.state).bit_count() == 1
            state = hop.state
        assert state == whole.steps[first].state
        assert later.steps[first + 1 :] == whole.steps[first + 1 :]
    assert "no step 9" in refusal(plan(0, 20), ladder, module, first_step=9)


def test_the_closing_path_hides_the_rungs_before_everything_parks(plan, ladder, module):
    resolved = resolve(plan(20), ladder, module)
    [hop] = resolved.closing_path
    assert output_of(ladder, hop.state) is Output.OPEN
    assert (hop.state ^ resolved.steps[-1].state).bit_count() == 1


def test_the_budget_is_what_the_uncertainty_is_made_of(plan, ladder, module):
    for step in resolve(plan("open", 20, 100), ladder, module).steps:
        total = math.sqrt(sum(part.celsius**2 for part in step.budget))
        assert step.uncertainty_celsius == pytest.approx(2 * total)
        names = [part.name for part in step.budget]
        assert len(set(names)) == len(names)
        if step.target_celsius is None:  # a fixed substitute
            assert names == []
            continue
        # One report step, rectangular: width / sqrt(12); the settle band is narrower than it.
        parts = {part.name: part.celsius for part in step.budget}
        assert parts["report"] == pytest.approx(1.0 / math.sqrt(12))
        assert parts["settling"] == 0.0


def test_a_ramp_takes_the_time_its_rate_asks_for(plan, ladder, module):
    resolved = resolve(plan(20, 60, ramp_limit_celsius_per_s=2.0), ladder, module)
    took_s = sum(hop.hold_ms for hop in resolved.steps[1].path) / 1000
    assert 20.0 <= took_s < 21.5


@pytest.mark.parametrize("name", ["coolant-sweep", "coolant-check"])
def test_demo_plans_of_a_known_curve_resolve_without_a_warning(name, ladder, module):
    plan = load_plan(SWEEPS / f"{name}.toml")
    resolved = resolve(plan, ladder, module)
    if name == "air-random":  # of its sensor only Beta is known: no better than 2.6 degC at -20
        curve, ratio = resolved.warnings
        assert "cannot support a tolerance of 2 degC at -20 to -12.5 degC" in curve
        assert "the largest part is curve" in ratio
    else:
        assert resolved.warnings == ()
    assert resolved.steps


def test_a_plan_on_a_short_table_is_told_what_the_table_cannot_support(ladder, module):
    resolved = resolve(load_plan(SWEEPS / "air-random.toml"), ladder, module)
    assert any("largest part is curve" in warning for warning in resolved.warnings)


def test_two_hundred_steps_are_resolved_alike_on_the_bench_without_a_file(plan, module):
    wanted = [-30 + (i * 37) % 150 for i in range(200)]
    resolved = resolve(plan(*wanted), default_ladder(), module)
    assert [round(s.target_celsius) for s in resolved.steps] == wanted
    assert max(abs(s.achieved_celsius - s.target_celsius) for s in resolved.steps) < 0.5


def test_the_modules_filter_leaves_less_of_every_excursion(plan, ladder, module):
    slow = replace(module, filter_time_constant_s=0.15)
    steps = resolve(plan(0, 60, 45, 90, 20), ladder, slow).steps
    raw = [step.excursion_celsius for step in steps]
    left = [step.filtered_excursion_celsius for step in steps]
    assert max(raw) > 3
    assert all(after <= before + 1e-9 for before, after in zip(raw, left, strict=True))
    # A hold of some milliseconds is short against 0.15 s.
    assert max(left) < 0.5 * max(raw)
    assert all(s.filtered_excursion_celsius is None for s in resolve(plan(0, 60), ladder).steps)


def test_what_is_kept_of_one_curve_and_ladder_is_never_given_to_another(ladder):
    """Held against planning anew, where nothing is kept; the same states are offered each time."""
    worn = replace(ladder, fixed_ohms=300.0)
    curves = [
        load_sensor(SWEEPS / "sensors" / name).curve
        for name in ("tern-coolant.toml", "tern-exhaust-pt1000.toml", "tern-coolant.toml")
    ]
    search = NearestSearch(ladder)
    choices = {
        Target(kind=StepKind.TEMPERATURE, celsius=float(index), ohms=ohms): StepChoice(
            output=Output.CONNECTED,
            states=tuple(
                one.state for one in search.window(ohms * 0.99, ohms * 1.01, 4).candidates
            ),
        )
        for index, ohms in enumerate((1200.0, 2600.0, 900.0, 3100.0))
    }
    found = set()
    for one in (ladder, worn, ladder):
        for curve in curves:
            chosen, _ = choose_states(list(choices), choices, make_router(one, curve))
            anew = plan_sequence(
                one, one.park_state, list(choices.values()), extended_celsius(curve)
            )
            assert tuple(step.state for step in chosen) == anew.states
            assert [[way.state for way in step.path] for step in chosen] == [
                list(path.states) for path in anew.paths
            ]
            found.add((anew.states, anew.paths))
    assert len(found) > 2, "they differ"
