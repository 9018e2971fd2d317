"""From a plan and a bench to everything a run will do, or a refusal: before anything is driven.

Knows: plans, ladders, curves, the module's input; what is safe and what a plan may not ask for.
Must not know: links, readbacks, clocks, files, how events are shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.errors import InputError, Problem
from controller.ladder.electrical import contact_closed, open_state, short_state, state_ohms
from controller.ladder.loading import overloads, state_loading
from controller.ladder.model import Ladder
from controller.ladder.search import NearestSearch
from controller.ladder.sequence import connected_choice
from controller.links.base import PathStep
from controller.module.model import Module
from controller.sensors.curve import Curve
from controller.sensors.extension import extended_celsius
from controller.sweep.choosing import Chosen, choose_states
from controller.sweep.model import Contribution, ResolvedPlan, ResolvedStep, StepKind
from controller.sweep.plan import Plan, Target
from controller.sweep.routing import Router, operations
from controller.sweep.uncertainty import (
    expanded_celsius,
    report_contributions,
    step_contributions,
)
from controller.units import format_ohms

__all__ = ["make_router", "resolve"]

SHORT_AT_MOST_OHMS = 20.0
"""What a ladder without a shorting relay may leave and still call a short."""


def make_router(ladder: Ladder, curve: Curve) -> Router:
    """Return what finds paths on a ladder as a sensor's module sees them."""
    search = NearestSearch(ladder)
    scale = extended_celsius(curve)
    middle = float(curve.ohms((curve.lowest_celsius + curve.highest_celsius) / 2))
    return Router(
        ladder=ladder,
        search=search,
        celsius=scale,
        mid_state=search.nearest_by(middle, scale).state,
    )


def resolve(
    plan: Plan, ladder: Ladder, module: Module | None = None, *, first_step: int = 0
) -> ResolvedPlan:
    """Decide every state, path, expectation and uncertainty of a plan on a ladder.

    `module` is the one at the other end; unless the plan names it, it is the bench's. Steps
    before `first_step` are decided too, but the run is to begin there, from the park state.

    Raises InputError with every reason why the plan must not be driven: a ladder that cannot make
    an open or a short, ratings that the input would exceed, an excursion above the plan's limit.
    """
    return _Resolver(plan, ladder, plan.module or module).resolved(first_step)


@dataclass(frozen=True)
class _Decided:
    """A step on its way to being resolved."""

    index: int
    target: Target
    state: int
    ohms: float
    achieved_celsius: float | None
    budget: tuple[Contribution, ...]


class _Resolver:
    def __init__(self, plan: Plan, ladder: Ladder, module: Module | None) -> None:
        self._plan = plan
        self._ladder = ladder
        self._module = module
        self._curve = plan.sensor.curve
        self._router = make_router(ladder, self._curve)
        self._problems: list[Problem] = []
        self._warnings: list[str] = list(plan.sensor.warnings)

    def resolved(self, first_step: int) -> ResolvedPlan:
        targets = self._plan.targets
        if not 0 <= first_step < len(targets):
            self._problem(None, f"there is no step {first_step} to begin with")
            raise InputError(self._problems)
        self._check_extremes(targets)
        if self._problems:
            raise InputError(self._problems)
        chosen = choose_states(targets, self._choices(targets), self._router)
        states = [choice.state for choice in chosen]
        starts = self._starts(states, first_step)
        steps = [
            self._step(
                self._decided(index, target, choice.state),
                starts[index],
                self._path(starts[index], choice, resumed=index == first_step > 0),
            )
            for index, (target, choice) in enumerate(zip(targets, chosen, strict=True))
        ]
        self._check_ratings(steps)
        self._check_excursions(steps[first_step:])
        if self._problems:
            raise InputError(self._problems)
        self._note_what_is_missing(steps)
        module = self._module
        park = self._ladder.park_state
        return ResolvedPlan(
            name=self._plan.name,
            kind=self._plan.kind.value,
            steps=tuple(steps),
            settle=self._plan.settle,
            worst_excursion_celsius=max((s.excursion_celsius or 0.0) for s in steps[first_step:]),
            relay_operations=sum(
                operations(starts[step.index], step.path) for step in steps[first_step:]
            ),
            park_state=park,
            state_digits=self._ladder.state_digits,
            short_circuit_amperes=None if module is None else module.short_circuit_amperes,
            most_watts=None if module is None else module.most_watts,
            warnings=tuple(dict.fromkeys(self._warnings)),
            decision_rule=self._plan.decision_rule,
            first_step=first_step,
            closing_path=self._router.path(states[-1], self._before_parking(states[-1])),
        )

    # States

    def _choices(self, targets: Sequence[Target]) -> dict[Target, tuple[int, ...]]:
        """Return the states that would do for each temperature."""
        search, scale = self._router.search, self._router.celsius
        choices: dict[Target, tuple[int, ...]] = {}
        for target in targets:
            if target in choices or target.ohms is None or target.celsius is None:
                continue
            best = search.nearest_by(target.ohms, scale)
            choices[target] = self._near_ties(target.celsius, target.ohms, best.state)
        return choices

    def _near_ties(
        self, target_celsius: float, target_ohms: float, nearest: int
    ) -> tuple[int, ...]:
        """Return the states that are as near as the uncertainty lets anybody tell.

        Their deviation exceeds the least by no more than the plan's share of the expanded
        uncertainty. The nearest comes first.
        """
        curve = self._curve
        [made] = self._router.temperatures([nearest])
        budget = self._budget(nearest, made)
        slack = self._plan.near_tie_share * expanded_celsius(budget)
        width = abs(made - target_celsius) + slack
        low = max(target_celsius - width, curve.lowest_celsius)
        high = min(target_celsius + width, curve.highest_celsius)
        if slack <= 0 or not low < high:
            return (nearest,)
        ends = sorted(float(value) for value in curve.ohms(np.array([low, high])))
        choice = connected_choice(
            self._router.search, target_ohms, ends[0], ends[1], self._router.celsius
        )
        return choice.states

    def _check_extremes(self, targets: Sequence[Target]) -> None:
        """Note what this ladder cannot make: a true open, or a short."""
        park = self._ladder.park_state
        first = {target.kind: index for index, target in reversed(list(enumerate(targets)))}
        for kind, make in ((StepKind.OPEN, open_state), (StepKind.SHORT, short_state)):
            if kind not in first:
                continue
            try:
                ohms = state_ohms(self._ladder, make(self._ladder, base=park))
            except InputError as error:
                for problem in error.problems:
                    self._problem(first[kind], problem.message, hint=problem.hint)
                continue
            if kind is StepKind.SHORT and ohms > SHORT_AT_MOST_OHMS:
                self._problem(
                    first[kind],
                    f"the ladder leaves {format_ohms(ohms)} and cannot make a short circuit",
                    hint="bridge by hand, or add a short relay",
                )

    def _before_parking(self, last: int) -> int:
        """Return the state to go to quietly before the ladder parks all at once.

        Where it parks isolated, opening the isolate relay hides whatever moves after it.
        """
        isolate, park = self._ladder.isolate_relay, self._ladder.park_state
        if isolate is None or contact_closed(self._ladder, park, isolate):
            return park
        return open_state(self._ladder, base=last)

    # Steps

    def _starts(self, states: Sequence[int], first_step: int) -> list[int]:
        """Return the state each step's path starts from."""
        starts = [self._ladder.park_state, *states[:-1]]
        starts[first_step] = self._ladder.park_state
        return starts

    def _path(self, start: int, choice: Chosen, *, resumed: bool) -> tuple[PathStep, ...]:
        limit = self._plan.ramp_limit_celsius_per_s
        if limit is not None and self._router.can_ramp(start, choice.state):
            return self._router.ramp(start, choice.state, limit)
        return self._router.path(start, choice.state) if resumed else choice.path

    def _decided(self, index: int, target: Target, state: int) -> _Decided:
        ohms = state_ohms(self._ladder, state)
        if target.kind is not StepKind.TEMPERATURE:
            budget = report_contributions(self._resolution, self._plan.settle)
            return _Decided(index, target, state, ohms, None, budget)
        [made] = self._router.temperatures([state])
        budget = self._budget(state, made)
        self._note_deviation(index, target, ohms, made, expanded_celsius(budget))
        return _Decided(index, target, state, ohms, made, budget)

    def _step(self, decided: _Decided, start: int, path: tuple[PathStep, ...]) -> ResolvedStep:
        expected = self._expected(decided)
        return ResolvedStep(
            index=decided.index,
            kind=decided.target.kind,
            target_celsius=decided.target.celsius,
            target_ohms=decided.target.ohms,
            state=decided.state,
            achieved_ohms=decided.ohms,
            achieved_celsius=decided.achieved_celsius,
            expected_celsius=expected,
            tolerance_celsius=None if expected is None else self._plan.tolerance_at(expected),
            uncertainty_celsius=expanded_celsius(decided.budget),
            excursion_celsius=self._router.excursion(start, path),
            path=path,
            dwell_s=self._plan.dwell_s,
            budget=decided.budget,
        )

    def _expected(self, decided: _Decided) -> float | None:
        """Return what a healthy module reports at a step."""
        module = self._module
        match decided.target.kind:
            case StepKind.OPEN:
                return None if module is None else module.open_reports_celsius
            case StepKind.SHORT:
                return None if module is None else module.short_reports_celsius
            case StepKind.TEMPERATURE:
                made = decided.achieved_celsius
                if made is None or module is None:
                    return made
                return min(max(made, module.lowest_report_celsius), module.highest_report_celsius)

    def _budget(self, state: int, celsius: float) -> tuple[Contribution, ...]:
        curve = self._curve
        inside = min(max(celsius, curve.lowest_celsius), curve.highest_celsius)
        return step_contributions(
            self._ladder,
            state,
            curve,
            inside,
            resolution_celsius=self._resolution,
            settle=self._plan.settle,
        )

    @property
    def _resolution(self) -> float | None:
        return None if self._module is None else self._module.resolution_celsius

    # What is refused, and what is only said

    def _check_ratings(self, steps: Sequence[ResolvedStep]) -> None:
        """Refuse a plan that takes any part of the ladder beyond its ratings, at any moment."""
        module = self._module
        if module is None:
            return
        checked: set[int] = set()
        said: set[str] = set()
        for step in steps:
            for state in (s.state for s in step.path):
                if state in checked:
                    continue
                checked.add(state)
                loading = state_loading(
                    self._ladder,
                    state,
                    reference_volts=module.reference_volts,
                    pullup_ohms=module.lowest_pullup_ohms,
                )
                for sentence in overloads(self._ladder, loading):
                    if sentence not in said:
                        said.add(sentence)
                        self._problem(
                            step.index,
                            sentence,
                            hint="use a ladder rated for this input, or leave the step out",
                        )

    def _check_excursions(self, steps: Sequence[ResolvedStep]) -> None:
        limit = self._plan.max_excursion_celsius
        if limit is None:
            return
        for step in steps:
            if step.excursion_celsius is not None and step.excursion_celsius > limit:
                self._problem(
                    step.index,
                    f"the best way there strays {step.excursion_celsius:.1f} degC, more than"
                    f" max_excursion_celsius = {limit:g}",
                    hint="an intermediate target, another order, or a ladder whose rungs grow by"
                    " less than two would lower it; or raise the limit",
                )

    def _note_deviation(
        self, index: int, target: Target, ohms: float, made: float, uncertainty: float
    ) -> None:
        assert target.celsius is not None and target.ohms is not None  # noqa: S101, PT018
        search = self._router.search
        deviation = made - target.celsius
        reach = search.least_ohms <= target.ohms <= search.most_ohms
        if reach and abs(deviation) <= max(uncertainty, self._plan.tolerance_at(target.celsius)):
            return
        why = "" if reach else f", beyond what ladder {self._ladder.name!r} reaches"
        self._warnings.append(
            f"step {index + 1}: {target.celsius:g} degC ({format_ohms(target.ohms)})"
            f" cannot be made{why}; the nearest is {made:.1f} degC"
            f" ({format_ohms(ohms)}), {deviation:+.1f} degC off"
        )

    def _note_what_is_missing(self, steps: Sequence[ResolvedStep]) -> None:
        kinds = {step.kind for step in steps}
        if self._module is None:
            self._warnings.append(
                "no module file is named: the resolution of its report is not in the uncertainty"
            )
            if StepKind.SHORT in kinds:
                self._warnings.append(
                    "no module file is named: short-circuit current and power are not known"
                )
            if kinds & {StepKind.OPEN, StepKind.SHORT}:
                self._warnings.append(
                    "no module file is named: what it reports on open and short is not known"
                )
        hopeless = [
            step
            for step in steps
            if step.tolerance_celsius is not None
            and step.uncertainty_celsius >= step.tolerance_celsius
        ]
        if hopeless:
            worst = max(hopeless, key=lambda step: step.uncertainty_celsius)
            self._warnings.append(
                f"{len(hopeless)} of {len(steps)} steps have an uncertainty as large as their"
                f" tolerance (up to {worst.uncertainty_celsius:.1f} degC at step"
                f" {worst.index + 1}): they cannot be judged with confidence"
            )

    def _problem(self, index: int | None, message: str, *, hint: str | None = None) -> None:
        step = "" if index is None else f"step {index + 1}: "
        self._problems.append(
            Problem(message=f"{step}{message}", where=str(self._plan.path), hint=hint)
        )
