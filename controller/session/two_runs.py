"""Two runs beside each other: which steps belong together, and what differs between them.

Knows: results, records, what two runs share and what scatters.
Must not know: screens, tables, units other than degC.

Steps of two records belong together by what was put at the input and by the way there, never by
their numbers: plans may differ. A record and its replay are of one plan; there numbers do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

from controller.diagnosis.side_by_side import SCATTERING
from controller.errors import InputError
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.records.compare import Difference
from controller.records.decode import plan_of, results_of
from controller.records.inputs import inputs_of
from controller.records.reader import Record
from controller.records.replay import Replay
from controller.run.model import StepResult
from controller.units import COVERAGE_FACTOR

__all__ = ["Heading", "Pair", "TwoRuns", "pair_by_number", "pair_steps", "replayed", "two_records"]

WITHIN_CELSIUS = 1.0
"""Targets this near to each other belong together."""

_NEVER_LESS = 0.05
"""What readings may differ by in any case, in degC: less is beyond what a person can see."""


class Heading(Enum):
    """Which way a step was reached."""

    WARMING = "warming"
    COOLING = "cooling"
    NEITHER = ""


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Steps that belong together; either may be missing. Numbers are in degC.

    `first` and `second` are None where a run has no result of its step. `allowed_celsius` is how
    far apart the two errors may be; `differs` says in short what is further apart than that.
    """

    heading: Heading
    first_step: ResolvedStep | None
    second_step: ResolvedStep | None
    first: StepResult | None
    second: StepResult | None
    allowed_celsius: float = 0.0
    differs: tuple[str, ...] = ()

    @property
    def step(self) -> ResolvedStep:
        """The step of the first run, else that of the second."""
        found = self.first_step or self.second_step
        assert found is not None  # noqa: S101 - a pair has one of them
        return found

    @property
    def moved_celsius(self) -> float | None:
        """The error of the second run less that of the first, None where either has none."""
        if self.first is None or self.second is None:
            return None
        one, other = self.first.error_celsius, self.second.error_celsius
        return None if one is None or other is None else other - one


@dataclass(frozen=True, kw_only=True)
class TwoRuns:
    """Two runs side by side.

    `remarks` say what is not the same about them, as plan, sensor or bench; `how` says what
    counts as a difference. `differences` are those of a replay, number by number.
    """

    first: str
    second: str
    pairs: tuple[Pair, ...]
    how: str
    remarks: tuple[str, ...] = ()
    differences: tuple[Difference, ...] = ()

    @property
    def differing(self) -> int:
        """How many steps differ."""
        return sum(bool(pair.differs) for pair in self.pairs)

    @property
    def shared(self) -> int:
        """How many steps both runs have a result of."""
        return sum(pair.first is not None and pair.second is not None for pair in self.pairs)


def two_records(first: Record, second: Record) -> TwoRuns:
    """Return two records side by side. Raises InputError when either cannot be read."""
    one, other = plan_of(first), plan_of(second)
    pairs = pair_steps(one.steps, results_of(first), other.steps, results_of(second))
    return TwoRuns(
        first=first.path.name,
        second=second.path.name,
        pairs=pairs,
        how=(
            "Steps belong together by temperature and heading. Readings differ where their errors"
            " are further apart than readings scatter by themselves."
        ),
        remarks=tuple(_remarks(first, second)),
    )


def replayed(name: str, outcome: Replay) -> TwoRuns:
    """Return a record beside its run on the simulated bench."""
    return TwoRuns(
        first=name,
        second="the same plan on the simulated bench",
        pairs=pair_by_number(
            outcome.plan.steps, outcome.recorded, outcome.replayed, outcome.differences
        ),
        how=f"Compared step by step. {outcome.why[:1].upper()}{outcome.why[1:]}.",
        remarks=tuple(_first_alone(A=outcome.plan)),
        differences=outcome.differences,
    )


def pair_by_number(
    steps: Sequence[ResolvedStep],
    first: Sequence[StepResult],
    second: Sequence[StepResult],
    differences: Sequence[Difference],
) -> tuple[Pair, ...]:
    """Put two runs of one plan side by side."""
    ones = {result.step.index: result for result in first}
    others = {result.step.index: result for result in second}
    differing: dict[int | None, list[str]] = {}
    for one in differences:
        differing.setdefault(one.step, []).append(one.field)
    return tuple(
        Pair(
            heading=heading,
            first_step=step,
            second_step=step,
            first=ones.get(step.index),
            second=others.get(step.index),
            differs=tuple(dict.fromkeys(differing.get(step.index, ()))),
        )
        for step, heading in zip(steps, headings(steps), strict=True)
    )


def pair_steps(
    first_steps: Sequence[ResolvedStep],
    first: Sequence[StepResult],
    second_steps: Sequence[ResolvedStep],
    second: Sequence[StepResult],
) -> tuple[Pair, ...]:
    """Put the steps of two plans side by side, by kind, temperature and heading.

    In the order of the first run; what only the second has stands at the end. Where a temperature
    comes several times, the first belongs to the first.
    """
    ones = {result.step.index: result for result in first}
    others = {result.step.index: result for result in second}
    left = list(zip(second_steps, headings(second_steps), strict=True))
    pairs = []
    for step, heading in zip(first_steps, headings(first_steps), strict=True):
        partner = _partner(step, heading, left)
        if partner is not None:
            left.remove(partner)
        pairs.append(
            _pair(
                heading,
                step,
                None if partner is None else partner[0],
                ones.get(step.index),
                None if partner is None else others.get(partner[0].index),
            )
        )
    pairs += [_pair(way, None, step, None, others.get(step.index)) for step, way in left]
    return tuple(pairs)


def headings(steps: Sequence[ResolvedStep]) -> tuple[Heading, ...]:
    """Return which way each step is reached; the first goes the way the second one goes.

    Open, short and a lone temperature are reached neither way.
    """
    found = [Heading.NEITHER] * len(steps)
    there = [index for index, step in enumerate(steps) if step.target_celsius is not None]
    for place, index in enumerate(there):
        before, after = (
            (there[place - 1], index) if place else (index, there[min(1, len(there) - 1)])
        )
        moved = (steps[after].target_celsius or 0.0) - (steps[before].target_celsius or 0.0)
        if moved:
            found[index] = Heading.WARMING if moved > 0 else Heading.COOLING
    return tuple(found)


def _partner(
    step: ResolvedStep, heading: Heading, among: Sequence[tuple[ResolvedStep, Heading]]
) -> tuple[ResolvedStep, Heading] | None:
    """Return the step that belongs to another: the nearest temperature going the same way."""
    if step.target_celsius is None:
        return next((one for one in among if one[0].kind is step.kind), None)
    celsius = step.target_celsius
    near = [
        one
        for one in among
        if one[0].target_celsius is not None
        and abs(one[0].target_celsius - celsius) <= WITHIN_CELSIUS
        and (one[1] is heading or Heading.NEITHER in (one[1], heading))
    ]
    return min(near, key=lambda one: abs((one[0].target_celsius or 0.0) - celsius), default=None)


def _pair(
    heading: Heading,
    first_step: ResolvedStep | None,
    second_step: ResolvedStep | None,
    first: StepResult | None,
    second: StepResult | None,
) -> Pair:
    if first is None or second is None:
        return Pair(
            heading=heading,
            first_step=first_step,
            second_step=second_step,
            first=first,
            second=second,
        )
    allowed = max(_NEVER_LESS, COVERAGE_FACTOR * math.hypot(_scatter(first), _scatter(second)))
    one, other = first.error_celsius, second.error_celsius
    differs = []
    if (one is None) != (other is None):
        differs.append("one has no reading")
    elif one is not None and other is not None and abs(other - one) > allowed:
        differs.append("reading")
    if first.verdict is not second.verdict:
        differs.append("result")
    if first.codes != second.codes:
        differs.append("fault codes")
    return Pair(
        heading=heading,
        first_step=first_step,
        second_step=second_step,
        first=first,
        second=second,
        allowed_celsius=allowed,
        differs=tuple(differs),
    )


def _scatter(result: StepResult) -> float:
    """Return what scatters of a reading from time to time, standard, in degC."""
    parts = (part.celsius for part in result.step.budget if part.name in SCATTERING)
    return math.hypot(*parts) if result.step.kind is StepKind.TEMPERATURE else 0.0


def _first_alone(**plans: ResolvedPlan) -> Iterable[str]:
    """Say of each plan with two inputs which of them the rows show."""
    for name, plan in plans.items():
        if plan.second is not None:
            shown, left = plan.input or "the first", plan.second.input or "the second"
            yield f"{name} has two inputs: the rows show {shown}, not {left}."


def _remarks(first: Record, second: Record) -> Iterable[str]:
    """Say what is not the same about two records, so that a difference is not misread."""
    one, other = plan_of(first), plan_of(second)
    yield from _first_alone(A=one, B=other)
    if one.name != other.name or [s.target_celsius for s in one.steps] != [
        s.target_celsius for s in other.steps
    ]:
        yield (
            f"The plans differ: A {one.name}, {len(one.steps)} steps;"
            f" B {other.name}, {len(other.steps)} steps."
        )
    try:
        inputs, others = inputs_of(first), inputs_of(second)
    except InputError:
        yield "A record keeps no plan file: whether sensor and bench are the same is not known."
        return
    from controller.sensors.alike import same_curve

    if not same_curve(inputs.plan.sensor.curve, others.plan.sensor.curve):
        yield (
            f"The sensors differ: A {inputs.plan.sensor.name}, B {others.plan.sensor.name}."
            " Errors on two curves say little about each other."
        )
    if inputs.bench.name != others.bench.name:
        yield f"The benches differ: A {inputs.bench.name}, B {others.bench.name}."
    if inputs.bench.readback is not others.bench.readback:
        yield (
            f"The readings came in differently: A {inputs.bench.readback.value},"
            f" B {others.bench.readback.value}."
        )
