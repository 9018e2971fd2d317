"""What a slow link changes in a plan: holds and what follows from them, never the states."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.model import BenchFile
from controller.errors import InputError
from controller.ladder.electrical import state_ohms
from controller.ladder.path import bits_of, hold_ms, longest_relay_ms
from controller.planning.files import load_plan
from controller.planning.plan import Plan, TargetBlock
from controller.planning.resolve import resolve_on
from controller.planning.single_value import Finder
from controller.run.pieces import in_pieces, reversed_path
from controller.sensors.extension import extended_celsius

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"


@pytest.fixture(scope="module")
def quick() -> BenchFile:
    return load_bench(SWEEPS / "benches" / "simulated.toml")


@pytest.fixture(scope="module")
def slow() -> BenchFile:
    return timed(load_bench(SWEEPS / "benches" / "practice-modbus.toml"), 50)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return load_plan(SWEEPS / "coolant-sweep.toml")


@pytest.fixture(scope="module")
def brief(plan: Plan) -> Plan:
    """The steps around the turning point, where the excursions are largest."""
    return replace(plan, blocks=(TargetBlock(targets=plan.targets[28:34]),))


def timed(bench: BenchFile, step_ms: int) -> BenchFile:
    assert bench.board is not None
    return replace(bench, board=replace(bench.board, step_ms=step_ms))


def test_states_and_excursions_stay_and_every_hold_grows_by_the_step_time(
    plan, quick, slow
) -> None:
    fast, late = resolve_on(plan, quick), resolve_on(plan, slow)
    assert slow.step_ms == 50
    for one, other in zip(fast.steps, late.steps, strict=True):
        assert (one.state, one.excursion_celsius) == (other.state, other.excursion_celsius)
        grown = [(hop.state, hop.hold_ms + 50) for hop in one.path]
        assert [(hop.state, hop.hold_ms) for hop in other.path] == grown
    assert late.worst_excursion_celsius == fast.worst_excursion_celsius


def test_what_the_filter_leaves_is_that_of_a_direct_calculation_at_the_worst_time(
    plan, slow
) -> None:
    """One first-order filter by hand, each state standing a whole exchange longer than its hold."""
    resolved = resolve_on(plan, slow)
    step = max(resolved.steps, key=lambda one: one.filtered_excursion_celsius or 0.0)
    module, ladder = slow.module, slow.ladder
    assert module is not None
    start = resolved.steps[step.index - 1].state
    celsius = extended_celsius(plan.sensor.curve)

    def share(state: int) -> float:
        ohms = state_ohms(ladder, state)
        return ohms / (ohms + module.pullup_ohms)

    seen = share(start)
    passed = []
    for hop in step.path:
        gone = 1 - math.exp(-(hop.hold_ms + 50) / 1000 / module.filter_time_constant_s)
        seen += (share(hop.state) - seen) * gone
        passed.append(seen)
    as_celsius = [
        float(celsius(s * module.pullup_ohms / (1 - s)))
        for s in (share(start), share(step.state), *passed)
    ]
    low, high = sorted(as_celsius[:2])
    strays = max(low - min(as_celsius), max(as_celsius) - high)
    assert step.filtered_excursion_celsius == pytest.approx(strays, rel=1e-6)


def test_a_limit_on_what_the_filter_leaves_does_not_pass_on_a_slow_board(
    brief, quick, slow
) -> None:
    limited = replace(brief, max_filtered_excursion_celsius=1.0)
    assert resolve_on(limited, quick)
    assert resolve_on(limited, timed(slow, 1))
    why = r"more than max_filtered_excursion_celsius = 1; each change takes 50 ms on this link"
    with pytest.raises(InputError, match=why):
        resolve_on(limited, slow)


def test_the_limit_needs_a_module_and_is_read_from_the_plan(tmp_path, plan, quick) -> None:
    text = (SWEEPS / "coolant-sweep.toml").read_text().replace(
        'sensor = "', f'max_filtered_excursion_celsius = 0.8\nsensor = "{SWEEPS}/', 1
    )  # fmt: skip
    lines = [line for line in text.splitlines() if not line.startswith("module")]
    path = tmp_path / "plan.toml"
    path.write_text("\n".join(lines))
    limited = load_plan(path)
    assert limited.max_filtered_excursion_celsius == 0.8
    with pytest.raises(InputError, match="needs to know the module's input"):
        resolve_on(limited, replace(quick, module=None))


def test_the_plain_excursion_limit_holds_on_every_board_alike(brief, quick, slow) -> None:
    """It bounds what is at the input at any moment, however long that stands."""
    worst = resolve_on(brief, quick).worst_excursion_celsius
    assert worst is not None
    for bench in (quick, timed(slow, 2000)):
        with pytest.raises(InputError, match=r"strays .* more than max_excursion_celsius"):
            resolve_on(replace(brief, max_excursion_celsius=0.99 * worst), bench)
        assert resolve_on(replace(brief, max_excursion_celsius=1.01 * worst), bench)


def test_a_ramp_keeps_its_rate_and_no_stop_is_left_sooner_than_the_link_can(brief, slow) -> None:
    ramp = replace(brief, ramp_limit_celsius_per_s=5.0)
    resolved = resolve_on(ramp, timed(slow, 120))
    for before, step in zip(resolved.steps, resolved.steps[1:], strict=False):
        assert all(hop.hold_ms > 120 for hop in step.path)
        rise = abs((step.achieved_celsius or 0.0) - (before.achieved_celsius or 0.0))
        assert rise / step.path_s <= 5.0 + 1e-6


@pytest.mark.parametrize("step_ms", [10, 50, 400, 2000])
def test_a_run_can_be_stopped_between_pieces_that_stay_short(brief, slow, step_ms: int) -> None:
    """A piece ends after half a second of holds, or with the one change that takes longer."""
    for step in resolve_on(brief, timed(slow, step_ms)).steps:
        pieces = list(in_pieces(step.path, 0.5))
        for piece, _ in pieces:
            assert len(piece) == 1 or sum(hop.hold_ms for hop in piece) <= 500
            assert sum(hop.hold_ms for hop in piece) <= 500
        total = sum(sum(hop.hold_ms for hop in piece) / 1000 + wait for piece, wait in pieces)
        assert total == pytest.approx(step.path_s)


def test_the_way_back_takes_the_step_time_too(brief, slow) -> None:
    resolved = resolve_on(brief, slow)
    step = next(one for one in resolved.steps[1:] if len(one.path) > 2)
    start = resolved.steps[step.index - 1].state
    back = reversed_path(step.path, start, slow.ladder, step_ms=50)
    assert back[-1].state == start
    assert all(hop.hold_ms >= longest_relay_ms(slow.ladder) + 50 for hop in back)


def test_single_values_take_the_step_time_too(slow, quick, plan) -> None:
    found = Finder(slow, plan.sensor.curve).find("2.5k", 0)
    same = Finder(quick, plan.sensor.curve).find("2.5k", 0)
    assert [hop.hold_ms for hop in found.path] == [hop.hold_ms + 50 for hop in same.path]


def test_an_order_chosen_for_the_filter_takes_the_step_time_too(plan, slow) -> None:
    # From 80 to 115 degC: there the quietest orders at the input and after the filter differ.
    brief = replace(plan, blocks=(TargetBlock(targets=plan.targets[22:30]),))
    quiet = resolve_on(replace(brief, quiet_after_filter=True), slow)
    plain = resolve_on(brief, slow)
    assert any(one.path != other.path for one, other in zip(quiet.steps, plain.steps, strict=True))
    before = quiet.park_state
    for step in quiet.steps:
        for hop in step.path:
            [relay] = bits_of(before ^ hop.state)
            energise = bool(hop.state >> relay & 1)
            assert hop.hold_ms == hold_ms(slow.ladder, relay, energise=energise) + 50
            before = hop.state
    worst = [max(s.filtered_excursion_celsius or 0.0 for s in one.steps) for one in (quiet, plain)]
    assert worst[0] < worst[1]
