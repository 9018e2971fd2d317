"""The simulated board's analogue input: it sees the module's input as a meter there would."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.model import BenchFile, LinkKind
from controller.bench.wiring import open_bench
from controller.clock import RealClock, VirtualClock
from controller.errors import LinkError
from controller.ladder.electrical import state_ohms
from controller.links.base import Link, PathStep

SWEEPS = Path(__file__).parents[2] / "sweeps"
STEP_VOLTS = 5.0 / 1024
"""Ten bits against 5 V."""
LAST = STEP_VOLTS * 1023


@pytest.fixture
def bench() -> BenchFile:
    return load_bench(SWEEPS / "benches" / "simulated.toml")


@pytest.fixture
def link(bench: BenchFile) -> Iterator[Link]:
    with closing(open_bench(bench, VirtualClock())) as opened:
        opened.link.open()
        yield opened.link


def _expected_volts(bench: BenchFile, state: int) -> float:
    """Ohm's law: V = Vref R / (R + Rp), cut off where the converter ends."""
    assert bench.module is not None
    ohms = state_ohms(bench.ladder, state)
    reference, pullup = bench.module.reference_volts, bench.module.pullup_ohms
    volts = reference if math.isinf(ohms) else reference * ohms / (ohms + pullup)
    return min(volts, LAST)


def test_input_is_what_ohms_law_makes_of_the_state(bench: BenchFile, link: Link) -> None:
    isolate = 1 << 16
    assert link.open().can_sense
    link.park()
    seen = set()
    for state in (isolate, isolate | 0xF800, isolate | 0xFF00, isolate | 0xFFF0, 0):
        link.apply([PathStep(state=state, hold_ms=20)])
        volts = link.sense(0).volts
        assert volts == pytest.approx(_expected_volts(bench, state), abs=STEP_VOLTS)
        seen.add(volts)
    assert len(seen) == 5


def test_pullup_comes_out_of_one_known_state_to_a_percent(bench: BenchFile, link: Link) -> None:
    # Ratiometric: Rp = R (Vref/V - 1); with R near Rp ten bits give it to 0.8 % (the divider's
    # slope there is Vref/4 per unit of R/Rp: one step of 1/1024 is 0.4 %, and both readings count).
    assert bench.module is not None
    link.open()
    link.park()
    near = min(
        (1 << 16 | low for low in range(1 << 16)),
        key=lambda state: abs(state_ohms(bench.ladder, state) - bench.module.pullup_ohms),
    )
    link.apply([PathStep(state=near, hold_ms=20)])
    volts = link.sense(0).volts + STEP_VOLTS / 2
    ohms = state_ohms(bench.ladder, near)
    pullup = ohms * (bench.module.reference_volts / volts - 1.0)
    assert pullup == pytest.approx(bench.module.pullup_ohms, rel=0.008)


def test_there_is_one_input(link: Link) -> None:
    link.open()
    with pytest.raises(LinkError, match="refused sense"):
        link.sense(1)


def test_it_is_there_behind_a_pseudo_terminal_too(bench: BenchFile) -> None:
    over_pty = replace(bench, link=LinkKind.SIMULATED_PTY)
    with closing(open_bench(over_pty, RealClock())) as opened:
        assert opened.link.open().can_sense
        opened.link.park()
        volts = opened.link.sense(0).volts
    state = bench.ladder.park_state
    assert volts == pytest.approx(_expected_volts(bench, state), abs=STEP_VOLTS)
