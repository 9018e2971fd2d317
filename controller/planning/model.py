"""A plan made concrete: its steps with everything decided before anything is driven.

Uncertainties in these classes are expanded (k = 2, JCGM 100:2008, 6.2), except in `budget`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from controller.ladder.model import PathStep
from controller.measurement.model import Contribution, DecisionRule, SettleRule

__all__ = ["PLANNER", "ResolvedPlan", "ResolvedStep", "StepKind"]

PLANNER = 3
"""The generation of the planner: it rises when the same plan comes to other states or paths.

A record says which one made it; a replay takes the states of an earlier one as they are.
"""


class StepKind(StrEnum):
    """What a step puts at the module's input."""

    TEMPERATURE = "temperature"
    OPEN = "open"
    SHORT = "short"


@dataclass(frozen=True, kw_only=True)
class ResolvedStep:
    """One step with everything decided before anything is driven.

    `achieved_ohms` is math.inf for an open circuit. `target_celsius`, `target_ohms` and
    `achieved_celsius` are None for open and short (`target_ohms` is also None there).
    `expected_celsius` is what a healthy module reports: the achieved temperature, or its end
    reading on open and short; None when that is not known. `tolerance_celsius` likewise.
    `uncertainty_celsius` is the expanded uncertainty (k = 2) the verdict uses; zero on open and
    short, whose report is a fixed substitute with none of its own: see `shown_uncertainty_celsius`.
    `excursion_celsius` is how far the value strays, while relays switch, outside the span of the
    two end points; None when it cannot be said (no curve reaches there).
    `path` starts from the state of the step before, or from the park state. `dwell_s` is the
    shortest time between the relays' last move and the reading that is judged. `budget` lists
    what the uncertainty is made of. `filtered_excursion_celsius` is what the module's input filter
    leaves of the excursion; None when the module is not known. `planned_s` is when a step of a
    profile is due, on the profile's own time; None elsewhere.
    """

    index: int
    kind: StepKind
    target_celsius: float | None
    target_ohms: float | None
    state: int
    achieved_ohms: float
    achieved_celsius: float | None
    expected_celsius: float | None
    tolerance_celsius: float | None
    uncertainty_celsius: float
    excursion_celsius: float | None
    path: tuple[PathStep, ...]
    dwell_s: float = 0.0
    budget: tuple[Contribution, ...] = ()
    filtered_excursion_celsius: float | None = None
    planned_s: float | None = None

    @property
    def shown_uncertainty_celsius(self) -> float | None:
        """The expanded uncertainty to show; None for open and short, which have none."""
        return self.uncertainty_celsius if self.kind is StepKind.TEMPERATURE else None

    @property
    def path_s(self) -> float:
        """How long the way to this step takes, until the last relay has settled."""
        return sum(one.hold_ms for one in self.path) / 1000


@dataclass(frozen=True, kw_only=True)
class ResolvedPlan:
    """A whole plan against a bench, ready to run. Ramps are part of each step's path.

    `state_digits` is the number of hex digits a state is written with. `warnings` are sentences
    for people. `short_circuit_amperes` and `most_watts` describe the module's input when known.
    `first_step` is the step whose path starts from the park state: above zero for a plan that is
    to be resumed there. `closing_path` leads from the last step's state to the park state.
    `lower_bound_celsius` is proven: no states that would do for the steps and no order of single
    relay changes can keep the worst excursion below it; None when that is not known. `planner` says
    which generation of the planner chose the states. With `looks_first` the module's input is
    looked at before the first step.
    """

    name: str
    kind: str
    steps: Sequence[ResolvedStep]
    settle: SettleRule
    worst_excursion_celsius: float | None
    relay_operations: int
    park_state: int
    state_digits: int
    short_circuit_amperes: float | None = None
    most_watts: float | None = None
    warnings: tuple[str, ...] = ()
    decision_rule: DecisionRule = DecisionRule.SIMPLE
    first_step: int = 0
    closing_path: tuple[PathStep, ...] = ()
    lower_bound_celsius: float | None = None
    planner: int = PLANNER
    looks_first: bool = field(default=False, metadata={"later": True})
    input: str = field(default="", metadata={"later": True})
    second: ResolvedPlan | None = field(default=None, metadata={"later": True})
    largest_difference_celsius: float | None = field(default=None, metadata={"later": True})

    @property
    def inputs(self) -> tuple[ResolvedPlan, ...]:
        """What each input gets: this plan, and the second input's where there is one."""
        return (self,) if self.second is None else (self, self.second)

    @property
    def kinds(self) -> frozenset[StepKind]:
        """What the steps put at any of the inputs."""
        return frozenset(step.kind for plan in self.inputs for step in plan.steps)

    def format_state(self, state: int) -> str:
        """Write a state as in ``0x0a3f``."""
        return f"0x{state:0{self.state_digits}x}"
