"""What would keep an excursion limit: each thing tried is a plan that is planned again."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.model import Switching
from controller.errors import InputError
from controller.ladder.files import load_ladder
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.planning.plan import Direction, Target
from controller.planning.remedies import MOST_STEPS, helps
from controller.planning.resolve import resolve

SWEEPS = Path(__file__).parents[2] / "sweeps"

LADDER = Ladder(
    name="two",
    relay_count=2,
    relays=(Relay(index=0), Relay(index=1)),
    groups=(
        Group(kind=GroupKind.SERIES, rungs=(Rung(relay=0, ohms=1e3), Rung(relay=1, ohms=2e3))),
    ),
)


def at(celsius: float) -> Target:
    return Target(kind=StepKind.TEMPERATURE, celsius=celsius, ohms=1.0)


FALLING, BETWEEN = (at(50), at(10)), at(30)


def said(strays, targets=FALLING, *, limit=5.0, between=BETWEEN, ladder=LADDER):
    """Return what is said when planning again comes to what `strays` says."""
    return helps(
        targets,
        ladder,
        at=1,
        changed=0b11,
        between=between,
        limit_celsius=limit,
        replanned=strays,
    )


def test_everything_that_keeps_the_limit_is_said_with_what_it_comes_to():
    def strays(targets, ladder):
        if ladder is not LADDER:
            [*_, added] = ladder.groups[0].rungs
            assert (added.relay, ladder.relay_count) == (2, 3)
            return {2e3: 4.5, 1e3: 9.0}[added.ohms]
        if len(targets) == 3:
            return 3.25
        return 4.0 if [target.celsius for target in targets] == [10, 50] else 9.0

    assert [words for words in said(strays).split("; or ") if "random" not in words] == [
        "an intermediate target of 30.0 degC brings it to 3.2 degC",
        "the plan in rising order brings it to 4.0 degC",
        "a redundant rung of 2.000 kohm brings it to 4.5 degC",
    ]


def test_when_nothing_keeps_it_the_nearest_is_said():
    text = said(lambda _targets, ladder: 7.0 if ladder is LADDER else 6.0)
    assert text.startswith("nothing that was tried keeps the limit; a redundant rung of")
    assert text.endswith("brings it to 6.0 degC")


def test_only_what_can_be_done_is_tried():
    parallel = replace(LADDER, groups=(replace(LADDER.groups[0], kind=GroupKind.PARALLEL),))
    one = (Target(kind=StepKind.OPEN),)
    assert said(lambda *_: 1 / 0, one, between=None, ladder=parallel) == "raise the limit"
    mixed = (Target(kind=StepKind.OPEN), at(10))
    assert " order" not in said(lambda *_: 1.0, mixed, between=None)
    long = [at(float(i % 7)) for i in range(MOST_STEPS + 1)]
    assert "may lower it" in said(lambda *_: 1 / 0, long)


@pytest.fixture
def rising_plan():
    """The demo sweep in rising order, every ten degC."""
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    [block] = plan.blocks
    block = replace(block, targets=block.targets[::2], direction=Direction.UP)
    return replace(plan, blocks=(block,), max_excursion_celsius=10.0)


def test_what_is_promised_of_another_order_is_what_it_does(rising_plan):
    ladder = load_ladder(SWEEPS / "ladders" / "binary-16.toml")
    with pytest.raises(InputError) as caught:
        resolve(rising_plan, ladder, rising_plan.module)
    found = re.findall(r"in random order \(seed (\d+)\) brings it to (\S+) degC", str(caught.value))
    assert found
    [block] = rising_plan.blocks
    for seed, strays in found:
        other = replace(block, direction=Direction.RANDOM, seed=int(seed))
        resolved = resolve(replace(rising_plan, blocks=(other,)), ladder, rising_plan.module)
        assert resolved.worst_excursion_celsius == pytest.approx(float(strays), abs=0.06)


def test_all_at_once_is_answered_with_the_path(rising_plan):
    ladder = load_ladder(SWEEPS / "ladders" / "binary-16.toml")
    with pytest.raises(InputError, match='switching = "path"'):
        resolve(rising_plan, ladder, rising_plan.module, switching=Switching.ALL_AT_ONCE)
