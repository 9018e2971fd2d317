"""What comes of a run, for programs. Reached through `rungwise` alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from controller.bench.model import BenchFile
from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.module.model import Module
from controller.planning.model import ResolvedPlan
from controller.planning.plan import Plan
from controller.records.decode import plan_of, results_of
from controller.records.inputs import inputs_of
from controller.records.reader import Record, load_record
from controller.run.model import Ending, StepResult
from controller.run.summary import result_words, run_verdict, step_words, summarize
from rungwise._files import AnyPath
from rungwise._given import path_given, wrong

__all__ = ["Result", "describe", "result_of"]


@dataclass(frozen=True, kw_only=True)
class Result:
    """A run: its verdict, the sentence that says why, and what came of each step.

    `verdict` is the worst of the steps' (fail, undecided, pass); a run that was not completed
    never passes. `steps` has the result that counts of each step that was run. `ended` is None
    for a record that was cut off. `fault` is what the link or the readback said when one of them
    failed, and what was known of the relays then. `record` is the file that was left, if any.
    `resolved` is the plan with everything decided, `warnings` are sentences about plan and bench.
    """

    verdict: Verdict
    sentence: str
    ended: Ending | None
    fault: str | None = None
    record: Path | None = None
    warnings: tuple[str, ...] = ()
    steps: tuple[StepResult, ...] = field(repr=False)
    resolved: ResolvedPlan = field(repr=False)
    plan: Plan = field(repr=False)
    bench: BenchFile = field(repr=False)

    @property
    def module(self) -> Module | None:
        """The module at the other end, when plan or bench describe it."""
        return self.plan.module or self.bench.module

    @property
    def not_passed(self) -> tuple[StepResult, ...]:
        """The steps that failed or stayed undecided, in the order of the plan."""
        return tuple(step for step in self.steps if step.verdict is not Verdict.PASS)


def describe(step: StepResult) -> str:
    """Say what came of one step: number, what was at the input, verdict, and why.

    ``step 7, 40.0 degC: fail, reported 30.0 where 40.0 degC was expected (error -10.0, ...)``.
    Raises InputError for what is no StepResult.
    """
    if not isinstance(step, StepResult):
        raise wrong("must be a StepResult", step, "step")
    why = "" if step.reason is None else f"{step.reason.value}; "
    return (
        f"step {step.step.index + 1}, {step_words(step.step)}: {step.verdict.value}, {why}"
        f"{result_words(step)}"
    )


def result_of(record: Record | AnyPath) -> Result:
    """Return what came of a recorded run, as `run` would have returned it.

    Raises InputError when the record is damaged or was not made from a plan.
    """
    if not isinstance(record, Record):
        record = load_record(path_given(record, "record"))
    inputs, resolved, steps = inputs_of(record), plan_of(record), results_of(record)
    closing = record.closing
    if closing is None:
        cut = summarize(resolved, steps, ended=Ending.STOPPED, relays=RelayKnowledge.UNKNOWN)
        verdict, ended, fault = cut.verdict, None, None
        sentence = f"The record was cut off. {cut.sentence}"
    else:
        verdict, ended = Verdict(closing["verdict"]), Ending(closing["ended"])
        fault = _fault_of(record) if ended is Ending.FAULT else None
        verdict = run_verdict(verdict, ended)  # versions before this one let such a run pass
        sentence = str(closing["sentence"])
        if fault is not None:
            sentence = f"{fault}. {sentence}"
    return Result(
        verdict=verdict,
        sentence=sentence,
        ended=ended,
        fault=fault,
        record=record.path,
        warnings=resolved.warnings,
        steps=steps,
        resolved=resolved,
        plan=inputs.plan,
        bench=inputs.bench,
    )


def _fault_of(record: Record) -> str | None:
    """Return what failed last, and what was known of the relays then."""
    faults = [line for line in record.lines if line["type"] == "fault"]
    return f"{faults[-1]['message']}; {faults[-1]['relays']}" if faults else None
