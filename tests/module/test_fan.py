"""The simulated module's fan output. That fans run on open, short and impossible jumps: common
practice, no source."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from controller.module.files import load_module
from controller.module.model import Module
from controller.module.simulate import SimulatedModule

FILE = Path(__file__).resolve().parents[2] / "sweeps" / "modules" / "tern-fan.toml"


@pytest.fixture
def module() -> Module:
    return load_module(FILE)


def ohms(module: Module, celsius: float) -> float:
    return float(module.sensor.curve.ohms(celsius))


def test_it_has_hysteresis(module: Module) -> None:
    simulated = SimulatedModule(module, start_ohms=ohms(module, 80.0))
    said = []
    for number, celsius in enumerate((80, 90, 93, 96, 93, 90, 87, 90, 93)):
        simulated.expose(10.0 * number, ohms(module, float(celsius)))
        said.append(simulated.report(10.0 * number + 9.0).fan_runs)
    assert said == [False, False, False, True, True, True, False, False, False]


@pytest.mark.parametrize("extreme", [0.0, math.inf])
def test_it_runs_while_the_circuit_counts_as_open_or_shorted(
    module: Module, extreme: float
) -> None:
    module = replace(module, rate_limit_kelvin_per_s=None)
    simulated = SimulatedModule(module, start_ohms=ohms(module, 20.0))
    simulated.expose(10.0, extreme)
    if extreme:  # on its way to a short the filtered input passes what turns the fan on anyway
        assert simulated.report(11.0).fan_runs is False  # not decided yet
    assert simulated.report(13.0).fan_runs is True
    simulated.expose(20.0, ohms(module, 20.0))
    assert simulated.report(25.0).fan_runs is False


def test_it_runs_for_a_while_after_an_impossible_jump(module: Module) -> None:
    simulated = SimulatedModule(module, start_ohms=ohms(module, 20.0))
    assert simulated.report(10.0).fan_runs is False
    simulated.expose(10.0, ohms(module, 80.0))
    jumped = simulated.report(12.0)
    assert jumped.fan_runs is True
    assert module.range_code in jumped.codes
    assert simulated.report(29.0).fan_runs is True
    assert simulated.report(33.0).fan_runs is False


def test_it_does_not_wait_for_the_report_to_be_renewed(module: Module) -> None:
    slow = replace(module, refresh_s=60.0)
    simulated = SimulatedModule(slow, start_ohms=ohms(module, 90.0))
    simulated.expose(1.0, ohms(module, 96.0))
    said = simulated.report(5.0)
    assert (said.celsius, said.fan_runs) == (90.0, True)


def test_a_module_without_a_fan_says_nothing_of_it(module: Module) -> None:
    assert SimulatedModule(replace(module, fan=None)).report(1.0).fan_runs is None
