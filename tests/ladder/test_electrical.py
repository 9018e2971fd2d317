"""The electrical model against arithmetic by hand, a netlist solver, and `uncertainties`."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.errors import InputError
from controller.ladder.electrical import (
    Output,
    connected_mask,
    contact_closed,
    open_state,
    output_of,
    short_state,
    state_ohms,
    state_uncertainty_ohms,
    states_ohms,
)
from controller.ladder.files import load_ladder
from controller.ladder.loading import overloads, state_loading
from controller.ladder.model import Contacts, GroupKind, Ladder
from controller.ladder.path import best_path


def nodal_solution(ladder: Ladder, state: int, volts: float, pullup: float):
    """Solve the ladder as a circuit by nodal analysis; return (ohms, power by branch name).

    Independent of the model under test: it knows resistors between nodes only. Node 0 is ground.
    Source: modified nodal analysis, any circuit theory textbook (Kirchhoff's current law).
    """
    branches: list[tuple[str, int, int, float]] = []
    nodes = 1

    def node() -> int:
        nonlocal nodes
        nodes += 1
        return nodes - 1

    at_module = node()
    at_output = node() if ladder.lead_ohms > 0 else at_module
    if ladder.lead_ohms > 0:
        branches.append(("leads", at_module, at_output, ladder.lead_ohms))

    def contact(relay: int) -> float:
        return ladder.relays[relay].contact_ohms

    def closed(relay: int) -> bool:
        at_rest = ladder.relays[relay].contacts.value == "normally-closed"
        return not at_rest if state >> relay & 1 else at_rest

    here = at_output
    if ladder.short_relay is not None and closed(ladder.short_relay):
        branches.append(("short", at_output, 0, contact(ladder.short_relay)))
    if ladder.isolate_relay is not None:
        after = node()
        if closed(ladder.isolate_relay):
            branches.append(("isolate", here, after, contact(ladder.isolate_relay)))
        here = after
    if ladder.fixed_ohms > 0:
        after = node()
        branches.append(("fixed", here, after, ladder.fixed_ohms))
        here = after
    for position, group in enumerate(ladder.groups):
        last_group = position == len(ladder.groups) - 1
        if group.kind is GroupKind.PARALLEL:
            after = 0 if last_group else node()
            for rung in group.rungs:
                if closed(rung.relay):
                    middle = node()
                    branches.append((f"contact{rung.relay}", here, middle, contact(rung.relay)))
                    branches.append((f"rung{rung.relay}", middle, after, rung.ohms))
            here = after
            continue
        for place, rung in enumerate(group.rungs):
            after = 0 if last_group and place == len(group.rungs) - 1 else node()
            branches.append((f"rung{rung.relay}", here, after, rung.ohms))
            if closed(rung.relay):
                branches.append((f"contact{rung.relay}", here, after, contact(rung.relay)))
            here = after
    reached = {0, at_module}
    for _ in branches:  # what floats takes no part; found without any arithmetic
        reached |= {node for _, a, b, _ in branches if {a, b} & reached for node in (a, b)}
    grounded = {0}
    for _ in branches:
        grounded |= {node for _, a, b, _ in branches if {a, b} & grounded for node in (a, b)}
    if at_module not in grounded:
        return math.inf, {}
    matrix = np.zeros((nodes, nodes))
    current = np.zeros(nodes)
    for _, a, b, ohms in branches:
        if a in reached:
            matrix[a, a] += 1 / ohms
            matrix[b, b] += 1 / ohms
            matrix[a, b] -= 1 / ohms
            matrix[b, a] -= 1 / ohms
    matrix[at_module, at_module] += 1 / pullup
    current[at_module] = volts / pullup
    live = sorted(reached - {0})
    solved = np.zeros(nodes)
    solved[live] = np.linalg.solve(matrix[np.ix_(live, live)], current[live])
    v = solved[at_module]
    power = {name: (solved[a] - solved[b]) ** 2 / ohms for name, a, b, ohms in branches}
    return v / ((volts - v) / pullup), power


def test_by_hand(make_ladder):
    ladder = make_ladder(
        [(GroupKind.SERIES, [1.0, 2.0]), (GroupKind.PARALLEL, [470.0])],
        contact_ohms=0.05,
        lead_ohms=0.12,
        isolate=True,
        short=True,
    )
    # leads 0.12 + isolate 0.05 + rungs 1 + 2 + (470 + 0.05)
    assert state_ohms(ladder, 0b01100) == pytest.approx(473.22, abs=1e-9)
    # rung 0 bypassed: 1 || 0.05 = 0.05/1.05
    assert state_ohms(ladder, 0b01101) == pytest.approx(472.22 + 0.05 / 1.05, abs=1e-9)
    # parallel group with nothing connected, and isolate relay at rest
    assert state_ohms(ladder, 0b01000) == math.inf
    assert state_ohms(ladder, 0b00100) == math.inf
    # shorted while isolated: leads and the short's contact
    assert state_ohms(ladder, 0b10000) == pytest.approx(0.17, abs=1e-12)
    assert output_of(ladder, 0b10000) is Output.SHORT
    assert output_of(ladder, 0b01000) is Output.OPEN
    assert output_of(ladder, 0b01100) is Output.CONNECTED


def test_a_state_beyond_the_relays_is_refused(make_series):
    with pytest.raises(InputError, match="does not fit a ladder of 2 relays"):
        state_ohms(make_series([1.0, 2.0]), 4)


def with_real_contacts(ladder: Ladder) -> Ladder:
    """Return the ladder with no contact of zero ohm, which a netlist cannot hold."""
    relays = (replace(r, contact_ohms=max(r.contact_ohms, 0.01)) for r in ladder.relays)
    return replace(ladder, relays=tuple(relays))


@given(data=st.data())
def test_equals_nodal_analysis(data, ladders):
    ladder = with_real_contacts(data.draw(ladders()))
    state = data.draw(st.integers(0, (1 << ladder.relay_count) - 1))
    ohms = state_ohms(ladder, state)
    solved, power = nodal_solution(ladder, state, 5.0, 1000.0)
    if math.isinf(ohms):
        assert solved == math.inf
        return
    assert ohms == pytest.approx(solved, rel=1e-7, abs=1e-7)
    loading = state_loading(ladder, state, reference_volts=5.0, pullup_ohms=1000.0)
    for part in loading.rungs:
        expected = power.get(f"rung{part.relay}", 0.0)
        assert part.watts == pytest.approx(expected, rel=1e-3, abs=1e-9)
    expected = power.get("fixed", 0.0)
    assert loading.fixed_watts == pytest.approx(expected, rel=1e-3, abs=1e-9)
    assert loading.watts == pytest.approx(sum(power.values()), rel=1e-4, abs=1e-9)
    assert loading.watts <= 5.0**2 / (4 * 1000.0) * (1 + 1e-12)  # maximum power transfer


def log_ohms(ohms):
    """A monotone scale from 0 ohm to infinity, for paths."""
    with np.errstate(divide="ignore"):
        return np.clip(np.log(np.asarray(ohms) + 1e-3), -10.0, 30.0)


def nodal_ohms(ladder: Ladder, states) -> np.ndarray:
    return np.array([nodal_solution(ladder, int(state), 5.0, 1000.0)[0] for state in states])


@settings(deadline=None)
@given(data=st.data())
def test_every_state_on_the_way_equals_nodal_analysis(data, ladders):
    """What a path passes through, and how far it strays, by Kirchhoff's law alone."""
    ladder = with_real_contacts(data.draw(ladders(most_rungs=6)))
    start, end = (data.draw(st.integers(0, (1 << ladder.relay_count) - 1)) for _ in range(2))
    path = best_path(ladder, start, end, log_ohms)
    passed = [start, *path.states]
    assert passed[-1] == end
    assert all((a ^ b).bit_count() == 1 for a, b in itertools.pairwise(passed))
    solved = nodal_ohms(ladder, passed)
    np.testing.assert_allclose(states_ohms(ladder, passed), solved, rtol=1e-7, atol=1e-7)
    values = log_ohms(solved)
    low, high = sorted((values[0], values[-1]))
    strays = max(0.0, low - values.min(), values.max() - high)
    assert path.excursion == pytest.approx(strays, abs=1e-4)


def without_fixed(ladder: Ladder) -> Ladder:
    return replace(ladder, fixed_ohms=0.0)


def without_senses(ladder: Ladder) -> Ladder:
    plain = (replace(relay, contacts=Contacts.NORMALLY_OPEN) for relay in ladder.relays)
    return replace(ladder, relays=tuple(plain))


def without_contacts(ladder: Ladder) -> Ladder:
    return replace(
        ladder, relays=tuple(replace(relay, contact_ohms=1e-9) for relay in ladder.relays)
    )


def turned_groups(ladder: Ladder) -> Ladder:
    """Parallel groups taken for series ones, and the other way round."""
    other = {GroupKind.SERIES: GroupKind.PARALLEL, GroupKind.PARALLEL: GroupKind.SERIES}
    return replace(
        ladder, groups=tuple(replace(group, kind=other[group.kind]) for group in ladder.groups)
    )


@pytest.mark.parametrize(
    "mistake",
    [
        without_fixed,
        without_senses,
        without_contacts,
        turned_groups,
        lambda ladder: replace(ladder, isolate_relay=None),
        lambda ladder: replace(ladder, short_relay=None),
        lambda ladder: replace(ladder, lead_ohms=0.0),
    ],
)
def test_a_model_with_a_mistake_does_not_equal_nodal_analysis(make_ladder, mistake):
    """The comparison above is no formality: each part that the model may forget is missed."""
    ladder = make_ladder(
        [(GroupKind.SERIES, [10.0, 22.0, 47.0]), (GroupKind.PARALLEL, [100.0, 330.0])],
        senses=[Contacts.NORMALLY_OPEN, Contacts.NORMALLY_CLOSED] * 3 + [Contacts.NORMALLY_OPEN],
        contact_ohms=0.05,
        lead_ohms=0.12,
        fixed_ohms=68.0,
        isolate=True,
        short=True,
    )
    every = np.arange(1 << ladder.relay_count)
    solved = nodal_ohms(ladder, every)
    np.testing.assert_allclose(states_ohms(ladder, every), solved, rtol=1e-9)
    wrong = states_ohms(mistake(ladder), every)
    assert not np.allclose(wrong, solved, rtol=1e-5)


@given(data=st.data())
def test_arrays_agree_with_single_states(data, ladders):
    ladder = data.draw(ladders(most_rungs=6))
    states = np.arange(1 << ladder.relay_count, dtype=np.uint64)
    states = states[: 1 << 9]
    expected = [state_ohms(ladder, int(state)) for state in states]
    np.testing.assert_allclose(states_ohms(ladder, states), expected, rtol=1e-12)
    assert states_ohms(ladder, states.reshape(2, -1)).shape == (2, states.size // 2)


@given(data=st.data())
def test_uncertainty_equals_automatic_differentiation(data, ladders):
    """Oracle: the library `uncertainties` (linear propagation by automatic differentiation)."""
    ladder = with_real_contacts(data.draw(ladders()))
    state = data.draw(st.integers(0, (1 << ladder.relay_count) - 1))
    if math.isinf(state_ohms(ladder, state)):
        assert state_uncertainty_ohms(ladder, state) == 0.0
        return

    def number(value: float, uncertainty: float):
        return uncertainties.ufloat(value, max(uncertainty, 1e-30))  # zero makes it warn

    def contact(relay: int):
        made = ladder.relays[relay]
        return number(made.contact_ohms, made.contact_uncertainty_ohms)

    body = number(ladder.fixed_ohms, ladder.fixed_uncertainty_ohms)
    is_open = False
    if ladder.isolate_relay is not None:
        is_open = not contact_closed(ladder, state, ladder.isolate_relay)
        body += contact(ladder.isolate_relay)
    for group in ladder.groups:
        total = number(0.0, 0.0)
        for rung in group.rungs:
            r = number(rung.ohms, rung.uncertainty_ohms)
            closed = contact_closed(ladder, state, rung.relay)
            if group.kind is GroupKind.SERIES:
                total += 1 / (1 / r + 1 / contact(rung.relay)) if closed else r
            elif closed:
                total += 1 / (r + contact(rung.relay))
        if group.kind is GroupKind.PARALLEL:
            is_open = is_open or total.n == 0
            total = 1 / total if total.n else total
        body += total
    if ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay):
        short = contact(ladder.short_relay)
        body = short if is_open else 1 / (1 / body + 1 / short)
    whole = body + number(ladder.lead_ohms, ladder.lead_uncertainty_ohms)
    assert state_ohms(ladder, state) == pytest.approx(whole.n, rel=1e-9)
    assert state_uncertainty_ohms(ladder, state) == pytest.approx(whole.s, rel=1e-6, abs=1e-12)


@given(data=st.data())
def test_open_short_and_connected_states(data, ladders):
    ladder = data.draw(ladders())
    base = data.draw(st.integers(0, (1 << ladder.relay_count) - 1))
    parallel = any(group.kind is GroupKind.PARALLEL for group in ladder.groups)
    if ladder.isolate_relay is not None or parallel:
        assert state_ohms(ladder, open_state(ladder, base=base)) == math.inf
    else:
        with pytest.raises(InputError, match="no isolate relay"):
            open_state(ladder, base=base)
    if ladder.short_relay is not None:
        made = state_ohms(ladder, short_state(ladder, base=base))
        assert made <= ladder.lead_ohms + ladder.relays[ladder.short_relay].contact_ohms
    elif parallel:
        with pytest.raises(InputError, match="no short relay"):
            short_state(ladder, base=base)
    else:
        contacts = sum(relay.contact_ohms for relay in ladder.relays)
        made = state_ohms(ladder, short_state(ladder, base=base))
        assert made <= ladder.lead_ohms + ladder.fixed_ohms + contacts
    mask = connected_mask(ladder)
    assert ladder.isolate_relay is None or contact_closed(ladder, mask, ladder.isolate_relay)
    assert ladder.short_relay is None or not contact_closed(ladder, mask, ladder.short_relay)


def test_contact_sense_turns_a_state_round(make_series):
    plain = make_series([10.0, 20.0, 40.0])
    turned = replace(
        plain,
        relays=tuple(replace(r, contacts=Contacts.NORMALLY_CLOSED) for r in plain.relays),
    )
    for state in range(8):
        assert state_ohms(plain, state) == state_ohms(turned, state ^ 7)


def test_a_fixed_resistor_is_always_in_circuit_but_for_open_and_short(make_series):
    ladder = make_series([10.0, 20.0], lead_ohms=0.12, fixed_ohms=100.0, isolate=True, short=True)
    # leads 0.12 + fixed 100, and the rungs
    assert state_ohms(ladder, 0b0111) == pytest.approx(100.12)
    assert state_ohms(ladder, 0b0100) == pytest.approx(130.12)
    assert state_ohms(ladder, 0b0000) == math.inf
    assert state_ohms(ladder, 0b1100) == pytest.approx(0.12)
    rated = replace(ladder, fixed_power_watts=0.001)
    loading = state_loading(rated, 0b0111, reference_volts=5.0, pullup_ohms=1000.0)
    # (5 V / 1100.12 ohm)^2 * 100 ohm = 2.07 mW
    assert loading.fixed_watts == pytest.approx((5 / 1100.12) ** 2 * 100)
    (sentence,) = overloads(rated, loading)
    assert "fixed resistor (100 ohm)" in sentence


def test_ratings(make_series):
    """5 V behind 100 ohm into 100 ohm: 25 mA and 62.5 mW (Ohm's law)."""
    ladder = make_series([100.0])
    ladder = replace(
        ladder,
        max_current_amperes=0.02,
        groups=(
            replace(
                ladder.groups[0], rungs=(replace(ladder.groups[0].rungs[0], power_watts=0.05),)
            ),
        ),
    )
    loading = state_loading(ladder, 0, reference_volts=5.0, pullup_ohms=100.0)
    assert loading.amperes == pytest.approx(0.025)
    assert loading.rungs[0].watts == pytest.approx(0.0625)
    assert len(overloads(ladder, loading)) == 2
    fine = state_loading(ladder, 0, reference_volts=5.0, pullup_ohms=1000.0)
    assert overloads(ladder, fine) == ()


def test_few_states_and_many_make_the_same_to_the_last_bit():
    """Which of two equal states a plan takes must not hang on how many were worked out at once."""
    ladder = load_ladder(Path(__file__).parents[2] / "sweeps" / "ladders" / "bench-16.toml")
    states = np.random.default_rng(5).integers(0, 1 << ladder.relay_count, 3000)
    many = states_ohms(ladder, states)
    few = np.concatenate([states_ohms(ladder, part) for part in np.split(states, 1000)])
    np.testing.assert_array_equal(few, many)
    np.testing.assert_array_equal([float(states_ohms(ladder, one)) for one in states], many)
    np.testing.assert_array_equal([state_ohms(ladder, int(one)) for one in states], many)
