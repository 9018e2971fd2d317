"""What a plan may not ask for, and what is only said: judged on steps that are already resolved.

Knows: ratings, excursion limits, what a ladder cannot make, what is not known without a module.
Must not know: how steps are resolved, links, files.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from controller.errors import InputError, Problem
from controller.ladder.electrical import open_state, short_state, state_ohms
from controller.ladder.loading import overloads, state_loading
from controller.ladder.model import Ladder
from controller.ladder.search import NearestSearch
from controller.measurement.budget import Budget, ratio_warning, uncertainty_ratio
from controller.module.model import Module
from controller.planning.model import ResolvedStep, StepKind
from controller.planning.plan import Plan, Target
from controller.units import format_ohms

__all__ = [
    "deviation_warnings",
    "excursion_problems",
    "extreme_problems",
    "filtered_problems",
    "missing_module_warnings",
    "rating_problems",
    "ratio_warnings",
]

SHORT_AT_MOST_OHMS = 20.0
"""What a ladder without a shorting relay may leave and still call a short."""


def _problem(plan: Plan, index: int, message: str, hint: str | None = None) -> Problem:
    return Problem(message=f"step {index + 1}: {message}", where=str(plan.path), hint=hint)


def extreme_problems(plan: Plan, targets: Sequence[Target], ladder: Ladder) -> Iterator[Problem]:
    """Yield what this ladder cannot make: a true open, or a short."""
    first = {target.kind: index for index, target in reversed(list(enumerate(targets)))}
    for kind, make in ((StepKind.OPEN, open_state), (StepKind.SHORT, short_state)):
        if kind not in first:
            continue
        try:
            ohms = state_ohms(ladder, make(ladder, base=ladder.park_state))
        except InputError as error:
            for problem in error.problems:
                yield _problem(plan, first[kind], problem.message, problem.hint)
            continue
        if kind is StepKind.SHORT and ohms > SHORT_AT_MOST_OHMS:
            yield _problem(
                plan,
                first[kind],
                f"the ladder leaves {format_ohms(ohms)} and cannot make a short circuit",
                "bridge by hand, or add a short relay",
            )


def rating_problems(
    plan: Plan, passed: Sequence[Sequence[int]], ladder: Ladder, module: Module | None
) -> Iterator[Problem]:
    """Yield every rating that the module's input would exceed at any moment of the run.

    `passed` has the states that each step may pass through.
    """
    if module is None or _harmless(ladder, module):
        return
    checked: set[int] = set()
    said: set[str] = set()
    for index, states in enumerate(passed):
        for state in states:
            if state in checked:
                continue
            checked.add(state)
            loading = state_loading(
                ladder,
                state,
                reference_volts=module.reference_volts,
                pullup_ohms=module.lowest_pullup_ohms,
            )
            for sentence in overloads(ladder, loading):
                if sentence not in said:
                    said.add(sentence)
                    yield _problem(
                        plan,
                        index,
                        sentence,
                        "use a ladder rated for this input, or leave the step out",
                    )


def _harmless(ladder: Ladder, module: Module) -> bool:
    """Return whether no state at all could exceed a rating.

    No part carries more than Vref/Rp, and none takes more than Vref^2/(4 Rp), the most that
    any resistance can draw from behind the pull-up.
    """
    volts, pullup = module.reference_volts, module.lowest_pullup_ohms
    watts = [rung.power_watts for group in ladder.groups for rung in group.rungs]
    stated = [one for one in (*watts, ladder.fixed_power_watts) if one is not None]
    most_amperes = ladder.max_current_amperes
    return volts**2 / (4.0 * pullup) <= min(stated, default=math.inf) and (
        most_amperes is None or volts / pullup <= most_amperes
    )


def excursion_problems(
    plan: Plan,
    steps: Sequence[ResolvedStep],
    would_help: Callable[[ResolvedStep], str],
) -> Iterator[Problem]:
    """Yield the steps whose best path strays further than the plan allows.

    `would_help` says what would help one of them; it is asked about the worst.
    """
    limit = plan.max_excursion_celsius
    worst = max(steps, key=lambda step: step.excursion_celsius or 0.0, default=None)
    for step in steps:
        if limit is not None and (step.excursion_celsius or 0.0) > limit:
            yield _problem(
                plan,
                step.index,
                f"switching there strays {step.excursion_celsius:.1f} degC, more than"
                f" max_excursion_celsius = {limit:g}",
                would_help(step) if step is worst else None,
            )


def filtered_problems(
    plan: Plan, steps: Sequence[ResolvedStep], module: Module | None, *, step_ms: int
) -> Iterator[Problem]:
    """Yield the steps of which the module's filter leaves more excursion than the plan allows.

    Unlike the excursion itself that depends on how long each state stands: `step_ms` on a link
    whose every change the host times.
    """
    limit = plan.max_filtered_excursion_celsius
    if limit is None:
        return
    if module is None:
        yield Problem(
            message="needs to know the module's input",
            where=str(plan.path),
            key="max_filtered_excursion_celsius",
            hint='name it in the plan: module = "modules/..."',
        )
    slow = f"; each change takes {step_ms} ms on this link" if step_ms else ""
    for step in steps:
        strays = step.filtered_excursion_celsius or 0.0
        if strays > limit:
            yield _problem(
                plan,
                step.index,
                f"after the module's filter switching there strays {strays:.2f} degC, more than"
                f" max_filtered_excursion_celsius = {limit:g}{slow}",
                "a quicker link, smaller steps or a ladder whose rungs grow more slowly lower it",
            )


def deviation_warnings(
    plan: Plan, steps: Sequence[ResolvedStep], search: NearestSearch
) -> Iterator[str]:
    """Yield a sentence for each target that the ladder does not really reach."""
    for step in steps:
        made, wanted, ohms = step.achieved_celsius, step.target_celsius, step.target_ohms
        if made is None or wanted is None or ohms is None:
            continue
        reached = search.least_ohms <= ohms <= search.most_ohms
        # Beyond the ladder's ends the tolerance excuses nothing: another target is what it takes.
        allowed = max(step.uncertainty_celsius, plan.deviation_celsius or 0.0)
        if reached:
            allowed = max(allowed, plan.tolerance_at(wanted))
        if abs(made - wanted) <= allowed:
            continue
        why = "" if reached else f", beyond what ladder {search.ladder.name!r} reaches"
        yield (
            f"step {step.index + 1}: {wanted:g} degC ({format_ohms(ohms)}) cannot be made{why};"
            f" the nearest is {made:.1f} degC ({format_ohms(step.achieved_ohms)}),"
            f" {made - wanted:+.1f} degC off"
        )


def missing_module_warnings(steps: Sequence[ResolvedStep]) -> Iterator[str]:
    """Yield what cannot be known because no module file is named."""
    kinds = {step.kind for step in steps}
    yield "no module file is named: the resolution of its report is not in the uncertainty"
    if StepKind.SHORT in kinds:
        yield "no module file is named: short-circuit current and power are not known"
    if kinds & {StepKind.OPEN, StepKind.SHORT}:
        yield "no module file is named: what it reports on open and short is not known"


def ratio_warnings(steps: Sequence[ResolvedStep], budgets: Sequence[Budget]) -> Iterator[str]:
    """Yield one sentence when tolerances are small against the uncertainty, for the worst step."""
    judged = [
        (uncertainty_ratio(step.tolerance_celsius, budget.expanded_celsius), step, budget)
        for step, budget in zip(steps, budgets, strict=True)
        if step.tolerance_celsius is not None
    ]
    poor = [
        (ratio, step, sentence)
        for ratio, step, budget in judged
        if (sentence := ratio_warning(step.tolerance_celsius or 0.0, budget)) is not None
    ]
    if poor:
        _, step, sentence = min(poor, key=lambda entry: entry[0])
        yield f"at {len(poor)} of {len(steps)} steps, most at step {step.index + 1}: {sentence}"
