"""What a healthy module makes of a step: its report, its uncertainty, what its filter leaves.

Knows: a plan, a ladder, a curve and a module; the budget of a state.
Must not know: how states and paths are chosen, what is refused.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller.ladder.calibration import Calibration
from controller.ladder.model import Ladder, PathStep
from controller.measurement.budget import Budget, Surroundings, step_budgets
from controller.module.model import Module
from controller.planning.filtering import Extremes, filtered_excursions, filtered_extremes
from controller.planning.model import ResolvedStep, StepKind
from controller.planning.paths import Router
from controller.planning.plan import Plan, Target

__all__ = ["Decided", "Expectations"]


@dataclass(frozen=True)
class Decided:
    """A step on its way to being resolved. `celsius` is None for open and short."""

    target: Target
    state: int
    celsius: float | None
    start: int
    path: tuple[PathStep, ...]


class Expectations:
    """What is expected of the steps of one plan.

    `nominal` is the ladder from the file, the router's the one with its calibration put in.
    """

    def __init__(
        self,
        plan: Plan,
        nominal: Ladder,
        module: Module | None,
        router: Router,
        *,
        calibration: Calibration | None,
        surroundings: Surroundings | None,
    ) -> None:
        self._plan = plan
        self._nominal = nominal
        self._module = module
        self._router = router
        self._calibration = calibration
        self._surroundings = surroundings
        self._curve = plan.sensor.curve

    def steps(self, decided: Sequence[Decided], budgets: Sequence[Budget]) -> list[ResolvedStep]:
        """Return the steps with all that is expected of them."""
        left = self.filtered_celsius([(one.start, one.path) for one in decided])
        return [
            self._step(index, *one)
            for index, one in enumerate(zip(decided, budgets, left, strict=True))
        ]

    def _step(
        self, index: int, one: Decided, budget: Budget, filtered_celsius: float | None
    ) -> ResolvedStep:
        expected, profile = self._reported(one), self._plan.profile
        return ResolvedStep(
            index=index,
            kind=one.target.kind,
            target_celsius=one.target.celsius,
            target_ohms=one.target.ohms,
            state=one.state,
            achieved_ohms=self._router.ohms([one.state])[0],
            achieved_celsius=one.celsius,
            expected_celsius=expected,
            tolerance_celsius=None if expected is None else self._plan.tolerance_at(expected),
            uncertainty_celsius=budget.expanded_celsius,
            excursion_celsius=self._router.excursion(one.start, one.path),
            path=one.path,
            dwell_s=self._plan.dwell_s,
            budget=budget.parts,
            filtered_excursion_celsius=filtered_celsius,
            planned_s=None if profile is None else profile.steps[index].at_s,
        )

    def filtered_celsius(
        self, ways: Sequence[tuple[int, tuple[PathStep, ...]]]
    ) -> list[float | None]:
        """Return what the module's filter leaves of the excursion of each way, with either pull-up.

        A way is where it starts, and its path. Where the host times the changes, the relays move
        somewhere within each exchange: a state may stand for its hold, or for a whole exchange
        more. None where the module is not known.
        """
        if self._module is None:
            return [None] * len(ways)
        distinct = dict.fromkeys(ways)  # sweeps go the same way many times
        extremes = [list(self._filtered(*way)) for way in distinct]
        strays = iter(filtered_excursions(list(itertools.chain(*extremes)), self._router.celsius))
        known = {
            way: max(itertools.islice(strays, len(some)))
            for way, some in zip(distinct, extremes, strict=True)
        }
        return [known[way] for way in ways]

    def _filtered(self, start: int, path: Sequence[PathStep]) -> Iterator[Extremes | None]:
        """Yield what the filter comes to on each way that a path may take."""
        module = self._module
        if module is None:
            return
        for way in self._router.ways(start, path):
            ohms = self._router.ohms([start, *(state for state, _ in way)])
            for pullup_ohms in {module.pullup_ohms, module.lowest_pullup_ohms}:
                for late_s in {0.0, self._router.step_ms / 1000}:
                    yield filtered_extremes(
                        ohms,
                        [held_s + late_s for _, held_s in way],
                        pullup_ohms=pullup_ohms,
                        time_constant_s=module.filter_time_constant_s,
                    )

    def _reported(self, one: Decided) -> float | None:
        """Return what a healthy module reports at a step."""
        module = self._module
        match one.target.kind:
            case StepKind.OPEN:
                return None if module is None else module.open_reports_celsius
            case StepKind.SHORT:
                return None if module is None else module.short_reports_celsius
            case StepKind.TEMPERATURE:
                if one.celsius is None or module is None:
                    return one.celsius
                lowest, highest = module.lowest_report_celsius, module.highest_report_celsius
                return min(max(one.celsius, lowest), highest)

    def budgets(self, made: Sequence[tuple[int, float | None]]) -> list[Budget]:
        """Return the budget of each state at its temperature; None stands for open and short."""
        curve = self._curve
        low, high = curve.lowest_celsius, curve.highest_celsius
        inside = [(s, min(max(t, low), high)) for s, t in made if t is not None]
        found = iter(
            step_budgets(
                self._nominal,
                inside,
                curve,
                settle=self._plan.settle,
                module=self._module,
                surroundings=self._surroundings,
                calibration=self._calibration,
                repeatability=self._plan.repeatability,
            )
        )
        # What a module reports on open and short is a fixed substitute: no measurement, no U.
        return [Budget(parts=()) if celsius is None else next(found) for _, celsius in made]
