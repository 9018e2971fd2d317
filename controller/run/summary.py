"""A run in one sentence, and what a person is asked."""

from __future__ import annotations

from collections.abc import Sequence

from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.measurement.verdict import worst_verdict
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.run.model import Ending, Reason, RunSummary, StepResult
from controller.units import format_ohms

__all__ = [
    "broken_off",
    "headline",
    "look_summary",
    "nudge_text",
    "prompt_text",
    "result_words",
    "run_verdict",
    "step_words",
    "summarize",
]


def headline(verdict: Verdict, ended: Ending) -> str:
    """Return the word that stands before the sentence of a run's end.

    A fault comes before any verdict: what is known of the relays matters more than what was read.
    """
    return "fault" if ended is Ending.FAULT else verdict.value


def run_verdict(verdict: Verdict, ended: Ending) -> Verdict:
    """Return what a run comes to whose readings alone say `verdict`.

    A run that was not completed never passes, even if only parking was left to do.
    """
    if ended is not Ending.COMPLETE and verdict is Verdict.PASS:
        return Verdict.UNDECIDED
    return verdict


def broken_off(ended: Ending, relays: RelayKnowledge, how_far: str, sentence: str) -> str:
    """Return the sentence of a run: where it broke off that comes first, and the relays."""
    if ended is Ending.COMPLETE:
        return f"{sentence}."
    how = "Stopped" if ended is Ending.STOPPED else "Ended by a fault"
    return f"{how} {how_far}; {relays.value}. Up to there: {_lower(sentence)}."


def step_words(step: ResolvedStep) -> str:
    """Name what a step puts at the input: ``20.0 degC``, ``open circuit``, ``short circuit``."""
    if step.kind is StepKind.TEMPERATURE and step.target_celsius is not None:
        return f"{step.target_celsius:.1f} degC"
    return f"{step.kind.value} circuit"


def prompt_text(step: ResolvedStep, steps: int) -> str:
    """Ask for the reading of one step."""
    made = f", {format_ohms(step.achieved_ohms)}" if step.kind is StepKind.TEMPERATURE else ""
    return (
        f"Step {step.index + 1} of {steps}, {step_words(step)}{made}:"
        " wait until it is steady; what temperature does the module report?"
    )


def nudge_text(step: ResolvedStep, ohms: float, celsius: float | None) -> str:
    """Say what is at the input in place of a step's value, and that nothing is judged there."""
    made = "" if celsius is None else f" = {celsius:.1f} degC"
    return f"nudged beside step {step.index + 1}: {format_ohms(ohms)}{made}, not judged"


def result_words(result: StepResult) -> str:
    """Say in numbers what a step came to: reported, expected, error, uncertainty, tolerance."""
    step = result.step
    if result.reported_celsius is None or step.expected_celsius is None:
        return (result.reason or Reason.NO_READING).value
    limit = "" if step.tolerance_celsius is None else f", tolerance {step.tolerance_celsius:g}"
    unsure = f"uncertainty {step.uncertainty_celsius:.2f}"
    return (
        f"reported {result.reported_celsius:.1f} where {step.expected_celsius:.1f} degC was"
        f" expected (error {_error(result):+.1f}, {unsure}{limit})"
    )


def summarize(
    plan: ResolvedPlan,
    results: Sequence[StepResult],
    *,
    ended: Ending,
    relays: RelayKnowledge,
    new_codes: tuple[str, ...] = (),
) -> RunSummary:
    """Return the end of a run. `results` holds the one that counts of each step judged.

    `new_codes` came up between the time before the run and the time after it.

    A run that was not completed never passes: what it did not run is undecided.
    """
    not_run = len(plan.steps) - plan.first_step - len(results)
    verdicts = [result.verdict for result in results]
    verdict = worst_verdict(verdicts)
    if not_run and verdict is Verdict.PASS:
        verdict = Verdict.UNDECIDED
    return RunSummary(
        verdict=run_verdict(verdict, ended),
        ended=ended,
        passed=verdicts.count(Verdict.PASS),
        failed=verdicts.count(Verdict.FAIL),
        undecided=verdicts.count(Verdict.UNDECIDED),
        unsettled=sum(result.reason is Reason.UNSETTLED for result in results),
        not_run=not_run,
        relays=relays,
        sentence=_sentence(
            results, ended=ended, not_run=not_run, relays=relays, new_codes=new_codes
        ),
        new_codes=new_codes,
    )


def _sentence(
    results: Sequence[StepResult],
    *,
    ended: Ending,
    not_run: int,
    relays: RelayKnowledge,
    new_codes: tuple[str, ...],
) -> str:
    found = _found(results) + _codes(results) + _new(new_codes)
    how_far = f"with {_count(not_run, 'step')} not run" if not_run else "after the last step"
    return broken_off(ended, relays, how_far, found)


def _found(results: Sequence[StepResult]) -> str:
    if not results:
        return "Nothing was judged"
    failed = [r for r in results if r.verdict is Verdict.FAIL]
    undecided = [r for r in results if r.verdict is Verdict.UNDECIDED]
    if failed:
        worst = max(failed, key=_error_size)
        said = f"{len(failed)} of {_count(len(results), 'step')} failed{_leaning(failed)}"
        return f"{said}, most at {step_words(worst.step)}: {result_words(worst)}{_also(undecided)}"
    if undecided:
        reasons = sorted({_why(r) for r in undecided})
        return (
            f"{len(undecided)} of {_count(len(results), 'step')} undecided"
            f" ({'; '.join(reasons)}), the others passed"
            if len(undecided) < len(results)
            else f"All {_count(len(results), 'step')} undecided ({'; '.join(reasons)})"
        )
    worst = max(results, key=_error_size)
    all_of = "The one step" if len(results) == 1 else f"All {len(results)} steps"
    return f"{all_of} passed; largest error at {step_words(worst.step)}: {result_words(worst)}"


def _codes(results: Sequence[StepResult]) -> str:
    """Name the codes that came up at a temperature, where a healthy module sets none.

    An open or short step sets codes as it should; those stay set and are not news afterwards.
    Codes of the first step are not news either: a parked ladder is an open circuit.
    """
    known = set(results[0].codes) if results else set()
    said: list[str] = []
    for result in results[1:]:
        fresh = [code for code in result.codes if code not in known]
        known.update(fresh)
        if fresh and result.step.kind is StepKind.TEMPERATURE:
            said.append(f"{' and '.join(fresh)} at step {result.step.index + 1}")
    return (
        f"; the module set {', '.join(said)} although no open or short circuit was set"
        if said
        else ""
    )


def _new(codes: tuple[str, ...]) -> str:
    """Name the codes that the module did not hold before the run."""
    return f"; new in the module since before the run: {', '.join(codes)}" if codes else ""


def _why(undecided: StepResult) -> str:
    return undecided.reason.value if undecided.reason else "too near the limit to tell"


def _leaning(failed: Sequence[StepResult]) -> str:
    """Say which way the module errs, when it errs one way at every failed temperature."""
    errors = [
        r.error_celsius
        for r in failed
        if r.error_celsius is not None and r.step.kind is StepKind.TEMPERATURE
    ]
    if len(errors) < 2:
        return ""
    if all(error < 0 for error in errors):
        return ", the module reads too cold"
    if all(error > 0 for error in errors):
        return ", the module reads too hot"
    return ""


def _also(undecided: Sequence[StepResult]) -> str:
    return f"; {len(undecided)} more undecided" if undecided else ""


def _error(result: StepResult) -> float:
    return result.error_celsius or 0.0


def _error_size(result: StepResult) -> float:
    return abs(_error(result))


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def look_summary(
    verdict: Verdict, ending: Ending, relays: RelayKnowledge, sentence: str
) -> RunSummary:
    """Return the end of a run without steps, which comes to one verdict."""
    verdict = run_verdict(verdict, ending)
    said = f"{sentence}; {relays.value}" if ending is Ending.COMPLETE else sentence
    return RunSummary(
        verdict=verdict,
        ended=ending,
        passed=int(verdict is Verdict.PASS),
        failed=int(verdict is Verdict.FAIL),
        undecided=int(verdict is Verdict.UNDECIDED),
        unsettled=0,
        not_run=0,
        relays=relays,
        sentence=broken_off(ending, relays, "before the end", said),
    )
