"""A small run, event by event, and the record it leaves."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.clock import VirtualClock
from controller.errors import RelayKnowledge
from controller.ladder.model import PathStep
from controller.measurement.model import SettleRule, Verdict
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.records.opening import opening_content
from controller.records.writer import RecordWriter
from controller.run.events import (
    Event,
    FaultRaised,
    NoteMade,
    Parked,
    ReadingSeen,
    RelaysSet,
    RunFinished,
    RunStarted,
    StepFinished,
    StepStarted,
)
from controller.run.model import Ending, RunSummary, StepResult


@dataclass(frozen=True)
class InventedBench:
    """Stands in for a bench: the record keeps whatever dataclass it is given."""

    name: str = "Invented bench"
    lead_ohms: float = 0.12


def _step(index: int, celsius: float | None, ohms: float, kind: StepKind) -> ResolvedStep:
    return ResolvedStep(
        index=index,
        kind=kind,
        target_celsius=celsius,
        target_ohms=None if celsius is None else ohms,
        state=index + 1,
        achieved_ohms=ohms,
        achieved_celsius=celsius,
        expected_celsius=celsius if celsius is not None else -40.0,
        tolerance_celsius=2.0,
        uncertainty_celsius=0.5,
        excursion_celsius=0.0,
        path=(PathStep(state=0, hold_ms=20), PathStep(state=index + 1, hold_ms=20)),
    )


@pytest.fixture
def plan() -> ResolvedPlan:
    return ResolvedPlan(
        name="Invented plan",
        kind="sweep",
        steps=(
            _step(0, 20.0, 2500.0, StepKind.TEMPERATURE),
            _step(1, 80.0, 320.0, StepKind.TEMPERATURE),
            _step(2, None, math.inf, StepKind.OPEN),
        ),
        settle=SettleRule(within_celsius=0.5, for_s=2.0, at_most_s=30.0),
        worst_excursion_celsius=0.0,
        relay_operations=4,
        park_state=0,
        state_digits=4,
    )


@pytest.fixture
def results(plan: ResolvedPlan) -> list[StepResult]:
    return [
        StepResult(
            step=step,
            attempt=1,
            reported_celsius=reported,
            error_celsius=reported - (step.expected_celsius or 0.0),
            verdict=verdict,
            settled=True,
            settle_s=4.0,
            codes=codes,
        )
        for step, reported, verdict, codes in zip(
            plan.steps,
            (20.0, 85.0, -40.0),
            (Verdict.PASS, Verdict.FAIL, Verdict.PASS),
            ((), (), ("circuit-high",)),
            strict=True,
        )
    ]


@pytest.fixture
def events(plan: ResolvedPlan, results: list[StepResult]) -> list[Event]:
    happened: list[Event] = [
        RunStarted(at_s=0.0, plan=plan, device_name="simulated ladder", first_step=0)
    ]
    for result in results:
        step = result.step
        happened += [
            StepStarted(at_s=1.0, step=step, attempt=1),
            RelaysSet(
                at_s=1.0, step_index=step.index, path=step.path, achieved_ohms=step.achieved_ohms
            ),
            *(
                ReadingSeen(
                    at_s=2.0,
                    step_index=step.index,
                    attempt=1,
                    celsius=celsius,
                    volts=None,
                    codes=result.codes,
                    final=celsius is not None,
                )
                for celsius in (None, result.reported_celsius)
            ),
            StepFinished(at_s=3.0, result=result),
        ]
    summary = RunSummary(
        verdict=Verdict.FAIL,
        ended=Ending.COMPLETE,
        passed=2,
        failed=1,
        undecided=0,
        unsettled=0,
        not_run=0,
        relays=RelayKnowledge.PARKED,
        sentence="1 of 3 steps is outside its tolerance.",
    )
    happened += [
        NoteMade(at_s=4.0, text="a remark with \x1b[31m colour and a \ud800 lone half"),
        FaultRaised(at_s=4.0, message="invented", relays=RelayKnowledge.KNOWN),
        Parked(at_s=5.0),
        RunFinished(at_s=5.0, summary=summary),
    ]
    return happened


@pytest.fixture
def opening(plan: ResolvedPlan) -> dict[str, object]:
    return opening_content(
        verb="sweep",
        plan=plan,
        bench=InventedBench(),
        files={
            Path("/shop/tern/plans/a.toml"): "format = 1\n",
            Path("/shop/tern/b.toml"): "Grüße\n",
        },
        plan_file=Path("/shop/tern/plans/a.toml"),
        bench_file=Path("/shop/tern/b.toml"),
        simulated=True,
        pace="fast",
    )


@pytest.fixture
def write_record(
    opening: dict[str, object], events: list[Event]
) -> Callable[[Path, int | None], Path]:
    """Write a record of the first `count` events (all when None)."""

    def write(path: Path, count: int | None = None) -> Path:
        writer = RecordWriter.create(path, opening, clock=VirtualClock(), durable=False)
        for event in events[:count]:
            writer.take(event)
        writer.close()
        return path

    return write


@pytest.fixture
def record_path(
    write_record: Callable[[Path, int | None], Path], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    return write_record(tmp_path_factory.mktemp("record") / "run.jsonl", None)
