"""What programs hand to the public door: numbers of any kind are taken, all else is refused.

That an `int` does where a `float` is annotated is the numeric tower of PEP 484; `numbers.Real` and
`decimal.Decimal` are the standard library's own other kinds of numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import rungwise
from rungwise._given import checked

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
PLAN, BENCH = SWEEPS / "coolant-check.toml", SWEEPS / "benches" / "simulated.toml"

Place = tuple[str | int, ...]


@cache
def plan_and_bench() -> tuple[rungwise.Plan, rungwise.BenchFile]:
    return rungwise.load_plan(PLAN), rungwise.load_bench(BENCH)


@cache
def result() -> rungwise.Result:
    return rungwise.run(*plan_and_bench())


def _floats(data: Any) -> Iterator[Place]:
    """Yield the place of every finite float inside dataclasses and tuples."""
    if isinstance(data, float):
        if math.isfinite(data):
            yield ()
    elif isinstance(data, tuple):
        for index, one in enumerate(data):
            yield from ((index, *rest) for rest in _floats(one))
    elif is_dataclass(data) and not isinstance(data, type):
        for one in fields(data):
            if one.init:
                yield from ((one.name, *rest) for rest in _floats(getattr(data, one.name)))


def _at(data: Any, place: Place) -> Any:
    for part in place:
        data = data[part] if isinstance(part, int) else getattr(data, part)
    return data


def _with(data: Any, place: Place, value: object) -> Any:
    if not place:
        return value
    part, rest = place[0], place[1:]
    if isinstance(part, int):
        return (*data[:part], _with(data[part], rest, value), *data[part + 1 :])
    return replace(data, **{part: _with(getattr(data, part), rest, value)})


PLACES = [
    (which, place)
    for which, one in enumerate((rungwise.load_plan(PLAN), rungwise.load_bench(BENCH)))
    for place in _floats(one)
    if "curve" not in place  # what a curve is made of is no public class, and looks at itself
]
KINDS = (int, Fraction, Decimal, np.int64, np.float32, np.float64)


def _resolved(which: int, place: Place, value: object) -> object:
    given_two = list(plan_and_bench())
    given_two[which] = _with(given_two[which], place, value)
    try:
        return rungwise.resolve(*given_two)
    except rungwise.InputError as error:
        return str(error)


def test_there_are_many_numbers_to_try() -> None:
    named = {place[-1] for _, place in PLACES}
    assert {"fixed_ohms", "ohms", "celsius", "tolerance_celsius", "pullup_ohms"} <= named
    assert len(PLACES) > 100


NUMBERS = (st.sampled_from(PLACES), st.sampled_from(KINDS), st.integers(0, 2))


def _near(which: int, place: Place, kind: type[Any], more: int) -> tuple[Any, float]:
    """Return a number of a kind near the one at a place, and the float that it is."""
    whole = max(round(_at(plan_and_bench()[which], place)), 0) + more
    return kind(whole), float(whole)


@given(*NUMBERS)
@settings(deadline=None)
def test_a_number_of_any_kind_comes_in_as_its_float(
    where: tuple[int, Place], kind: type[Any], more: int
) -> None:
    which, place = where
    value, number = _near(which, place, kind, more)
    data = plan_and_bench()[which]
    taken = checked(_with(data, place, value), "data")
    assert type(_at(taken, place)) is float
    assert taken == _with(data, place, number)


@given(*NUMBERS)
@settings(deadline=None, max_examples=max(4, settings().max_examples // 25))
def test_a_number_of_any_kind_does_what_its_float_does(
    where: tuple[int, Place], kind: type[Any], more: int
) -> None:
    which, place = where
    value, number = _near(which, place, kind, more)
    assert _resolved(which, place, value) == _resolved(which, place, number)


@given(st.sampled_from(PLACES), st.sampled_from(["100", None, True, math.nan, [1.0], 1j, b"1"]))
@settings(deadline=None)
def test_what_is_no_number_is_refused_by_its_place(where: tuple[int, Place], value: object) -> None:
    which, place = where
    said = _resolved(which, place, value)
    if value is None and not isinstance(said, str):
        return  # a field that may be left out
    name = next(part for part in reversed(place) if isinstance(part, str))
    assert isinstance(said, str)
    assert name in said
    assert "must be a" in said


def test_a_run_with_whole_numbers_is_the_run() -> None:
    plan, bench = plan_and_bench()
    for which, place in PLACES:
        value = _at((plan, bench)[which], place)
        if value == round(value):
            plan, bench = (
                (_with(plan, place, round(value)), bench)
                if which == 0
                else (plan, _with(bench, place, round(value)))
            )
    assert type(bench.ladder.fixed_ohms) is int
    assert rungwise.run(plan, bench).steps == result().steps


def test_several_wrong_fields_are_said_at_once() -> None:
    plan, bench = plan_and_bench()
    rung = replace(bench.ladder.groups[0].rungs[1], ohms="2k", power_watts="much")
    group = replace(bench.ladder.groups[0], rungs=(bench.ladder.groups[0].rungs[0], rung))
    ladder = replace(bench.ladder, groups=(group, *bench.ladder.groups[1:]), lead_ohms=None)
    with pytest.raises(rungwise.InputError) as caught:
        rungwise.run(plan, replace(bench, ladder=ladder))
    assert [one.where for one in caught.value.problems] == [
        "bench.ladder.groups[0].rungs[1].ohms",
        "bench.ladder.groups[0].rungs[1].power_watts",
        "bench.ladder.lead_ohms",
    ]


@pytest.mark.parametrize("kind", [int, np.float32, Decimal, Fraction])
def test_readings_of_any_kind_are_judged(kind: type[Any]) -> None:
    said = rungwise.judge(PLAN, [kind(-40), kind(40), kind(130)])
    assert said.verdict == rungwise.judge(PLAN, np.array([-40.0, 40.0, 130.0])).verdict == "pass"


WRONG: list[object] = [
    None,
    5,
    5.5,
    "",
    "no-such-file",
    "a\0b",
    b"bytes",
    [],
    {},
    object(),
    math.nan,
    True,
    Path(),
    Path("/no/such/file"),
    rungwise.Verdict.PASS,
]
ONE_ARGUMENT = (
    "load_plan",
    "load_bench",
    "load_ladder",
    "load_sensor",
    "load_module",
    "read_record",
    "resolve",
    "run",
    "result_of",
    "replay",
    "diagnose",
    "explain",
    "describe",
)


@pytest.mark.parametrize("name", ONE_ARGUMENT)
def test_a_wrong_argument_is_refused_in_a_sentence(name: str) -> None:
    for value in WRONG:
        with pytest.raises(rungwise.InputError, match=r"\w+ \w+ \w+"):
            getattr(rungwise, name)(value)


@pytest.mark.parametrize("value", WRONG)
def test_a_wrong_second_argument_is_refused_in_a_sentence(value: object) -> None:
    plan, _ = plan_and_bench()
    calls: list[Any] = [
        lambda: rungwise.judge(PLAN, value),  # type: ignore[arg-type]
        lambda: rungwise.judge(PLAN, [value, "warm", 3]),  # type: ignore[list-item]
        lambda: rungwise.diagnose(result(), candidates=[value]),  # type: ignore[list-item]
    ]
    if value is not None:
        calls += [
            lambda: rungwise.run(plan, value),  # type: ignore[arg-type]
            lambda: rungwise.run(PLAN, value),  # type: ignore[arg-type]
            lambda: rungwise.run(PLAN, readback=value),  # type: ignore[arg-type]
            lambda: rungwise.diagnose("no.csv", plan=value),  # type: ignore[arg-type]
        ]
    for call in calls:
        with pytest.raises(rungwise.InputError):
            call()


def test_a_plan_without_a_tolerance_is_refused() -> None:
    plan, bench = plan_and_bench()
    with pytest.raises(rungwise.InputError, match="no tolerance is stated"):
        rungwise.run(replace(plan, tolerance=()), bench)


def test_one_candidate_by_itself_does_for_a_list() -> None:
    sensor = SWEEPS / "sensors" / "tern-coolant.toml"
    alone = rungwise.diagnose(result(), candidates=str(sensor))
    assert alone == rungwise.diagnose(result(), candidates=[sensor])
    assert alone == rungwise.diagnose(result(), candidates=rungwise.load_sensor(sensor))


@pytest.mark.parametrize("returned", [True, b"20", "20", 10**400, 1j, math.inf, Decimal("sNaN")])
def test_a_readback_that_returns_no_temperature_says_what_it_returned(returned: object) -> None:
    with pytest.raises((TypeError, ValueError), match="the readback function returned"):
        rungwise.run(PLAN, readback=lambda _ohms, _celsius: returned)  # type: ignore[arg-type, return-value]
