"""A whole design: eighteen rungs as quiet as the best that a longer search once found."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.ladder.design import Build, catalogue_of_series, demand_of
from controller.planning import ladder_design
from controller.planning.ladder_design import DesignWish, best_fixed, design_ladders
from controller.sensors.extension import extended_celsius
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[2] / "sweeps"
NEAR = 1.05
"""A longer search, with a prototype, came to 5.2 and 7.2 degC: within 5 % of that."""


@pytest.mark.parametrize(
    "seeds",
    [
        # One search of the six is enough for the aims; that all six keep them only repeats it.
        pytest.param((1, 0, 0), marks=pytest.mark.soak),
        pytest.param(ladder_design._SEEDS, marks=pytest.mark.night),
    ],
    ids=["one search", "every search"],
)
def test_eighteen_rungs_of_e24_are_as_quiet_as_is_known(
    seeds: tuple[int, int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ladder_design, "_SEEDS", seeds)
    curve = load_sensor(SWEEPS / "sensors" / "tern-coolant.toml").curve
    coolant = demand_of(
        "coolant", lambda t: float(curve.ohms(t)), extended_celsius(curve), -30.0, 120.0
    )
    catalogue, build = catalogue_of_series("E24", 0.1), Build()
    fixed = best_fixed(catalogue, [coolant], build, 18)
    assert fixed is not None
    assert fixed.ohms == 100.0
    wish = DesignWish(
        counts=(18,),
        catalogue=catalogue,
        demands=(coolant,),
        steps_celsius=(5.0, 1.0),
        deviation_celsius=0.3,
        build=build,
        fixed=fixed,
    )
    choices = design_ladders(wish, processes=1)
    assert choices
    assert all(choice.deviation_celsius <= 0.3 for choice in choices)
    at_5, at_1 = choices[0].excursions
    assert at_5 <= 5.2 * NEAR
    assert at_1 <= 7.2 * NEAR
    for choice in choices:
        for sweep in choice.sweeps:
            assert sweep.lower_bound_celsius is not None
            assert sweep.lower_bound_celsius <= sweep.excursion_celsius
            assert sweep.excursion_celsius <= 1.06 * sweep.lower_bound_celsius
