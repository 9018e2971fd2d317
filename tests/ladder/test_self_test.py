"""What is wrong inside a ladder, from ohms that Kirchhoff's laws make of planted faults.

The ohms are made here by a nodal analysis of the wiring, not by the model that the test tries its
faults on.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from controller.ladder.faults import (
    BadContact,
    DriftedFixed,
    DriftedRung,
    LadderFault,
    OpenFixed,
    OpenRung,
    StuckRelay,
    SwappedRelays,
)
from controller.ladder.files import load_ladder
from controller.ladder.model import GroupKind, Ladder
from controller.ladder.self_test import Examination, Sight, examine, states_to_test

SWEEPS = Path(__file__).parents[2] / "sweeps"
LADDER = load_ladder(SWEEPS / "ladders" / "bench-16.toml")
METER = Sight.of_meter(relative=1e-4, ohms=0.01)
PARALLEL = """\
format = "rungwise-ladder/1"
name = "p"
relay_count = 6
lead_ohms = 0.1
lead_uncertainty_ohms = 0.01
[relays]
contact_ohms = 0.05
contact_uncertainty_ohms = 0.01
[output]
isolate_relay = 5
[[group]]
kind = "series"
rungs = [
  { relay = 0, ohms = 100, tolerance_percent = 0.1 },
  { relay = 1, ohms = 220, tolerance_percent = 0.1 },
]
[[group]]
kind = "parallel"
rungs = [
  { relay = 2, ohms = 1000, tolerance_percent = 0.1 },
  { relay = 3, ohms = 2200, tolerance_percent = 0.1 },
  { relay = 4, ohms = 4700, tolerance_percent = 0.1 },
]
"""


@dataclass
class Wiring:
    """A real ladder: what each resistor and contact has, what each relay obeys."""

    ladder: Ladder
    rungs: dict[int, float] = field(default_factory=dict)
    contacts: dict[int, float] = field(default_factory=dict)
    leads: float = 0.0
    fixed: float = 0.0
    obeys: dict[int, int] = field(default_factory=dict)
    stuck: dict[int, bool] = field(default_factory=dict)

    def ohms(self, state: int) -> float:
        """Solve the network for the resistance between its two terminals."""
        count = self.ladder.relay_count
        closed = {
            relay: self.stuck.get(relay, bool(state >> self.obeys.get(relay, relay) & 1))
            for relay in range(count)
        }
        edges: list[tuple[int, int, float]] = []
        node = 1
        for group in self.ladder.groups:
            inner = max(node for edge in edges for node in edge[:2]) if edges else node
            end = inner + 1
            extra = end + 1
            for rung in group.rungs:
                ohms, contact = self.rungs[rung.relay], self.contacts[rung.relay]
                if group.kind is GroupKind.SERIES:
                    end = extra
                    edges.append((node, end, ohms))
                    if closed[rung.relay]:
                        edges.append((node, end, contact))
                    node, extra = end, end + 1
                elif closed[rung.relay]:
                    edges.append((node, end, ohms + contact))
            node = end
        if self.fixed:
            end = max(node for edge in edges for node in edge[:2]) + 1
            edges.append((node, end, self.fixed))
            node = end
        isolate, short = self.ladder.isolate_relay, self.ladder.short_relay
        if isolate is None or closed[isolate]:
            edges.append((node, 0, 0.0 if isolate is None else self.contacts[isolate]))
        if short is not None and closed[short]:
            edges.append((1, 0, self.contacts[short]))
        return self._between(edges) + self.leads

    def _between(self, edges: list[tuple[int, int, float]]) -> float:
        size = max(max(edge[:2]) for edge in edges) + 1 if edges else 2
        matrix = np.eye(size) * 1e-13
        for one, other, ohms in edges:
            g = 1.0 / max(ohms, 1e-9)
            matrix[one, one] += g
            matrix[other, other] += g
            matrix[one, other] -= g
            matrix[other, one] -= g
        matrix = np.delete(np.delete(matrix, 0, 0), 0, 1)
        current = np.zeros(size - 1)
        current[0] = 1.0
        ohms = float(np.linalg.solve(matrix, current)[0])
        return math.inf if ohms > 1e9 else ohms


def wired(ladder: Ladder, chance: random.Random | None = None) -> Wiring:
    """A healthy ladder; with `chance` every part is somewhere within its tolerance."""

    def drawn(value: float, standard: float) -> float:
        if chance is None:
            return value
        return value + chance.uniform(-1, 1) * math.sqrt(3) * standard

    return Wiring(
        ladder=ladder,
        rungs={
            rung.relay: drawn(rung.ohms, rung.uncertainty_ohms)
            for group in ladder.groups
            for rung in group.rungs
        },
        contacts={
            relay.index: max(0.0, drawn(relay.contact_ohms, relay.contact_uncertainty_ohms))
            for relay in ladder.relays
        },
        leads=drawn(ladder.lead_ohms, ladder.lead_uncertainty_ohms),
        fixed=drawn(ladder.fixed_ohms, ladder.fixed_uncertainty_ohms),
    )


def plant(wiring: Wiring, fault: LadderFault) -> None:
    match fault:
        case StuckRelay():
            wiring.stuck[fault.relay] = fault.energised
        case SwappedRelays():
            wiring.obeys[fault.first], wiring.obeys[fault.second] = fault.second, fault.first
        case DriftedRung():
            wiring.rungs[fault.relay] *= 1 + fault.percent / 100
        case OpenRung():
            wiring.rungs[fault.relay] = 1e13
        case DriftedFixed():
            wiring.fixed *= 1 + fault.percent / 100
        case OpenFixed():
            wiring.fixed = 1e13
        case BadContact():
            wiring.contacts[fault.relay] += fault.ohms


def found_in(wiring: Wiring, chance: random.Random) -> Examination:
    def meter(state: int) -> float:
        ohms = wiring.ohms(state)
        return ohms if math.isinf(ohms) else ohms + chance.gauss(0, 1e-5 * ohms + 1e-3)

    measured = {state: meter(state) for state in states_to_test(wiring.ladder)}
    return examine(wiring.ladder, measured, METER)


RELAYS = range(18)
FAULTS: list[LadderFault] = [
    *(StuckRelay(relay=relay, energised=on) for relay in RELAYS for on in (False, True)),
    *(OpenRung(relay=relay) for relay in range(16)),
    *(DriftedRung(relay=relay, percent=percent) for relay in range(16) for percent in (-20, 15)),
    *(DriftedRung(relay=relay, percent=1.0) for relay in range(6, 16)),
    *(BadContact(relay=relay, ohms=1.0) for relay in RELAYS),
    *(SwappedRelays(first=relay, second=relay + 1) for relay in range(16)),
    *(SwappedRelays(first=relay, second=15 - relay) for relay in range(7)),
    *(SwappedRelays(first=relay, second=16) for relay in range(15)),
    SwappedRelays(first=16, second=17),
]


@pytest.mark.parametrize("fault", FAULTS[::8], ids=lambda fault: fault.words)
def test_a_single_fault_is_found_and_named(fault: LadderFault) -> None:
    assert_named(fault, seed=3)


@pytest.mark.soak
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.words)
def test_every_single_fault_is_found_and_named(
    fault: LadderFault, many: Callable[..., int]
) -> None:
    for seed in range(4, 4 + many(1, 4)):
        assert_named(fault, seed=seed)


def assert_named(fault: LadderFault, *, seed: int) -> None:
    chance = random.Random(seed)
    wiring = wired(LADDER, chance)
    plant(wiring, fault)
    found = found_in(wiring, chance)
    assert not found.sound
    assert len(found.faults) == 1, [one.words for one in found.faults]
    [named] = found.faults
    match fault:
        case DriftedRung(relay=relay, percent=percent):
            assert isinstance(named, DriftedRung)
            assert named.relay == relay
            assert named.percent == pytest.approx(
                percent, abs=0.2 * abs(percent) + 8 / (relay + 1) ** 2
            )
        case BadContact(relay=relay, ohms=ohms):
            # The tolerance of its rung hides a large rung's contact among its neighbours.
            named_or_else = {
                one.relay: one.ohms
                for one in (named, *found.alternatives[0])
                if isinstance(one, BadContact)
            }
            assert len(named_or_else) <= (1 if relay < 8 else 10)
            assert named_or_else[relay] == pytest.approx(ohms, abs=0.25)
        case _:
            assert fault in (named, *found.alternatives[0])
    assert not found.unexplained


def test_healthy_ladders_raise_no_alarm(many: Callable[..., int]) -> None:
    trials = many(60, 3000)
    alarms = 0
    for seed in range(trials):
        chance = random.Random(seed)
        alarms += not found_in(wired(LADDER, chance), chance).sound
    assert alarms == 0


@pytest.mark.parametrize(
    "faults",
    [
        (StuckRelay(relay=2, energised=True), BadContact(relay=16, ohms=2.0)),
        (DriftedRung(relay=9, percent=5.0), StuckRelay(relay=12, energised=False)),
        (OpenRung(relay=14), DriftedRung(relay=7, percent=-3.0)),
    ],
    ids=lambda faults: " and ".join(one.words for one in faults),
)
def test_two_faults_are_told_apart(faults: tuple[LadderFault, ...]) -> None:
    wiring = wired(LADDER)
    for fault in faults:
        plant(wiring, fault)
    found = found_in(wiring, random.Random(1))
    assert len(found.faults) == len(faults)
    said = [
        {(type(one), getattr(one, "relay", None)) for one in (named, *others)}
        for named, others in zip(found.faults, found.alternatives, strict=True)
    ]
    for fault in faults:
        assert any((type(fault), getattr(fault, "relay", None)) in one for one in said)


@pytest.mark.parametrize(
    "percent",
    [-100, -5, 0.6, 900, *(pytest.param(one, marks=pytest.mark.soak) for one in (-50, -1, 1, 20))],
)
def test_another_fixed_resistor_is_found_and_named(percent: float) -> None:
    """A positive change may be the contact in series with it as well: both are then said."""
    ladder = load_ladder(SWEEPS / "ladders" / "designed-18.toml")
    for seed in range(3):
        chance = random.Random(seed)
        wiring = wired(ladder, chance)
        plant(wiring, DriftedFixed(percent=percent))
        found = found_in(wiring, chance)
        assert [len(found.faults), found.unexplained] == [1, ()], found.faults
        said = (found.faults[0], *found.alternatives[0])
        [named] = [one for one in said if isinstance(one, DriftedFixed)]
        assert named.percent == pytest.approx(percent, abs=0.3 + abs(percent) / 1000)
        assert all(isinstance(one, BadContact) and percent > 0 for one in said if one != named)


def test_an_open_fixed_resistor_is_one_of_two_explanations() -> None:
    ladder = load_ladder(SWEEPS / "ladders" / "designed-18.toml")
    wiring = wired(ladder, random.Random(1))
    plant(wiring, OpenFixed())
    found = found_in(wiring, random.Random(1))
    assert len(found.faults) == 1
    said = (found.faults[0], *found.alternatives[0])
    isolate = ladder.isolate_relay
    assert isolate is not None
    assert set(said) == {OpenFixed(), StuckRelay(relay=isolate, energised=False)}


def test_a_wrong_fixed_resistor_and_a_stuck_relay_are_told_apart() -> None:
    ladder = load_ladder(SWEEPS / "ladders" / "designed-18.toml")
    wiring = wired(ladder)
    for fault in (DriftedFixed(percent=-10.0), StuckRelay(relay=6, energised=True)):
        plant(wiring, fault)
    found = found_in(wiring, random.Random(1))
    assert {type(one) for one in found.faults} == {DriftedFixed, StuckRelay}
    assert not found.unexplained


def test_healthy_ladders_with_a_fixed_resistor_raise_no_alarm(many: Callable[..., int]) -> None:
    ladder = load_ladder(SWEEPS / "ladders" / "designed-18.toml")
    for seed in range(many(30, 1000)):
        chance = random.Random(seed)
        assert found_in(wired(ladder, chance), chance).sound


def test_a_parallel_group_is_tested_too(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(PARALLEL)
    ladder = load_ladder(path)
    assert found_in(wired(ladder, random.Random(2)), random.Random(2)).sound
    for fault in (
        StuckRelay(relay=3, energised=True),
        StuckRelay(relay=2, energised=False),
        DriftedRung(relay=4, percent=2.0),
        SwappedRelays(first=3, second=4),
        StuckRelay(relay=0, energised=True),
    ):
        wiring = wired(ladder)
        plant(wiring, fault)
        found = found_in(wiring, random.Random(2))
        assert not found.sound
        assert [type(one) for one in found.faults] == [type(fault)]
    # In parallel a rung that is open and a relay that never connects it are the same.
    wiring = wired(ladder)
    plant(wiring, OpenRung(relay=4))
    assert found_in(wiring, random.Random(2)).faults == (StuckRelay(relay=4, energised=False),)


@pytest.mark.soak
def test_what_no_fault_explains_is_said_to_be_so() -> None:
    wiring = wired(LADDER)
    chance = random.Random(9)
    measured = {state: wiring.ohms(state) for state in states_to_test(LADDER)}
    measured = {
        s: o if math.isinf(o) else o * chance.uniform(1.1, 3.0) for s, o in measured.items()
    }
    found = examine(LADDER, measured, METER)
    assert not found.sound
    assert found.unexplained
