"""Values set by hand: what a device hears of a run that parks in its middle and goes on."""

from __future__ import annotations

from typing import Any

import pytest

from controller.clock import VirtualClock
from controller.ladder.electrical import Output
from controller.ladder.model import PathStep
from controller.planning.single_value import Setting
from controller.run.events import Event, LinkReported, NoteMade, Parked
from controller.run.hold import HandRun, plan_by_hand

HOLD_OFF_S = 2.0


def setting(start: int, state: int, *, hold_ms: int) -> Setting:
    return Setting(
        text="by hand", start=start, state=state, path=(PathStep(state=state, hold_ms=hold_ms),),
        back=(), ohms=1000.0, uncertainty_ohms=1.0, celsius=None, uncertainty_celsius=None,
        excursion_celsius=0.0, moves=1, extreme=None, output=Output.CONNECTED,
    )  # fmt: skip


def test_a_park_by_hand_has_fed_the_hold_off(fakes: Any, clock: VirtualClock) -> None:
    """Every request feeds (SPEC.md, hold-off); the next is due a third of the hold-off on."""
    link = fakes.FakeLink(clock)
    park, parked_s = link.park, []

    def slowly() -> None:
        clock.sleep_s(0.5)
        park()
        parked_s.append(clock.now_s())

    link.park = slowly
    bench = fakes.bench(link, fakes.ScriptedReadback(clock, []))
    assert bench.hold_off_ms == 1000 * HOLD_OFF_S
    run = HandRun(plan_by_hand(park_state=0, state_digits=4), bench, clock)
    events: list[Event] = list(run.step())
    run.set(setting(0, 1, hold_ms=20))
    while link.state != 1:
        events += run.step()
    run.set(setting(1, 0, hold_ms=20))
    while not parked_s or events[-1].at_s <= parked_s[0]:
        events += run.step()
    said, parked, fed = events[-3:]
    assert isinstance(said, NoteMade)
    assert isinstance(parked, Parked)
    assert isinstance(fed, LinkReported)
    assert parked.at_s == parked_s[0]
    assert fed.at_s - parked.at_s == pytest.approx(HOLD_OFF_S / 3)
    run.stop()
    while not run.finished:
        events += run.step()
    assert link.longest_silence_s <= HOLD_OFF_S
