"""Values beside a step: the next one that the ladder makes, over a way that the plan allows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.planning.model import StepKind
from controller.session.nudges import Nudger
from controller.session.prepared import Prepared, prepare

WORKSHOP = Path(__file__).parents[1] / "tui/workshop"


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare(WORKSHOP / "plans/check.toml")


@pytest.mark.parametrize("direction", [1, -1])
def test_a_nudge_is_about_half_a_degree_away(prepared: Prepared, direction: int) -> None:
    step = next(s for s in prepared.resolved.steps if s.target_celsius == 20.0)
    beside = Nudger(prepared).beside(step, step.state, direction)
    assert beside.celsius is not None
    assert step.achieved_celsius is not None
    moved = beside.celsius - step.achieved_celsius
    # The ladder's own values lie about a tenth of a degC apart there.
    assert moved == pytest.approx(0.5 * direction, abs=0.2)
    # A thermistor: a warmer one has less resistance.
    assert (beside.ohms < step.achieved_ohms) is (direction > 0)
    assert beside.start == step.state
    assert beside.path[-1].state == beside.state


def test_nudges_there_and_back_come_home(prepared: Prepared) -> None:
    step = next(s for s in prepared.resolved.steps if s.target_celsius == 80.0)
    nudger = Nudger(prepared)
    there = nudger.beside(step, step.state, 1)
    back = nudger.beside(step, there.state, -1)
    assert back.celsius == pytest.approx(step.achieved_celsius, abs=0.3)


def test_there_is_nothing_beside_an_open_circuit(prepared: Prepared) -> None:
    step = next(s for s in prepared.resolved.steps if s.kind is StepKind.OPEN)
    with pytest.raises(InputError, match="nothing beside it"):
        Nudger(prepared).beside(step, step.state, 1)


def test_a_way_that_strays_further_than_the_plan_allows_is_refused(prepared: Prepared) -> None:
    plan = replace(prepared.inputs.plan, max_excursion_celsius=0.0)
    strict = replace(prepared, inputs=replace(prepared.inputs, plan=plan))
    refused = taken = 0
    for step in prepared.resolved.steps:
        if step.kind is not StepKind.TEMPERATURE:
            continue
        for direction in (1, -1):
            free = Nudger(prepared).beside(step, step.state, direction)
            if free.excursion_celsius:
                refused += 1
                with pytest.raises(InputError, match="max_excursion_celsius"):
                    Nudger(strict).beside(step, step.state, direction)
            else:
                taken += 1
    assert refused
