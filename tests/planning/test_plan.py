from __future__ import annotations

import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import InputError
from controller.measurement.model import DecisionRule, SettleRule
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.planning.plan import Direction, PlanKind, Target, TargetBlock, ToleranceBand, expand
from controller.planning.ranges import range_values

SENSOR = """\
format = "rungwise-sensor/1"
name = "test sensor"
kind = "ntc-beta"
reference_ohms = 2500.0
reference_celsius = 20.0
beta_kelvin = 3540.0
lowest_celsius = -40.0
highest_celsius = 130.0
"""


@pytest.fixture
def write(tmp_path):
    (tmp_path / "sensor.toml").write_text(SENSOR)

    def plan(body: str, *, head: str | None = None) -> Path:
        if head is None:
            head = 'kind = "sweep"\nsensor = "sensor.toml"\ntolerance_celsius = 2\n'
        path = tmp_path / "plan.toml"
        path.write_text(f'format = "rungwise-plan/1"\n{head}{body}')
        return path

    return plan


def celsius(path: Path) -> list[float | str]:
    return [
        t.kind.value if t.celsius is None else round(t.celsius, 6) for t in load_plan(path).targets
    ]


def problems(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_plan(path)
    return [str(problem) for problem in caught.value.problems]


# Expansion, as laws


def temperature(value: float) -> Target:
    return Target(kind=StepKind.TEMPERATURE, celsius=value, ohms=1.0)


VALUES = st.lists(st.integers(-40, 130), min_size=1, max_size=20)


@given(VALUES, st.integers(1, 3), st.integers(0, 2**31))
def test_every_direction_runs_every_target(values, repeat, seed):
    targets = tuple(temperature(float(v)) for v in values)

    def run(direction: Direction) -> list[float]:
        block = TargetBlock(targets=targets, direction=direction, repeat=repeat, seed=seed)
        return [t.celsius for t in expand([block])]

    up, down = run(Direction.UP), run(Direction.DOWN)
    once = len(values)
    assert up == sorted(values) * repeat
    assert down == sorted(values, reverse=True) * repeat
    assert run(Direction.AS_WRITTEN) == values * repeat
    for direction, first, second in (
        (Direction.UP_THEN_DOWN, up[:once], down[:once]),
        (Direction.DOWN_THEN_UP, down[:once], up[:once]),
    ):
        assert run(direction) == [*first, *second[1:]] * repeat
        assert len(run(direction)) == (2 * once - 1) * repeat
    shuffled = run(Direction.RANDOM)
    assert shuffled == run(Direction.RANDOM)
    assert Counter(shuffled) == Counter(up)
    assert Counter(shuffled[:once]) == Counter(values)


def test_a_random_order_is_the_same_everywhere_and_differs_between_repeats():
    block = TargetBlock(
        targets=tuple(temperature(float(v)) for v in range(6)),
        direction=Direction.RANDOM,
        repeat=2,
        seed=7,
    )
    order = [int(t.celsius) for t in expand([block])]
    # numpy's Mersenne Twister, seeded with the same array, is an independent source of the numbers.
    numbers = np.random.RandomState([7]).random_sample(12)
    assert order == [*np.argsort(numbers[:6]), *np.argsort(numbers[6:])]
    assert order[:6] != order[6:]


@given(
    st.integers(-400, 1300).map(lambda v: v / 10),
    st.integers(-400, 1300).map(lambda v: v / 10),
    st.integers(1, 500).map(lambda v: v / 10),
)
def test_a_range_ends_where_it_says_and_never_steps_too_far(first, last, step):
    values = range_values(first, last, step)
    assert values[0] == pytest.approx(first)
    assert values[-1] == last
    gaps = [abs(b - a) for a, b in itertools.pairwise(values)]
    assert all(0 < gap <= step * 1.002 for gap in gaps)
    assert all(gap == pytest.approx(step, abs=1e-6) for gap in gaps[:-1])
    rising = all(b > a for a, b in itertools.pairwise(values))
    falling = all(b < a for a, b in itertools.pairwise(values))
    assert rising or falling


# Files


def test_a_range_up_and_down(write):
    path = write(
        """
[[targets]]
from_celsius = -30
to_celsius = 120
step_celsius = 50
direction = "up-then-down"
"""
    )
    assert celsius(path) == [-30, 20, 70, 120, 70, 20, -30]


def test_blocks_run_in_the_order_they_are_written(write):
    path = write(
        """
[[targets]]
celsius = ["open"]
[[targets]]
fahrenheit = [68, 176]
direction = "down"
[[targets]]
ohms = [2500.0, "short"]
repeat = 2
"""
    )
    assert celsius(path) == ["open", 80, 20, 20, "short", 20, "short"]


def test_a_range_written_downwards_runs_downwards(write):
    path = write("[[targets]]\nfrom_fahrenheit = 212\nto_fahrenheit = 32\nstep_fahrenheit = 90\n")
    assert celsius(path) == [100, 50, 0]


def test_what_is_not_said_has_a_stated_default(write):
    plan = load_plan(write("[[targets]]\ncelsius = [20]\n"))
    assert plan.kind is PlanKind.SWEEP
    assert plan.name == "plan"
    assert plan.decision_rule is DecisionRule.SIMPLE
    assert plan.settle == SettleRule(within_celsius=1.0, for_s=5.0, at_most_s=60.0)
    assert (plan.dwell_s, plan.ramp_limit_celsius_per_s, plan.max_excursion_celsius) == (
        0.0,
        None,
        None,
    )
    assert (plan.module, plan.bench_path) == (None, None)


def test_everything_that_can_be_said(write):
    plan = load_plan(
        write(
            """
[settle]
within_celsius = 0.5
for_s = 4
at_most_s = 45
[[tolerance]]
from_celsius = 60
to_celsius = 130
tolerance_celsius = 2
[[tolerance]]
from_celsius = -40
to_celsius = 60
tolerance_celsius = 4
[[targets]]
celsius = [20]
direction = "random"
seed = 4
""",
            head='kind = "check"\nname = "all"\nnote = "n"\nsensor = "sensor.toml"\n'
            'bench = "bench.toml"\ndwell_s = 3\nramp_limit_celsius_per_s = 2.5\n'
            'max_excursion_celsius = 15\ndecision_rule = "guarded-95"\nnear_tie_share = 0.2\n'
            "deviation_celsius = 0.4\n",
        )
    )
    assert plan.kind is PlanKind.CHECK
    assert plan.bench_path == plan.path.parent / "bench.toml"
    assert plan.settle == SettleRule(within_celsius=0.5, for_s=4.0, at_most_s=45.0)
    assert [plan.tolerance_at(t) for t in (-100, 0, 59, 60, 61, 300)] == [4, 4, 4, 2, 2, 2]
    assert plan.decision_rule is DecisionRule.GUARDED_95
    assert (plan.dwell_s, plan.ramp_limit_celsius_per_s) == (3.0, 2.5)
    assert (plan.max_excursion_celsius, plan.near_tie_share) == (15.0, 0.2)
    assert plan.deviation_celsius == 0.4


def test_a_band_knows_how_far_away_a_temperature_is():
    band = ToleranceBand(from_celsius=0, to_celsius=10, tolerance_celsius=1)
    assert [band.distance_celsius(t) for t in (-3, 0, 5, 10, 14)] == [3, 0, 0, 0, 4]


# Bad files


def test_all_problems_come_at_once(write):
    found = problems(
        write(
            """
dwel_s = 1
decision_rule = "simpel"
[[targets]]
celsius = [200, nan, true, "opne"]
[settle]
for_s = 10
at_most_s = 5
""",
            head='kind = "sweeep"\nsensor = "nowhere.toml"\ntolerance_celsius = -1\n',
        )
    )
    text = "\n".join(found)
    for expected in (
        "did you mean sweep?",
        "did you mean dwell_s?",
        "did you mean simple?",
        "there is no such file",
        "must be a finite number",
        "'opne'",
        "must be more than 0, is -1",
        "must not be shorter than for_s",
    ):
        assert expected in text


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("", "targets: is missing"),
        ("[targets]\ncelsius = [1]\n", "write [[targets]]"),
        ("[[targets]]\ncelsius = []\n", "is empty"),
        ("[[targets]]\ndirection = 'up'\n", "needs one list or one range"),
        ("[[targets]]\ncelsius = [1]\nohms = [2]\n", "needs one list or one range"),
        ("[[targets]]\ncelcius = [20]\n", "did you mean celsius?"),
        ("[[target]]\ncelsius = [20]\n", "did you mean targets?"),
        ("[[targets]]\ncelsius = 20\n", "must be an array"),
        ("[[targets]]\ncelsius = [131]\n", "outside the span of 'test sensor', -40 to 130 degC"),
        ("[[targets]]\nfahrenheit = [300]\n", "in degF: -40 to 266"),
        ("[[targets]]\nohms = [1.0]\n", "1.000 ohm is outside the span"),
        ("[[targets]]\nohms = [inf]\n", "must be a finite number"),
        ("[[targets]]\nohms = [-5]\n", "outside the span"),
        ("[[targets]]\ncelsius = [1, 'open']\ndirection = 'up'\n", "open and short have no place"),
        ("[[targets]]\ncelsius = [1]\ndirection = 'random'\n", "seed: is missing"),
        ("[[targets]]\ncelsius = [1]\nseed = 3\n", "has no use here"),
        ("[[targets]]\ncelsius = [1]\nrepeat = 0\n", "must be at least 1"),
        ("[[targets]]\nfrom_celsius = 0\nto_celsius = 9\nstep_celsius = 0\n", "more than 0"),
        ("[[targets]]\nfrom_celsius = 0\nto_celsius = 900\nstep_celsius = 1\n", "900 degC is out"),
        (
            "[[targets]]\nfrom_celsius = 0\nto_celsius = 9\nstep_celsius = 1e-9\n",
            "more than 100000",
        ),
        ("[[targets]]\nfrom_celsius = 0\nto_celsius = 9\n", "step_celsius: is missing"),
        ("[[targets]]\ncelsius = [1, 2]\nrepeat = 9999\n" * 6, "more than the 100000"),
        ("settle = 3\n[[targets]]\ncelsius = [1]\n", "must be a table"),
        (
            (
                "[[targets]]\ncelsius = [1]\n[[tolerance]]\nfrom_celsius = 1\nto_celsius = 0\n"
                "tolerance_celsius = 1\n"
            ),
            "is stated twice",
        ),
    ],
)
def test_bad_plans_are_refused_with_what_to_do(write, body, expected):
    assert expected in "\n".join(problems(write(body)))


@pytest.mark.parametrize(
    ("bands", "expected"),
    [
        ("", "tolerance_celsius: is missing"),
        ("[[tolerance]]\nfrom_celsius = 1\nto_celsius = 0\ntolerance_celsius = 1\n", "above from"),
        (
            (
                "[[tolerance]]\nfrom_celsius = 0\nto_celsius = 50\ntolerance_celsius = 1\n"
                "[[tolerance]]\nfrom_celsius = 40\nto_celsius = 90\ntolerance_celsius = 1\n"
            ),
            "overlaps",
        ),
        (
            (
                "[[tolerance]]\nfrom_celsius = 0\nto_celsius = 50\ntolerance_celsius = 1\n"
                "[[tolerance]]\nfrom_celsius = 60\nto_celsius = 90\ntolerance_celsius = 1\n"
            ),
            "no band covers 50 to 60 degC",
        ),
    ],
)
def test_bad_tolerance_bands_are_refused(write, bands, expected):
    path = write(
        "[[targets]]\ncelsius = [1]\n" + bands, head='kind = "sweep"\nsensor = "sensor.toml"\n'
    )
    assert expected in "\n".join(problems(path))


def test_the_line_of_a_bad_target_is_named(write):
    [found] = problems(write("[[targets]]\ncelsius = [500]\n"))
    assert "plan.toml:6: targets[0].celsius[0]" in found
