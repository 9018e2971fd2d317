"""From a link to a module, through relays that move: the computed bound holds, by path alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.bench.model import Switching
from controller.bench.simulation import Simulation
from controller.clock import VirtualClock
from controller.ladder.electrical import rung_masks, state_ohms
from controller.ladder.files import load_ladder
from controller.ladder.path import best_path
from controller.links.simulated import SimulatedDevice, simulated_link
from controller.module.files import load_module
from controller.module.simulate import SimulatedModule
from controller.planning.paths import path_steps
from controller.planning.resolve import make_router
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[2] / "sweeps"
LADDERS = ("binary-16", "bench-16", "bench-1225")


@pytest.fixture(scope="module")
def curve():
    return load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve


@pytest.fixture(scope="module")
def module():
    return load_module(SWEEPS / "modules" / "tern-quick-codes.toml")


@pytest.fixture(scope="module")
def routers(curve):
    """Return for each ladder what finds the paths, and what switches all at once."""
    return {
        name: tuple(
            make_router(load_ladder(SWEEPS / "ladders" / f"{name}.toml"), curve, way)
            for way in (Switching.PATH, Switching.ALL_AT_ONCE)
        )
        for name in LADDERS
    }


@pytest.fixture(scope="module")
def seen():
    """Every resistance that a simulated module is exposed to."""
    values: list[float] = []
    with pytest.MonkeyPatch.context() as patch:
        told = SimulatedModule.expose

        def noting(self, at_s, ohms):
            values.append(ohms)
            told(self, at_s, ohms)

        patch.setattr(SimulatedModule, "expose", noting)
        yield values


class Bench:
    """A simulated ladder behind its link, with its relays moving."""

    def __init__(self, router, module, seed: int, *, moving: bool = True) -> None:
        self.router, self.clock = router, VirtualClock()
        self.simulation = Simulation(router.ladder, module, self.clock, seed=seed, moving=moving)
        device = SimulatedDevice(
            relay_count=router.ladder.relay_count,
            park_state=router.ladder.park_state,
            clock=self.clock,
            on_latch=self.simulation.latched,
        )
        self.simulation.before_sampling = device.catch_up
        self.link = simulated_link(device)
        self.link.open()
        self.state = router.ladder.park_state

    def go(self, goal: int, router=None, *, detours: bool = True) -> tuple:
        """Go to a state, let the relays rest, and return the path."""
        if detours or router is not None:
            path = (router or self.router).path(self.state, goal)
        else:
            ladder, celsius = self.router.ladder, self.router.celsius
            path = path_steps(best_path(ladder, self.state, goal, celsius, detours=0))
        if path:
            self.link.apply(path)
        self.clock.sleep_s(0.05)
        self.simulation.report()
        self.link.feed()
        self.state = goal
        return path


def strays(router, start: int, goal: int, ohms) -> float:
    """Return how far what was seen lies outside the span of the two ends."""
    ends = router.temperatures([start, goal])
    passed = [float(t) for t in router.celsius(np.array(ohms))] if ohms else ends
    return max(0.0, min(ends) - min(passed), max(passed) - max(ends))


def connected(router) -> int:
    isolate = router.ladder.isolate_relay
    return 0 if isolate is None else 1 << isolate


@settings(max_examples=settings().max_examples // 5)
@given(
    name=st.sampled_from(LADDERS),
    seed=st.integers(0, 2**31),
    targets=st.lists(st.floats(-30, 120), min_size=3, max_size=8),
)
def test_by_path_the_module_never_sees_more_than_the_bound(
    name, seed, targets, routers, module, curve, seen
):
    router, _ = routers[name]
    bench = Bench(router, module, seed)
    for celsius in targets:
        start = bench.state
        goal = router.search.nearest_by(float(curve.ohms(celsius)), router.celsius).state
        seen.clear()
        path = bench.go(goal)
        assert strays(router, start, goal, seen) <= router.excursion(start, path) + 1e-9
        assert not path or seen[-1] == state_ohms(router.ladder, goal)


@pytest.mark.parametrize("name", LADDERS)
def test_over_many_transitions_the_bound_holds_and_all_at_once_breaks_it(
    name, routers, module, seen, many
):
    router, together = routers[name]
    rng = np.random.default_rng(11)
    rungs = rung_masks(router.ladder)
    broken, count = 0, many(60, 500)
    bench = Bench(router, module, seed=7)
    bench.go(connected(router))
    for _ in range(count):
        start = bench.state
        # A few neighbouring rungs: what a step of a sweep changes.
        goal = start ^ (int(rng.integers(1, 64)) << int(rng.integers(0, 15)) & rungs)
        for before, after in ((start, goal), (goal, start)):
            seen.clear()
            path = bench.go(after, detours=False)
            bound = router.excursion(before, path)
            assert strays(router, before, after, seen) <= bound + 1e-9
        seen.clear()
        at_once = bench.go(goal, together)
        at_once_seen = strays(router, start, goal, seen)
        assert at_once_seen <= together.excursion(start, at_once) + 1e-9
        broken += at_once_seen > bound + 1e-6  # there and back have the same bound
    assert broken > count / 10


def test_the_carry_passes_a_dead_short_all_at_once_and_never_by_path(routers, module, seen, many):
    """By hand: 32767 ohm is all but the top rung, 32768 the top rung alone, so all 16 relays move.

    These relays operate (bypass) in 5 ms and release in 12 ms: the low rungs are bypassed before
    the top one comes in, and only leads and sixteen contacts are left, about 0.12 + 16 * 0.05 ohm
    = 0.92 ohm. By path the worst is the golden ratio (1 + 5**0.5) / 2 to either side: 20.25 to
    53.0 kohm.
    """
    router, together = routers["binary-16"]
    low, top = 0x8000, 0x7FFF
    shorted = 0
    for seed in range(many(6, 20)):
        bench = Bench(router, module, seed)
        bench.go(low)
        seen.clear()
        bench.go(top)
        assert 32767 / 1.65 < min(seen) <= max(seen) < 32768 * 1.65
        assert bench.simulation.report().codes == ()
        bench.go(low)
        seen.clear()
        bench.go(top, together)
        assert min(seen) == pytest.approx(0.92, abs=0.01)
        shorted += bench.simulation.report().codes != ()
    assert shorted > 0  # a code needs the short to last for four samples of a millisecond


def test_ideal_relays_jump_from_one_state_to_the_next(routers, module, seen):
    router, together = routers["binary-16"]
    bench = Bench(router, module, seed=1, moving=False)
    bench.go(0x8000)
    seen.clear()
    bench.go(0x7FFF, together)
    assert seen == [state_ohms(router.ladder, 0x7FFF)]


def test_all_at_once_is_one_change_held_until_the_slowest_relay_rests(routers):
    _, together = routers["binary-16"]
    [hop] = together.path(0x8000, 0x7FFF)
    # Release 12 ms and bounce 2 ms, a quarter slower, rounded up, and 2 ms of lateness.
    assert (hop.state, hop.hold_ms) == (0x7FFF, 18 + 2)
    assert together.path(5, 5) == ()
    assert together.excursion(0x8000, [hop]) > 400
