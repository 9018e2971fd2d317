from __future__ import annotations

from dataclasses import replace

import pytest

from controller.errors import RelayKnowledge
from controller.measurement.model import DecisionRule, Verdict
from controller.planning.model import StepKind
from controller.readback.base import Reading
from controller.run.judging import judge_reported, judge_step, skipped
from controller.run.model import Ending, Reason
from controller.run.summary import prompt_text, step_words, summarize

PARKED = RelayKnowledge.PARKED


@pytest.fixture
def judged(fakes):
    plan = fakes.plain_plan(4)

    def results(*errors: float | None):
        return plan, [
            judge_step(
                step,
                DecisionRule.SIMPLE,
                None
                if error is None
                else Reading(token=1, celsius=step.expected_celsius + error, at_s=0.0),
                attempt=1,
                settled=True,
                settle_s=1.0,
            )
            for step, error in zip(plan.steps, errors, strict=False)
        ]

    return results


@pytest.mark.parametrize(
    ("errors", "verdict", "sentence"),
    [
        (
            (0.1, -0.4, 0.2, 0.0),
            Verdict.PASS,
            (
                "All 4 steps passed; largest error at 20.0 degC: reported 19.6 where 20.0 degC was"
                " expected (error -0.4, uncertainty 0.50, tolerance 2)."
            ),
        ),
        (
            (0.1, -4.0, -5.0, 0.0),
            Verdict.FAIL,
            (
                "2 of 4 steps failed, the module reads too cold, most at 30.0 degC: reported 25.0"
                " where 30.0 degC was expected (error -5.0, uncertainty 0.50, tolerance 2)."
            ),
        ),
        (
            (4.0, -4.5, 0.0, None),
            Verdict.FAIL,
            (
                "2 of 4 steps failed, most at 20.0 degC: reported 15.5 where 20.0 degC was expected"
                " (error -4.5, uncertainty 0.50, tolerance 2); 1 more undecided."
            ),
        ),
        (
            (0.0, None, 0.0, 0.0),
            Verdict.UNDECIDED,
            "1 of 4 steps undecided (no reading), the others passed.",
        ),
        ((None,) * 4, Verdict.UNDECIDED, "All 4 steps undecided (no reading)."),
    ],
)
def test_a_complete_run_in_one_sentence(judged, errors, verdict, sentence):
    plan, results = judged(*errors)
    summary = summarize(plan, results, ended=Ending.COMPLETE, relays=PARKED)
    assert (summary.verdict, summary.sentence) == (verdict, sentence)
    assert summary.passed + summary.failed + summary.undecided == 4


def test_a_run_that_was_cut_short_says_so_and_never_passes(judged):
    plan, results = judged(0.0, 0.0)
    summary = summarize(plan, results, ended=Ending.STOPPED, relays=PARKED)
    assert summary.verdict is Verdict.UNDECIDED
    assert summary.not_run == 2
    assert summary.sentence.startswith(
        "Stopped with 2 steps not run; the ladder is parked. Up to there: all 2 steps passed;"
    )
    fault = summarize(plan, [], ended=Ending.FAULT, relays=RelayKnowledge.UNKNOWN)
    assert fault.sentence == (
        "Ended by a fault with 4 steps not run; the relay state is unknown."
        " Up to there: nothing was judged."
    )


def test_a_run_begun_in_the_middle_misses_only_what_was_to_come(judged):
    plan, results = judged(0.0, 0.0, 0.0, 0.0)
    later = replace(plan, first_step=2)
    assert summarize(later, results[2:], ended=Ending.COMPLETE, relays=PARKED).not_run == 0


def test_codes_nobody_asked_for_are_named_where_they_came_up(judged):
    plan, results = judged(0.0, 0.0, 0.0, 0.0)
    low, high = "low circuit", "high circuit"
    told = [
        replace(result, codes=codes)
        for result, codes in zip(results, [(high,), (high,), (high, low), (high, low)], strict=True)
    ]
    said = summarize(plan, told, ended=Ending.COMPLETE, relays=PARKED).sentence
    assert said.endswith(
        "; the module set low circuit at step 3 although no open or short circuit was set."
    )
    short = replace(told[2], step=replace(told[2].step, kind=StepKind.SHORT))
    said = summarize(
        plan, [*told[:2], short, told[3]], ended=Ending.COMPLETE, relays=PARKED
    ).sentence
    assert "the module set" not in said


def test_what_numbers_do_not_say_has_a_reason(fakes):
    [step] = fakes.plain_plan(1).steps
    rule = DecisionRule.SIMPLE
    assert judge_reported(step, rule, None, settled=True) == (
        None,
        Verdict.UNDECIDED,
        Reason.NO_READING,
    )
    unknown = replace(step, expected_celsius=None)
    assert judge_reported(unknown, rule, 5.0, settled=True) == (
        None,
        Verdict.UNDECIDED,
        Reason.NOT_EXPECTED,
    )
    for reported, verdict in ((10.0, Verdict.UNDECIDED), (15.0, Verdict.FAIL)):
        assert judge_reported(step, rule, reported, settled=False) == (
            reported - 10.0,
            verdict,
            Reason.UNSETTLED,
        )
    gone = skipped(step, 3)
    assert (gone.attempt, gone.verdict, gone.reason) == (3, Verdict.UNDECIDED, Reason.SKIPPED)


def test_steps_are_named_the_way_people_do(fakes):
    [step] = fakes.plain_plan(1).steps
    assert step_words(step) == "10.0 degC"
    assert step_words(replace(step, kind=StepKind.SHORT, target_celsius=None)) == "short circuit"
    assert prompt_text(step, 7).startswith("Step 1 of 7, 10.0 degC, 100.00 ohm:")
