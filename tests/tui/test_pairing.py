"""Two runs side by side: what belongs together, and in which words a difference is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.clock import VirtualClock
from controller.planning.model import ResolvedStep, StepKind
from controller.records.compare import Difference
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.session.jobs import sweeping
from controller.session.prepared import prepare
from controller.session.session import Session
from controller.session.two_runs import Heading, TwoRuns, headings, pair_steps, replayed
from controller.tui.pairing import (
    COLUMNS,
    difference_words,
    pair_rows,
    pair_words,
    summary_words,
)
from controller.tui.scale import Scale
from controller.tui.screens.compare import compare_records

RECORDED = Path(__file__).parents[2] / "sweeps/recorded"


def recorded(name: str) -> Path:
    return RECORDED / f"coolant-{name}.jsonl"


def step(index: int, celsius: float | None, kind: StepKind = StepKind.TEMPERATURE) -> ResolvedStep:
    return ResolvedStep(
        index=index,
        kind=kind,
        target_celsius=celsius,
        target_ohms=None,
        state=0,
        achieved_ohms=100.0,
        achieved_celsius=celsius,
        expected_celsius=celsius,
        tolerance_celsius=3.0,
        uncertainty_celsius=0.5,
        excursion_celsius=None,
        path=(),
        dwell_s=0.0,
        budget=(),
    )


def steps(*celsius: float) -> list[ResolvedStep]:
    return [step(index, one) for index, one in enumerate(celsius)]


def partners(first: list[ResolvedStep], second: list[ResolvedStep]) -> list[tuple[object, object]]:
    return [
        (
            None if pair.first_step is None else pair.first_step.index,
            None if pair.second_step is None else pair.second_step.index,
        )
        for pair in pair_steps(first, (), second, ())
    ]


def test_steps_belong_together_by_temperature_and_heading() -> None:
    up_and_down = steps(0, 20, 40, 20, 0)
    down_and_up = steps(40, 20, 0, 20, 40)
    assert headings(up_and_down) == (*[Heading.WARMING] * 3, *[Heading.COOLING] * 2)
    # 0 warming has no partner: the other run reaches 0 cooling only.
    assert partners(up_and_down, down_and_up) == [
        (0, None), (1, 3), (2, 4), (3, 1), (4, 2), (None, 0),
    ]  # fmt: skip


def test_a_finer_plan_does_not_move_the_partners() -> None:
    assert partners(steps(0, 20, 40), steps(0, 10, 20, 30, 40)) == [
        (0, 0), (1, 2), (2, 4), (None, 1), (None, 3),
    ]  # fmt: skip


def test_open_and_short_belong_to_their_own_kind() -> None:
    first = [step(0, None, StepKind.OPEN), step(1, 20), step(2, None, StepKind.SHORT)]
    second = [step(0, None, StepKind.SHORT), step(1, 20), step(2, None, StepKind.OPEN)]
    assert partners(first, second) == [(0, 2), (1, 1), (2, 0)]


def test_two_records_of_one_plan_differ_where_the_connector_is_corroded() -> None:
    runs = compare_records(recorded("healthy"), recorded("corroded"))
    assert [remark.split(":")[0] for remark in runs.remarks] == ["The benches differ"]
    cold = [p for p in runs.pairs if (p.step.target_celsius or 0.0) <= 0.0]
    assert not any(pair.differs for pair in cold)  # a series resistance shows least when cold
    hottest = max(runs.pairs, key=lambda pair: pair.step.target_celsius or -99.0)
    assert "reading" in hottest.differs
    assert hottest.moved_celsius is not None
    assert hottest.moved_celsius < -3.0
    assert "virtual" not in runs.how


def test_a_record_beside_itself_does_not_differ() -> None:
    runs = compare_records(recorded("healthy"), recorded("healthy"))
    assert summary_words(runs).text == "✓ no difference"
    assert runs.remarks == ()
    assert pair_words(runs) == []


def test_other_plans_and_benches_are_named_before_anything_else() -> None:
    runs = compare_records(recorded("check"), recorded("wrong-sensor"))
    told = " ".join(runs.remarks)
    assert "The plans differ" in told
    assert "The benches differ" in told
    words = pair_words(runs)
    assert words[0].startswith("40.0 degC: A reported 40.0, B 45.0")
    assert words[1] == "Only in A: open, short."
    assert runs.shared == 1


def test_no_value_of_the_program_reaches_the_screen(tmp_path: Path) -> None:
    outcome = replay(load_record(recorded("check")))
    changed = [
        Difference(step=1, field="codes", recorded=["P0118"], replayed=[]),
        Difference(step=1, field="reported_celsius", recorded=40.0, replayed=None, tolerance=1.0),
        Difference(step=1, field="path", recorded=[(1, 2)], replayed=[]),
        Difference(step=0, field="settled", recorded=True, replayed=False),
        Difference(step=0, field="achieved_ohms", recorded=1490.8901, replayed=1500.0),
        Difference(step=None, field="verdict", recorded="pass", replayed="fail"),
    ]
    runs = replayed("a.jsonl", replace(outcome, differences=tuple(changed)))
    said = [difference_words(one, Scale.FAHRENHEIT) for one in runs.differences]
    assert said == [
        "step 2: fault codes was P0118, is none",
        "step 2: the reading was 104.00 degF, is nothing (may differ by 1.80 degF)",
        "step 2: the way of the relays is another one",
        "step 1: settled was yes, is no",
        "step 1: the resistance was 1490.9 ohm, is 1500.0 ohm",
        "the run: the result was pass, is fail",
    ]
    assert not any(sign in text for text in said for sign in ("[", "(1,", "None", "True", "_"))


def test_a_replay_is_paired_by_the_numbers_of_its_steps() -> None:
    runs = replayed("a.jsonl", replay(load_record(recorded("check"))))
    assert [(p.first_step.index, p.second_step.index) for p in runs.pairs] == [
        (0, 0), (1, 1), (2, 2),
    ]  # fmt: skip
    assert summary_words(runs).text == "✓ no difference"


@pytest.fixture
def typed_record(tmp_path: Path) -> Path:
    """A check of three steps whose readings somebody typed."""
    workshop = Path(__file__).with_name("workshop")
    path, answers = tmp_path / "typed.jsonl", iter(["-40", "20", "80", "130"])
    clock = VirtualClock()
    setup = sweeping(prepare(workshop / "plans/check.toml"), record=path, pace="real", clock=clock)
    with Session(
        setup, lines=lambda: next(answers, None), write=lambda _: None, keep_early=True
    ) as session:
        for _ in session.events():
            pass
    return path


def test_no_word_of_virtual_time_over_a_typed_record(typed_record: Path) -> None:
    for one, other in ((typed_record, recorded("check")), (recorded("check"), typed_record)):
        runs = compare_records(one, other)
        assert "virtual" not in " ".join((runs.how, *runs.remarks))
        assert any("typed" in remark for remark in runs.remarks)


@pytest.mark.parametrize("scale", Scale)
def test_every_cell_fits_its_column(scale: Scale) -> None:
    runs: TwoRuns = compare_records(recorded("healthy"), recorded("wrong-sensor"))
    rows = pair_rows(runs.pairs, scale)
    assert len(rows) >= 61
    assert sum(column.width + 1 for column in COLUMNS) <= 79
    for row in rows:
        for column, cell in zip(COLUMNS, row.cells, strict=True):
            assert len(cell) <= column.width
    assert [row.cells[0] for row in rows].count("*") == runs.differing > 10
