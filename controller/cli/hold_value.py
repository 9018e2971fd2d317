"""Putting one value at the output and holding it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from controller.bench.default import default_bench
from controller.bench.files import load_bench
from controller.bench.model import BenchFile, LinkKind
from controller.bench.pair import bench_of_input
from controller.cautions import short_circuit_sentence
from controller.cli.confirm import confirm_cautions
from controller.cli.fault_words import fault_fields
from controller.cli.signals import stopping_by
from controller.clock import Clock
from controller.documents import collecting_files
from controller.errors import ExitCode, InputError
from controller.measurement.model import SettleRule
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.planning.single_value import (
    Finder,
    Setting,
    far_words,
    near_enough,
    stand_in_sensor,
)
from controller.planning.value import Wish, parse_wish
from controller.records.encode import path_fields
from controller.run.events import Event, FaultRaised, Parked, RelaysSet
from controller.run.hold import HandRun
from controller.run.model import RunSummary
from controller.sensors.files import load_sensor
from controller.session.jobs import by_hand
from controller.session.recording import clock_of
from controller.session.session import Session
from controller.session.status import exit_status
from controller.text import number, ohms

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["set_and_hold"]


def set_and_hold(
    text: str,
    output: Output,
    *,
    bench_path: Path | None,
    input_number: int,
    sensor_path: Path | None,
    hold_s: float | None,
    record_path: Path | None,
    yes: bool,
    share: float,
    nearest_anyway: bool = False,
) -> ExitCode:
    """Set the value, say so, hold it for `hold_s` (None: until stopped), and park.

    `input_number` says which ladder of a bench that has two. On a fully
    simulated bench time is virtual and None means not at all. A resistance that the ladder cannot
    make within `share` is refused, unless `nearest_anyway`. Raises InputError before anything is
    driven.
    """
    wish = parse_wish(text)
    with collecting_files() as files:
        bench = bench_of_input(load_bench(bench_path), input_number) if bench_path else None
        sensor = load_sensor(sensor_path) if sensor_path else None
    if bench is None:
        if input_number != 1:
            raise InputError.single(
                "belongs to a bench file with two ladders",
                where="--input",
                hint="name it with --bench",
            )
        if sensor is None:
            sensor = stand_in_sensor()
            output.warn(f"Note: no bench and no sensor named: using a {sensor.name}.")
        bench = default_bench(sensor)
    elif sensor is None and bench.module is not None:
        sensor = bench.module.sensor
    curve = sensor.curve if sensor else None
    found = Finder(bench, curve).find(text, bench.ladder.park_state)
    target = found.target_ohms
    if target is not None and not near_enough(target, found.ohms, found.uncertainty_ohms, share):
        words = far_words(target, found.ohms)
        if not nearest_anyway:
            raise InputError.single(
                f"{text.strip()}: {words}",
                where="VALUE",
                hint="--nearest-anyway sets that one; --within PERCENT allows more",
            )
        output.warn(f"Note: {words}.")
    simulated = bench.link is LinkKind.SIMULATED  # nobody is asked for a reading
    plan = _one_step_plan(wish, bench, found)
    if bench.drives_hardware:
        amperes, watts = plan.short_circuit_amperes, plan.most_watts
        confirm_cautions(output, amperes=amperes, watts=watts, yes=yes, of_bench=bench.cautions)
    elif wish.word == "short":
        output.warn(short_circuit_sentence(plan.short_circuit_amperes, plan.most_watts))
    clock = clock_of("fast" if simulated else "real")
    if hold_s is None:
        hold_s = 0.0 if simulated or found.state == bench.ladder.park_state else math.inf
    setup = by_hand(
        bench, clock=clock, plan=plan, record=record_path, files=files, simulated=simulated
    )
    for sentence in setup.warnings:
        output.warn(f"Note: {sentence}")
    holding = _Holding(found, plan, output, hold_s=hold_s)
    with Session(setup, write=output.warn) as session:
        summary = holding.through(session, clock)
        record_path = session.record_path
    output.document(
        {
            "state": plan.format_state(found.state),
            "target_ohms": target,
            "achieved_ohms": found.ohms,
            "achieved_celsius": found.celsius,
            "uncertainty_ohms": found.uncertainty_ohms,
            "path": path_fields(found.path, plan.state_digits),
            "ended": summary.ended.value,
            "relays": summary.relays.value,
            "record": None if record_path is None else str(record_path),
            "faults": fault_fields(holding.faults),
        }
    )
    output.say(f"{summary.relays.value.capitalize()}.")
    return exit_status(summary, judged=False)


class _Holding:
    """Carries one value through: sets it, says so, holds it, and leaves."""

    def __init__(
        self,
        found: Setting,
        plan: ResolvedPlan,
        output: Output,
        *,
        hold_s: float,
    ) -> None:
        self._found = found
        self._plan = plan
        self._output = output
        self._hold_s = hold_s
        self._leave_at_s: float | None = None
        self.faults: list[FaultRaised] = []

    def through(self, session: Session, clock: Clock) -> RunSummary:
        """Return how it ended; the ladder is parked or the summary says that it may not be."""
        run = session.job
        assert isinstance(run, HandRun)  # noqa: S101 - what `by_hand` makes
        run.set(self._found)
        with stopping_by(session.stop):
            while not session.finished:
                for event in session.step():
                    self._take(event)
                if self._leave_at_s is not None and clock.now_s() >= self._leave_at_s:
                    run.leave(self._found.back)
        assert session.summary is not None  # noqa: S101 - a run that is finished has said so
        return session.summary

    def _take(self, event: Event) -> None:
        if isinstance(event, FaultRaised):
            self.faults.append(event)
            self._output.warn(f"Fault: {event.message}; {event.relays.value}")
        if isinstance(event, RelaysSet | Parked) and self._leave_at_s is None:
            self._leave_at_s = event.at_s + self._hold_s
            if isinstance(event, RelaysSet) or self._found.state == self._plan.park_state:
                self._say()

    def _say(self) -> None:
        found, output = self._found, self._output
        line = f"{self._plan.format_state(found.state)} makes"
        if math.isinf(found.ohms):
            line += " an open circuit"
        else:
            line += f" {ohms(found.ohms)} ohm, U (k=2) {ohms(found.uncertainty_ohms)} ohm"
        if found.celsius is not None:
            line += f", equal to {output.temperature(found.celsius, 2)} {output.degrees}"
        output.say(line + ".")
        if self._hold_s > 0:
            until = (
                "until Ctrl-C" if math.isinf(self._hold_s) else f"for {number(self._hold_s, 1)} s"
            )
            output.warn(f"Holding {until}.")


def _one_step_plan(value: Wish, bench: BenchFile, found: Setting) -> ResolvedPlan:
    kinds = {"open": StepKind.OPEN, "short": StepKind.SHORT}
    step = ResolvedStep(
        index=0,
        kind=kinds.get(value.word or "", StepKind.TEMPERATURE),
        target_celsius=value.celsius,
        target_ohms=value.ohms,
        state=found.state,
        achieved_ohms=found.ohms,
        achieved_celsius=found.celsius,
        expected_celsius=None,
        tolerance_celsius=None,
        uncertainty_celsius=0.0,
        excursion_celsius=None,
        path=found.path,
    )
    module = bench.module
    return ResolvedPlan(
        name="one value",
        kind="set",
        steps=(step,),
        settle=SettleRule(within_celsius=0.0, for_s=0.0, at_most_s=0.0),
        worst_excursion_celsius=None,
        relay_operations=len(found.path),
        park_state=bench.ladder.park_state,
        state_digits=bench.ladder.state_digits,
        short_circuit_amperes=None if module is None else module.short_circuit_amperes,
        most_watts=None if module is None else module.most_watts,
        closing_path=found.back,
    )
