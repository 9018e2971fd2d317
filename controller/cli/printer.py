"""A run as people see it: a line that moves while it runs, a table and a sentence at its end.

Knows: events and results, and how they are put into words and columns.
Must not know: how runs are made, JSON.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from controller.measurement.verdict import risk_words
from controller.planning.model import ResolvedPlan, ResolvedStep
from controller.planning.operations import step_operations
from controller.run.events import (
    Event,
    FaultRaised,
    Looked,
    NoteMade,
    ReadingSeen,
    RunStarted,
    StepFinished,
    StepStarted,
    StepStood,
    StepTimed,
)
from controller.run.model import StepResult
from controller.text import number, ohms, one_line

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["ProgressPrinter", "bar", "say_budget", "say_paths", "say_plan", "say_results"]

_BAR_CELLS = 24


class ProgressPrinter:
    """An event sink that shows how far a run is.

    On a terminal one line moves, unless `asking` says that a person is typing below it; elsewhere
    each finished step is a line of its own. Both go to standard error.
    """

    def __init__(self, output: Output, *, asking: bool) -> None:
        self._output = output
        self._moving = output.live and not asking
        self._count = 0
        self._names: tuple[str, ...] = ("",)
        self._step: ResolvedStep | None = None
        self._reported: float | None = None

    def take(self, event: Event) -> None:
        """Show an event."""
        match event:
            case RunStarted():
                self._count = len(event.plan.steps)
                self._names = tuple(one.input for one in event.plan.inputs)
                self._line(f"Driving {event.device_name}: {event.plan.name}")
            case StepStarted():
                self._step, self._reported = event.step, None
                self._show()
            case ReadingSeen():
                if event.input == 1:
                    self._reported = event.celsius
                    self._show()
            case StepFinished():
                if not self._moving and not self._output.json:
                    self._output.warn(self._finished(event.result))
            case StepStood():
                if not self._moving and not self._output.json and self._step is not None:
                    self._output.warn(
                        f"step {event.step_index + 1}/{self._count}:"
                        f" {_words(self._output, self._step)}, stood {event.stood_s:.1f} s"
                    )
            case Looked():
                if not self._moving and not self._output.json:
                    seen = "seen" if event.seen else "not seen"
                    self._output.warn(
                        f"{self._output.temperature(event.celsius)} {self._output.degrees}: {seen}"
                    )
            case StepTimed():
                if event.late:
                    self._line(
                        f"Note: step {event.step_index + 1} was due at {event.planned_s:.2f} s"
                        f" and set at {event.set_s:.2f} s"
                    )
            case NoteMade():
                self._line(f"Note: {event.text}")
            case FaultRaised():
                self._line(f"Fault: {event.message}; {event.relays.value}")
            case _:
                pass

    def end(self) -> None:
        """Clear the moving line."""
        if self._moving:
            self._output.end_progress()

    def _line(self, text: str) -> None:
        self.end()
        self._output.warn(one_line(text))

    def _show(self) -> None:
        if self._moving and self._step is not None:
            step, unit = self._step, self._output.degrees
            reported = self._output.temperature(self._reported, 1)
            self._output.progress(
                f"{bar(step.index, self._count)} step {step.index + 1} of {self._count}:"
                f" {_words(self._output, step)}, reported {reported} {unit}"
            )

    def _finished(self, result: StepResult) -> str:
        each = (result,) if result.second is None else (result, result.second)
        said = "; ".join(
            f"{f'{name} ' if name else ''}{self._came_to(one)}"
            for name, one in zip(self._names, each, strict=False)
        )
        return f"step {result.step.index + 1}/{self._count}: {said}"

    def _came_to(self, result: StepResult) -> str:
        output = self._output
        return (
            f"{_words(output, result.step)},"
            f" reported {output.temperature(result.reported_celsius, 1)},"
            f" error {output.difference(result.error_celsius, 2, sign=True)},"
            f" {result.verdict.value}{f' ({result.reason.value})' if result.reason else ''}"
        )


def bar(done: int, count: int) -> str:
    """Return a progress bar in plain characters."""
    filled = _BAR_CELLS * done // max(count, 1)
    return f"[{'#' * filled}{'.' * (_BAR_CELLS - filled)}]"


def say_plan(output: Output, plan: ResolvedPlan, operations_per_relay: Sequence[int]) -> None:
    """Print what a plan would set, and how often each relay of the ladder moves for it."""
    output.say(
        f"{plan.name} ({plan.kind}, {len(plan.steps)} steps, {risk_words(plan.decision_rule)})"
    )
    unit = output.degrees
    output.say_table(
        [
            "step",
            f"target {unit}",
            "state",
            "makes ohm",
            f"makes {unit}",
            "U (k=2)",
            "excursion",
            "filtered",
            "moves",
        ],
        [
            [
                str(step.index + 1),
                _target(output, step),
                plan.format_state(step.state),
                ohms(step.achieved_ohms),
                output.temperature(step.achieved_celsius, 3),
                output.difference(step.shown_uncertainty_celsius, 3),
                output.difference(step.excursion_celsius, 2),
                output.difference(step.filtered_excursion_celsius, 2),
                str(moved),
            ]
            for step, moved in zip(plan.steps, step_operations(plan), strict=True)
        ],
    )
    worst = output.difference(plan.worst_excursion_celsius, 2)
    strays = f"Worst excursion {worst} {unit}"
    if plan.lower_bound_celsius is not None:
        strays += f", no order can do better than {output.difference(plan.lower_bound_celsius, 2)}"
    left = [step.filtered_excursion_celsius for step in plan.steps[plan.first_step :]]
    known = [value for value in left if value is not None]
    if known:
        filtered = output.difference(max(known), 2)
        strays += f", {filtered} {unit} after the module's input filter"
    output.say(f"{strays}; {plan.relay_operations} relay operations.")
    moved_most = ", ".join(
        f"{relay}: {count}" for relay, count in enumerate(operations_per_relay) if count
    )
    output.say(f"Operations by relay: {moved_most or 'none'}.")


def say_budget(output: Output, plan: ResolvedPlan) -> None:
    """Print each step's contributions to its uncertainty, the whole, and how it compares."""
    unit = output.degrees
    names = list(dict.fromkeys(part.name for step in plan.steps for part in step.budget))
    output.say(
        f"What the uncertainty is made of, standard (k = 1) in {unit}; U and tolerance last:"
    )
    rows = []
    for step in plan.steps:
        parts = {part.name: part.celsius for part in step.budget}
        ratio = (
            step.tolerance_celsius / step.uncertainty_celsius
            if step.tolerance_celsius is not None and step.uncertainty_celsius > 0
            else None
        )
        rows.append(
            [
                str(step.index + 1),
                _target(output, step),
                *(output.difference(parts.get(name), 3) for name in names),
                output.difference(step.shown_uncertainty_celsius, 3),
                output.difference(step.tolerance_celsius, 2),
                number(ratio, 1),
            ]
        )
    output.say_table(["step", f"target {unit}", *names, "U", "tolerance", "ratio"], rows)


def say_paths(output: Output, plan: ResolvedPlan) -> None:
    """Print each step's path: the states in order, each with how long it is held."""
    for step in plan.steps:
        hops = [f"{plan.format_state(hop.state)} {hop.hold_ms} ms" for hop in step.path]
        output.say(f"step {step.index + 1}: {', '.join(hops) or 'nothing moves'}")


def say_results(output: Output, plan: ResolvedPlan, results: Sequence[StepResult]) -> None:
    """Print what came of each step, at each input in turn."""
    if plan.second is None:
        _say_results(output, plan, results)
        return
    of_second = [one.second for one in results if one.second is not None]
    for one, each in ((plan, results), (plan.second, of_second)):
        output.say(f"{one.input}:")
        _say_results(output, one, each)


def _say_results(output: Output, plan: ResolvedPlan, results: Sequence[StepResult]) -> None:
    unit = output.degrees
    output.say_table(
        [
            "step",
            f"target {unit}",
            "state",
            "ohm",
            "expected",
            "reported",
            "error",
            "U (k=2)",
            "tolerance",
            "verdict",
            "",
        ],
        [
            [
                str(result.step.index + 1),
                _target(output, result.step),
                plan.format_state(result.step.state),
                ohms(result.step.achieved_ohms),
                output.temperature(result.step.expected_celsius),
                output.temperature(result.reported_celsius),
                output.difference(result.error_celsius, sign=True),
                output.difference(result.step.shown_uncertainty_celsius),
                output.difference(result.step.tolerance_celsius),
                result.verdict.value,
                "; ".join(
                    filter(
                        None,
                        [result.reason.value if result.reason else None, ", ".join(result.codes)],
                    )
                ),
            ]
            for result in results
        ],
    )


def _words(output: Output, step: ResolvedStep) -> str:
    unit = "circuit" if step.target_celsius is None else output.degrees
    return f"{_target(output, step, 1)} {unit}"


def _target(output: Output, step: ResolvedStep, digits: int = 2) -> str:
    if step.target_celsius is None:
        return step.kind.value
    return output.temperature(step.target_celsius, digits)
