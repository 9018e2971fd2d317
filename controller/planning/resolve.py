"""From a plan and a bench to everything a run will do, or a refusal: before anything is driven.

Knows: plans, ladders, curves, the module's input; in which order things are decided.
Must not know: links, readbacks, clocks, how files look, how events are shown.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Sequence
from dataclasses import replace

from controller.bench.model import BenchFile, Switching
from controller.errors import InputError, Problem
from controller.ladder.calibration import Calibration, calibrated_ladder
from controller.ladder.electrical import contact_closed, open_state
from controller.ladder.model import Ladder, PathStep
from controller.ladder.search import NearestSearch, Scale
from controller.ladder.sequence import StepChoice
from controller.measurement.budget import Surroundings
from controller.module.model import Module
from controller.planning.expectations import Decided, Expectations
from controller.planning.filtered_order import filtered_order
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.planning.near_equals import near_equals
from controller.planning.pacing import course_warnings, profile_warnings
from controller.planning.paths import Router, operations
from controller.planning.plan import Plan, Target
from controller.planning.refusals import (
    deviation_warnings,
    excursion_problems,
    extreme_problems,
    filtered_problems,
    missing_module_warnings,
    rating_problems,
    ratio_warnings,
)
from controller.planning.remedies import helps
from controller.planning.settling import believable
from controller.planning.states import Chosen, choose_states, keep_states
from controller.sensors.curve import Curve
from controller.sensors.extension import extended_celsius

__all__ = ["make_router", "resolve", "resolve_on"]


def make_router(
    ladder: Ladder, curve: Curve, switching: Switching = Switching.PATH, *, step_ms: int = 0
) -> Router:
    """Return what finds paths on a ladder as a sensor's module sees them.

    `step_ms` is how long the link takes for one change of state.
    """
    search = NearestSearch(ladder)
    scale = _scale_of(curve)
    middle = float(curve.ohms((curve.lowest_celsius + curve.highest_celsius) / 2))
    return Router(
        ladder=ladder,
        search=search,
        celsius=scale,
        mid_state=search.nearest_by(middle, scale).state,
        together=switching is Switching.ALL_AT_ONCE,
        step_ms=step_ms,
    )


@functools.lru_cache(maxsize=32)
def _scale_of(curve: Curve) -> Scale:
    """Return a curve's scale, the same object for an equal curve: paths are known by it."""
    return extended_celsius(curve)


def resolve_on(
    plan: Plan,
    bench: BenchFile,
    *,
    first_step: int = 0,
    kept: ResolvedPlan | None = None,
) -> ResolvedPlan:
    """Resolve a plan on a bench: its ladder with any calibration, its module, where it stands.

    A second input is resolved on the bench's second ladder, step by step beside the first. `kept`
    is an earlier resolving, whose states and paths are taken as in `resolve`. Raises InputError
    as `resolve` does, with every reason of either input.
    """
    if plan.second is None:
        return _resolve_one(plan, bench, first_step, kept)
    if bench.second is None:
        raise InputError.single(
            "has no second ladder, which the plan asks for",
            where=str(bench.path or bench.name),
            key="second",
            hint="add [second] with its ladder, link and readback",
        )
    both: list[ResolvedPlan] = []
    problems: list[Problem] = []
    second_kept = None if kept is None else kept.second
    for one, on, was in ((plan, bench, kept), (plan.second, bench.second, second_kept)):
        try:
            both.append(_resolve_one(one, on, first_step, was))
        except InputError as error:
            problems += [replace(p, message=f"{one.input}, {p.message}") for p in error.problems]
    _refuse(problems)
    first, second = both
    digits = max(first.state_digits, second.state_digits)  # all states of a run look alike
    return replace(
        first,
        state_digits=digits,
        input=plan.input,
        second=replace(second, state_digits=digits, input=plan.second.input, warnings=()),
        warnings=tuple(f"{one.input}: {text}" for one in both for text in one.warnings),
        largest_difference_celsius=plan.second.largest_difference_celsius,
    )


def _resolve_one(
    plan: Plan, bench: BenchFile, first_step: int, kept: ResolvedPlan | None
) -> ResolvedPlan:
    resolved = resolve(
        plan,
        bench.nominal_ladder or bench.ladder,
        bench.module,
        first_step=first_step,
        kept=None if kept is None else kept.steps,
        calibration=bench.calibration,
        surroundings=bench.surroundings,
        switching=bench.switching,
        refresh_s=bench.refresh_s,
        step_ms=bench.step_ms,
    )
    return resolved if not plan.input else replace(resolved, input=plan.input)


def resolve(
    plan: Plan,
    ladder: Ladder,
    module: Module | None = None,
    *,
    first_step: int = 0,
    kept: Sequence[ResolvedStep] | None = None,
    calibration: Calibration | None = None,
    surroundings: Surroundings | None = None,
    switching: Switching = Switching.PATH,
    refresh_s: float = 0.0,
    step_ms: int = 0,
) -> ResolvedPlan:
    """Decide every state, path, expectation and uncertainty of a plan on a ladder.

    `module` is the one at the other end; unless the plan names it, it is the bench's. With a
    `calibration`, `ladder` is the one from the file. Steps before `first_step` are decided too,
    but the run is to begin there, from the park state. Switched all at once, each step takes its
    nearest state, and the excursion is the worst that chance may bring. `refresh_s` is how often
    the module renews its report as far as the bench knows, `step_ms` how long the link takes for
    one change of state, where the host times them.

    `kept` are the steps of an earlier resolving: states and paths are taken from there in place of
    being chosen, where they do for the target; everything else is worked out.

    Raises InputError with every reason why the plan must not be driven: a ladder that cannot make
    an open or a short, ratings that the input would exceed, an excursion above the plan's limit.
    """
    resolver = _Resolver(
        plan,
        ladder,
        plan.module or module,
        calibration,
        surroundings,
        switching,
        step_ms,
        refresh_s=refresh_s,
    )
    return resolver.resolved(first_step, kept)


class _Resolver:
    def __init__(
        self,
        plan: Plan,
        ladder: Ladder,
        module: Module | None,
        calibration: Calibration | None,
        surroundings: Surroundings | None,
        switching: Switching,
        step_ms: int,
        *,
        refresh_s: float = 0.0,
    ) -> None:
        self._plan = plan
        self._refresh_s = refresh_s
        self._ladder = calibrated_ladder(ladder, calibration) if calibration else ladder
        self._module = module
        self._surroundings = surroundings
        self._curve = plan.sensor.curve
        self._router = make_router(self._ladder, self._curve, switching, step_ms=step_ms)
        self._expected = Expectations(
            plan,
            ladder,
            module,
            self._router,
            calibration=calibration,
            surroundings=surroundings,
        )

    def resolved(self, first_step: int, kept: Sequence[ResolvedStep] | None) -> ResolvedPlan:
        plan, ladder, module = self._plan, self._ladder, self._module
        targets = plan.targets
        if not 0 <= first_step < len(targets):
            raise InputError.single(
                f"there is no step {first_step} to begin with", where=str(plan.path)
            )
        _refuse(extreme_problems(plan, targets, ladder))
        lower_bound: float | None = None
        if kept is None:
            chosen, lower_bound = choose_states(targets, self._choices(targets), self._router)
        else:
            chosen = keep_states(targets, self._choices(targets), self._router, kept)
        decided = self._decided(targets, chosen, first_step, as_they_are=kept is not None)
        budgets = self._expected.budgets([(one.state, one.celsius) for one in decided])
        steps = self._expected.steps(decided, budgets)
        to_run = steps[first_step:]
        _refuse(
            [
                *rating_problems(plan, self._passed(decided), ladder, module),
                *excursion_problems(
                    plan, to_run, lambda step: self._help(step.index, decided[step.index])
                ),
                *filtered_problems(plan, to_run, module, step_ms=self._router.step_ms),
            ]
        )
        warnings = [
            *plan.sensor.warnings,
            *ladder.warnings,
            *deviation_warnings(plan, steps, self._router.search),
            *(missing_module_warnings(steps) if module is None else ()),
            *(ratio_warnings(steps, budgets) if plan.search is None else ()),
            *(course_warnings(plan.profile) if plan.profile else ()),
            *profile_warnings(steps, believable(plan.settle, module, self._refresh_s)),
        ]
        last = decided[-1].state
        return ResolvedPlan(
            name=plan.name,
            kind=plan.kind.value,
            steps=tuple(steps),
            settle=believable(plan.settle, module, self._refresh_s),
            worst_excursion_celsius=max(step.excursion_celsius or 0.0 for step in to_run),
            relay_operations=sum(operations(one.start, one.path) for one in decided[first_step:]),
            park_state=ladder.park_state,
            state_digits=ladder.state_digits,
            short_circuit_amperes=None if module is None else module.short_circuit_amperes,
            most_watts=None if module is None else module.most_watts,
            warnings=tuple(dict.fromkeys(warnings)),
            decision_rule=plan.decision_rule,
            first_step=first_step,
            closing_path=self._router.path(last, self._before_parking(last)),
            lower_bound_celsius=None if first_step or self._router.together else lower_bound,
        )

    # States and paths

    def _choices(self, targets: Sequence[Target]) -> dict[Target, StepChoice]:
        return near_equals(targets, self._plan, self._router, self._expected)

    def _decided(
        self,
        targets: Sequence[Target],
        chosen: Sequence[Chosen],
        first_step: int,
        *,
        as_they_are: bool,
    ) -> list[Decided]:
        park = self._ladder.park_state
        starts = [park, *(choice.state for choice in chosen[:-1])]
        starts[first_step] = park
        limit = None if as_they_are else self._limit_at_input(starts, chosen)
        decided = []
        self._router.temperatures([choice.state for choice in chosen])  # all at once: much faster
        for index, (target, choice, start) in enumerate(zip(targets, chosen, starts, strict=True)):
            celsius = None
            if target.kind is StepKind.TEMPERATURE:
                [celsius] = self._router.temperatures([choice.state])
            path = choice.path
            if not as_they_are:
                path = self._path(start, choice, resumed=index == first_step > 0)
                if limit is not None:
                    path = self._quiet_after_filter(start, path, limit)
            decided.append(Decided(target, choice.state, celsius, start, path))
        self._router.temperatures([step.state for one in decided for step in one.path])
        return decided

    def _help(self, index: int, one: Decided) -> str:
        """Return what would help the step that strays furthest."""
        targets = self._plan.targets
        if self._router.together:
            return 'switching = "path" in the bench file lowers it'
        return helps(
            targets,
            self._ladder,
            at=index,
            changed=one.start ^ one.state,
            between=self._between(targets, index),
            limit_celsius=self._plan.max_excursion_celsius or 0.0,
            replanned=self._replanned,
            ordered=self._plan.profile is not None or self._plan.search is not None,
        )

    def _between(self, targets: Sequence[Target], index: int) -> Target | None:
        """Return a target half way from the one before, where both are temperatures apart."""
        ends = [target.celsius for target in targets[max(index - 1, 0) : index + 1]]
        if len(ends) < 2 or ends[0] is None or ends[1] is None or ends[0] == ends[1]:
            return None
        middle = (ends[0] + ends[1]) / 2
        return Target(
            kind=StepKind.TEMPERATURE, celsius=middle, ohms=float(self._curve.ohms(middle))
        )

    def _replanned(self, targets: Sequence[Target], ladder: Ladder) -> float:
        """Return the worst excursion of other targets, or on another ladder."""
        other = self
        if ladder is not self._ladder:
            other = _Resolver(
                self._plan,
                ladder,
                self._module,
                None,
                self._surroundings,
                Switching.PATH,
                self._router.step_ms,
            )
        before, worst = ladder.park_state, 0.0
        for chosen in choose_states(targets, other._choices(targets), other._router)[0]:
            worst = max(worst, other._router.excursion(before, chosen.path))
            before = chosen.state
        return worst

    def _passed(self, decided: Sequence[Decided]) -> list[tuple[int, ...]]:
        """Return for each step every state that it may pass through, its own included."""
        return [
            tuple(
                dict.fromkeys(s for way in self._router.ways(one.start, one.path) for s, _ in way)
            )
            for one in decided
        ]

    def _path(self, start: int, choice: Chosen, *, resumed: bool) -> tuple[PathStep, ...]:
        limit = self._plan.ramp_limit_celsius_per_s
        if limit is not None and self._router.can_ramp(start, choice.state):
            return self._router.ramp(start, choice.state, limit)
        if resumed or self._router.together:
            return self._router.path(start, choice.state)
        return choice.path

    def _limit_at_input(self, starts: Sequence[int], chosen: Sequence[Chosen]) -> float | None:
        """Return how far orders chosen for the filter may stray at the input; None: none are."""
        plan = self._plan
        if not plan.quiet_after_filter or self._module is None or self._router.together:
            return None
        if plan.ramp_limit_celsius_per_s is not None:
            return None
        if plan.max_excursion_celsius is not None:
            return plan.max_excursion_celsius
        return max(
            self._router.excursion(start, one.path)
            for start, one in zip(starts, chosen, strict=True)
        )

    def _quiet_after_filter(
        self, start: int, path: tuple[PathStep, ...], limit_celsius: float
    ) -> tuple[PathStep, ...]:
        if not path or not self._router.can_ramp(start, path[-1].state):
            return path
        return filtered_order(
            self._ladder,
            start,
            path,
            at_input=lambda way: self._router.excursion(start, way),
            filtered=lambda way: self._expected.filtered_celsius([(start, tuple(way))])[0] or 0.0,
            limit_celsius=limit_celsius,
            step_ms=self._router.step_ms,
        )

    def _before_parking(self, last: int) -> int:
        """Return the state to go to quietly before the ladder parks all at once.

        Where it parks isolated, opening the isolate relay hides whatever moves after it.
        """
        isolate, park = self._ladder.isolate_relay, self._ladder.park_state
        if isolate is None or contact_closed(self._ladder, park, isolate):
            return park
        return open_state(self._ladder, base=last)


def _refuse(problems: Iterable[Problem]) -> None:
    """Raise InputError when there are problems."""
    found = tuple(problems)
    if found:
        raise InputError(found)
