"""What is wrong inside a ladder, from volts at a module's input that Kirchhoff's laws make.

The wiring is solved as in `test_self_test`; the pull-up, the tap's load and a converter that
rounds down are put before it here, with values of their own within what their files allow.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from controller.ladder.faults import (
    BadContact,
    DriftedRung,
    LadderFault,
    OpenRung,
    StuckRelay,
    SwappedRelays,
)
from controller.ladder.self_test import Examination, examine, states_to_test
from controller.measurement.input_circuit import Seen, Tap, seen_of
from controller.measurement.sensed_ohms import sensed_ohms
from tests.ladder.test_self_test import LADDER, Wiring, plant, wired

PULLUP_OHMS, REFERENCE_VOLTS = 2490.0, 5.0
TAP = Tap(load_ohms=1e7, volts_per_volt=2.0)
FULL_SCALE = 1024


def seen_in(wiring: Wiring, chance: random.Random) -> dict[int, Seen]:
    pullup = PULLUP_OHMS * (1 + chance.uniform(-0.05, 0.05))
    scale = 1 + chance.uniform(-0.02, 0.02)

    def volts(ohms: float) -> float:
        across = 1 / (1 / ohms + 1 / TAP.load_ohms) if math.isfinite(ohms) else TAP.load_ohms
        return scale * REFERENCE_VOLTS * across / (across + pullup)

    def converted(ohms: float) -> int:
        noisy = volts(ohms) / TAP.volts_per_volt + chance.gauss(0.0, 1e-3)
        return max(0, min(FULL_SCALE - 1, math.floor(noisy / 5.0 * FULL_SCALE)))

    return {
        state: seen_of(
            [converted(wiring.ohms(state)) for _ in range(12)],
            full_scale=FULL_SCALE,
            full_scale_volts=5.0,
            tap=TAP,
        )
        for state in states_to_test(wiring.ladder)
    }


def examined(wiring: Wiring, chance: random.Random) -> Examination:
    readings = sensed_ohms(LADDER, seen_in(wiring, chance), pullup_ohms=PULLUP_OHMS, tap=TAP)
    found = [examine(LADDER, one.ohms, one.sight) for one in readings]
    return min(found, key=lambda one: (len(one.unexplained), len(one.faults)))


def test_healthy_ladders_raise_no_alarm_at_any_pull_up(many: Callable[..., int]) -> None:
    alarms = 0
    for seed in range(many(40, 2000)):
        chance = random.Random(seed)
        alarms += not examined(wired(LADDER, chance), chance).sound
    assert alarms == 0


VISIBLE = range(4, 16)
FAULTS: list[LadderFault] = [
    *(StuckRelay(relay=relay, energised=on) for relay in (*VISIBLE, 16) for on in (False, True)),
    *(OpenRung(relay=relay) for relay in range(3, 16)),
    *(DriftedRung(relay=relay, percent=percent) for relay in range(7, 14) for percent in (-20, 15)),
    *(BadContact(relay=relay, ohms=40.0) for relay in range(9, 17)),
    *(SwappedRelays(first=relay, second=relay + 1) for relay in range(4, 15)),
    *(SwappedRelays(first=relay, second=16) for relay in range(4, 15)),
    SwappedRelays(first=16, second=17),
]


@pytest.mark.parametrize("fault", FAULTS[::18], ids=lambda fault: fault.words)
def test_a_single_fault_is_found_and_named(fault: LadderFault) -> None:
    assert_named(fault, seed=3)


@pytest.mark.soak
@pytest.mark.parametrize("fault", [*FAULTS[9::18], *FAULTS[4::6]], ids=lambda fault: fault.words)
def test_some_more_faults_are_named(fault: LadderFault) -> None:
    assert_named(fault, seed=4)


@pytest.mark.night
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.words)
def test_every_fault_that_can_be_seen_is_named(fault: LadderFault) -> None:
    for seed in (4, 5):
        assert_named(fault, seed=seed)


def assert_named(fault: LadderFault, *, seed: int) -> None:
    chance = random.Random(seed)
    wiring = wired(LADDER, chance)
    plant(wiring, fault)
    found = examined(wiring, chance)
    assert not found.sound
    assert found.faults, found.unexplained
    named = {
        (type(one), getattr(one, "relay", None), getattr(one, "first", None))
        for one in (found.faults[0], *found.alternatives[0])
    }
    kind = (type(fault), getattr(fault, "relay", None), getattr(fault, "first", None))
    assert kind in named, [one.words for one in (*found.faults, *found.alternatives[0])]


def test_what_cannot_be_seen_is_said() -> None:
    found = examined(wired(LADDER), random.Random(1))
    hidden = [one.relay for one in found.rungs if one.hidden]
    # One step of this converter is 9.8 mV, or 4.9 ohm beside 2490 ohm at 5 V.
    assert hidden == [rung.relay for rung in LADDER.groups[0].rungs if rung.ohms < 13]
    assert 5 < found.contact_ohms < 15
    wiring = wired(LADDER)
    plant(wiring, StuckRelay(relay=0, energised=True))
    assert examined(wiring, random.Random(1)).sound  # it is named as not seen, so not vouched for


def test_there_is_nothing_to_measure_by_without_a_state_that_is_connected() -> None:
    seen = seen_in(wired(LADDER), random.Random(1))
    isolated = {state: one for state, one in seen.items() if not state >> 16 & 3}
    with pytest.raises(ValueError, match="no state that is connected"):
        sensed_ohms(LADDER, isolated, pullup_ohms=PULLUP_OHMS, tap=TAP)
