"""A run in one sentence, and what a person is asked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.measurement.verdict import worst_verdict
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.run.model import Ending, Reason, RunSummary, StepResult
from controller.units import format_ohms

__all__ = [
    "broken_off",
    "headline",
    "known_words",
    "look_summary",
    "nudge_text",
    "prompt_text",
    "result_words",
    "run_verdict",
    "step_words",
    "summarize",
    "with_relays",
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


def broken_off(ended: Ending, known: str, how_far: str, sentence: str) -> str:
    """Return the sentence of a run: where it broke off that comes first, and the relays.

    `known` says what is known of them.
    """
    if ended is Ending.COMPLETE:
        return f"{sentence}."
    how = "Stopped" if ended is Ending.STOPPED else "Ended by a fault"
    return f"{how} {how_far}; {known}. Up to there: {_lower(sentence)}."


def known_words(each: Iterable[tuple[str, RelayKnowledge]]) -> str:
    """Say what is known of the relays of each ladder: by name, but for one that has none."""
    return ", ".join(f"{name}: {known.value}" if name else known.value for name, known in each)


def with_relays(said: str, relays: RelayKnowledge) -> str:
    """Say of the end of a run what came of it, and then what is known of the relays."""
    return f"{said}; {relays.value}"


def step_words(step: ResolvedStep) -> str:
    """Name what a step puts at the input: ``20.0 degC``, ``open circuit``, ``short circuit``."""
    if step.kind is StepKind.TEMPERATURE and step.target_celsius is not None:
        return f"{step.target_celsius:.1f} degC"
    return f"{step.kind.value} circuit"


def prompt_text(step: ResolvedStep, steps: int, name: str = "") -> str:
    """Ask for the reading of one step, of the input of that name where there are two."""
    made = f", {format_ohms(step.achieved_ohms)}" if step.kind is StepKind.TEMPERATURE else ""
    whose = f"{name}, " if name else ""
    asked = f"what temperature does the module report{f' for {name}' if name else ''}?"
    return (
        f"Step {step.index + 1} of {steps}, {whose}{step_words(step)}{made}:"
        f" wait until it is steady; {asked}"
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
    own = step.shown_uncertainty_celsius
    unsure = "" if own is None else f", uncertainty {own:.2f}"
    return (
        f"reported {result.reported_celsius:.1f} where {step.expected_celsius:.1f} degC was"
        f" expected (error {_error(result):+.1f}{unsure}{limit})"
    )


def summarize(
    plan: ResolvedPlan,
    results: Sequence[StepResult],
    *,
    ended: Ending,
    relays: RelayKnowledge,
    new_codes: tuple[str, ...] = (),
    relays_of: tuple[RelayKnowledge, ...] = (),
) -> RunSummary:
    """Return the end of a run. `results` holds the one that counts of each step judged.

    `new_codes` came up between the time before the run and the time after it; `relays_of` is what
    is known of each ladder, where there are two.

    A run that was not completed never passes: what it did not run is undecided.
    """
    not_run = len(plan.steps) - plan.first_step - len(results)
    verdicts = [result.whole_verdict for result in results]
    verdict = worst_verdict(verdicts)
    if not_run and verdict is Verdict.PASS:
        verdict = Verdict.UNDECIDED
    return RunSummary(
        verdict=run_verdict(verdict, ended),
        ended=ended,
        passed=verdicts.count(Verdict.PASS),
        failed=verdicts.count(Verdict.FAIL),
        undecided=verdicts.count(Verdict.UNDECIDED),
        unsettled=sum(
            Reason.UNSETTLED in (one.reason, None if one.second is None else one.second.reason)
            for one in results
        ),
        not_run=not_run,
        relays=relays,
        sentence=broken_off(
            ended,
            _known(plan, relays, relays_of),
            f"with {_count(not_run, 'step')} not run" if not_run else "after the last step",
            _found_in(plan, results) + _new(new_codes),
        ),
        new_codes=new_codes,
        relays_of=relays_of,
    )


def _known(
    plan: ResolvedPlan, relays: RelayKnowledge, relays_of: tuple[RelayKnowledge, ...]
) -> str:
    """Say what is known of the relays, of each input by name where the run has two."""
    if plan.second is None or not relays_of:
        return relays.value
    return known_words(zip((plan.input, plan.second.input), relays_of, strict=True))


def _found_in(plan: ResolvedPlan, results: Sequence[StepResult]) -> str:
    """Say what was found: of each input by name where the run has two, the worse one first."""
    if plan.second is None or not results:
        return _found(results) + _codes(results)
    of_second = [one.second for one in results if one.second is not None]
    said = [
        (
            _RANKS[worst_verdict(one.verdict for one in each)],
            f"{name}: {_lower(_found(each) + _codes(each))}",
        )
        for name, each in ((plan.input, results), (plan.second.input, of_second))
    ]
    apart = [one for one in of_second if one.reason is Reason.DISAGREE]
    sentences = [text for _, text in sorted(said, key=lambda one: one[0])]
    if apart:
        worst = max(apart, key=lambda one: abs(one.difference_celsius or 0.0))
        sentences.append(
            f"the inputs disagree at {_count(len(apart), 'step')}, most at step"
            f" {worst.step.index + 1} by {worst.difference_celsius or 0.0:+.1f} degC"
        )
    return "; ".join(sentences)


_RANKS = {Verdict.FAIL: 0, Verdict.UNDECIDED: 1, Verdict.PASS: 2}
"""The order in which two inputs are told of."""


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
    said = with_relays(sentence, relays) if ending is Ending.COMPLETE else sentence
    return RunSummary(
        verdict=verdict,
        ended=ending,
        passed=int(verdict is Verdict.PASS),
        failed=int(verdict is Verdict.FAIL),
        undecided=int(verdict is Verdict.UNDECIDED),
        unsettled=0,
        not_run=0,
        relays=relays,
        sentence=broken_off(ending, relays.value, "before the end", said),
    )
