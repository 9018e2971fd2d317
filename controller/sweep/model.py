"""The words of a run: plan steps made concrete, what came of them, and the whole of it.

Knows: the data that the engine produces and that records, command line and screens show.
Must not know: how states are found, links, files, terminals.

Uncertainties in these classes are expanded (k = 2, JCGM 100:2008, 6.2); standard ones stay inside
the parts that compute them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from controller.links.base import PathStep

__all__ = [
    "Contribution",
    "DecisionRule",
    "ResolvedPlan",
    "ResolvedStep",
    "RunSummary",
    "SettleRule",
    "StepKind",
    "StepResult",
    "Verdict",
]


class StepKind(Enum):
    """What a step puts at the module's input."""

    TEMPERATURE = "temperature"
    OPEN = "open"
    SHORT = "short"


class Verdict(Enum):
    """The outcome of a step, or of a run (the worst of its steps: fail, undecided, pass)."""

    PASS = "pass"  # noqa: S105 - not a password
    FAIL = "fail"
    UNDECIDED = "undecided"


class DecisionRule(Enum):
    """How near to the tolerance limit an error may come and still pass.

    `SIMPLE` accepts up to the limit; `GUARDED` keeps the whole expanded uncertainty away from it;
    `GUARDED_95` as much as makes a false accept at the acceptance limit no likelier than 5 %.
    `controller.sweep.verdict` has the numbers and their sources.
    """

    SIMPLE = "simple"
    GUARDED = "guarded"
    GUARDED_95 = "guarded-95"


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """One named part of a step's uncertainty: standard (k = 1), in degC."""

    name: str
    celsius: float


@dataclass(frozen=True, kw_only=True)
class SettleRule:
    """Settled: readings have stayed inside a band of `within_celsius` for `for_s` seconds.

    After `at_most_s` the last reading is taken as it is and the step says that it did not settle.
    """

    within_celsius: float
    for_s: float
    at_most_s: float


@dataclass(frozen=True, kw_only=True)
class ResolvedStep:
    """One step with everything decided before anything is driven.

    `achieved_ohms` is math.inf for an open circuit. `target_celsius`, `target_ohms` and
    `achieved_celsius` are None for open and short (`target_ohms` is also None there).
    `expected_celsius` is what a healthy module reports: the achieved temperature, or its end
    reading on open and short; None when that is not known. `tolerance_celsius` likewise.
    `uncertainty_celsius` is the expanded uncertainty (k = 2) the verdict uses.
    `excursion_celsius` is how far the value strays, while relays switch, outside the span of the
    two end points; None when it cannot be said (no curve reaches there).
    `path` starts from the state of the step before, or from the park state. `dwell_s` is the
    shortest time between the relays' last move and the reading that is judged. `budget` lists
    what the uncertainty is made of. `filtered_excursion_celsius` is what the module's input filter
    leaves of the excursion; None when the module is not known.
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


@dataclass(frozen=True, kw_only=True)
class ResolvedPlan:
    """A whole plan against a bench, ready to run. Ramps are part of each step's path.

    `state_digits` is the number of hex digits a state is written with. `warnings` are sentences
    for people. `short_circuit_amperes` and `most_watts` describe the module's input when known.
    `first_step` is the step whose path starts from the park state: above zero for a plan that is
    to be resumed there. `closing_path` leads from the last step's state to the park state.
    """

    name: str
    kind: str
    steps: tuple[ResolvedStep, ...]
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

    def format_state(self, state: int) -> str:
        """Write a state as in ``0x0a3f``."""
        return f"0x{state:0{self.state_digits}x}"


@dataclass(frozen=True, kw_only=True)
class StepResult:
    """What came of one step. `error_celsius` is reported minus expected.

    `settled` is False when the settle rule ran out of time. `reason` says in a few words why a
    verdict is what it is when the numbers alone do not: ``skipped``, ``no reading``,
    ``did not settle``, ``expected reading not known``.
    """

    step: ResolvedStep
    attempt: int
    reported_celsius: float | None
    error_celsius: float | None
    verdict: Verdict
    settled: bool
    settle_s: float
    codes: tuple[str, ...] = ()
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class RunSummary:
    """The end of a run: counts, overall verdict, and the one sentence for people.

    `ended` is ``complete``, ``stopped`` (by a person) or ``fault``. `relays` is the value of
    RelayKnowledge at the end.
    """

    verdict: Verdict
    ended: str
    passed: int
    failed: int
    undecided: int
    unsettled: int
    not_run: int
    relays: str
    sentence: str
