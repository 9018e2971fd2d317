"""Putting one value at the output and holding it.

Knows: how a single value is found, driven, held and given up again.
Must not know: argument texts, plans, readings.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from contextlib import closing, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from controller.cautions import short_circuit_sentence
from controller.cli.confirm import confirm_cautions
from controller.cli.finding import Found, Wanted, find
from controller.cli.signals import stopping_by
from controller.clock import Clock
from controller.documents import collecting_files
from controller.errors import ExitCode, LinkError, RelayKnowledge
from controller.links.base import PathStep
from controller.records.encode import path_fields
from controller.records.opening import opening_content
from controller.records.running import clock_of
from controller.records.writer import RecordWriter
from controller.sensors.curve import Sensor
from controller.sensors.files import load_sensor
from controller.sensors.thermistor import RatioCurve
from controller.sweep.bench import Bench
from controller.sweep.benchfile import BenchFile, LinkKind, default_bench, load_bench
from controller.sweep.events import Event, FaultRaised, Parked, RelaysSet, RunFinished, RunStarted
from controller.sweep.health import require_health, require_ladder
from controller.sweep.intents import Intents
from controller.sweep.model import (
    ResolvedPlan,
    ResolvedStep,
    RunSummary,
    SettleRule,
    StepKind,
    Verdict,
)
from controller.sweep.travel import in_pieces
from controller.sweep.wearing import bench_wear_warnings, wear_file
from controller.text import number, ohms

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["set_and_hold"]

_LOOK_EVERY_S = 0.1


def set_and_hold(
    value: Wanted,
    output: Output,
    *,
    bench_path: Path | None,
    sensor_path: Path | None,
    hold_s: float | None,
    record_path: Path | None,
    yes: bool,
) -> ExitCode:
    """Set the value, say so, hold it for `hold_s` (None: until stopped), and park.

    On a bench that is simulated altogether time is virtual and None means not at all. Raises
    InputError before anything is driven.
    """
    with collecting_files() as files:
        bench = load_bench(bench_path) if bench_path else None
        sensor = load_sensor(sensor_path) if sensor_path else None
    if bench is None:
        if sensor is None:
            sensor = _stand_in()
            output.warn(f"Note: no bench and no sensor named; taken is a {sensor.name}.")
        bench = default_bench(sensor)
    elif sensor is None and bench.module is not None:
        sensor = bench.module.sensor
    curve = sensor.curve if sensor else None
    found = find(value, bench, curve)
    simulated = bench.link is LinkKind.SIMULATED  # nobody is asked for a reading
    plan = _one_step_plan(value, bench, found)
    if bench.drives_hardware:
        confirm_cautions(output, amperes=plan.short_circuit_amperes, watts=plan.most_watts, yes=yes)
    elif value.word == "short":
        output.warn(short_circuit_sentence(plan.short_circuit_amperes, plan.most_watts))
    clock = clock_of("fast" if simulated else "real")
    writer: RecordWriter | None = None
    if record_path is not None:
        opening = opening_content(
            verb="set",
            plan=plan,
            bench=replace(bench, path=None),
            files=files,
            plan_file=None,
            bench_file=bench.path,
            simulated=simulated,
            pace="fast" if simulated else "real",
        )
        writer = RecordWriter.create(record_path, opening, clock=clock, durable=not simulated)
    if hold_s is None:
        hold_s = 0.0 if simulated or value.word == "park" else math.inf
    with closing(writer) if writer is not None else nullcontext():
        driver = _Driver(bench, plan, found, clock, output, writer)
        ended = driver.drive(hold_s)
    output.document(
        {
            "state": plan.format_state(found.state),
            "achieved_ohms": found.ohms,
            "achieved_celsius": found.celsius,
            "uncertainty_ohms": found.uncertainty_ohms,
            "path": path_fields(found.path, plan.state_digits),
            "ended": ended,
            "relays": driver.relays.value,
            "record": None if record_path is None else str(record_path),
        }
    )
    output.say(f"{driver.relays.value.capitalize()}.")
    if ended == "fault":
        return ExitCode.LINK_FAULT
    return ExitCode.INTERRUPTED if ended == "stopped" else ExitCode.PASS


def _stand_in() -> Sensor:
    """Return the curve of the simulated bench when none is named: a common coolant sensor.

    2.8 kohm at 25 degC on the Type 1 resistance ratio curve, whose constants are those of
    "Sensor Temperature Resistance Curves", reference guide rev. C (2014), material type 1.
    """
    curve = RatioCurve(
        reference_ohms=2800.0,
        a=-14.195756,
        b=4407.4785,
        c=-5165.8730,
        d=-1.4017368e7,
        lowest_celsius=-40.0,
        highest_celsius=135.0,
        label="the simulated bench's sensor",
    )
    return Sensor(
        name="simulated coolant sensor, 2.8 kohm at 25 degC", kind="ntc-ratio", curve=curve
    )


class _Driver:
    """Drives one state and comes back."""

    def __init__(
        self,
        bench: BenchFile,
        plan: ResolvedPlan,
        found: Found,
        clock: Clock,
        output: Output,
        writer: RecordWriter | None,
    ) -> None:
        self._bench_file = bench
        self._plan = plan
        self._found = found
        self._clock = clock
        self._output = output
        self._writer = writer
        self._intents = Intents()
        self.relays = RelayKnowledge.NOT_DRIVEN

    def _opened(self) -> Bench:
        from controller.sweep.wiring import open_bench

        wear_path = wear_file(os.environ)
        for sentence in bench_wear_warnings(self._bench_file, wear_path):
            self._output.warn(f"Note: {sentence}")
        return open_bench(
            self._bench_file, self._clock, write=self._output.warn, wear_path=wear_path
        )

    def drive(self, hold_s: float) -> str:
        """Return ``complete``, ``stopped`` or ``fault``."""
        with closing(self._opened()) as bench:
            ended = "complete"
            try:
                with stopping_by(self._intents.stop):
                    self._there_and_back(bench, hold_s)
                    bench.link.park()
                self._take(Parked(at_s=self._clock.now_s()))
            except LinkError as error:
                ended = "fault"
                self._output.warn(f"Fault: {error}")
                self._take(
                    FaultRaised(
                        at_s=self._clock.now_s(), message=str(error), relays=error.relays.value
                    )
                )
            if ended == "complete" and self._intents.is_stopped():
                ended = "stopped"
            self.relays = bench.link.relays
        self._take(RunFinished(at_s=self._clock.now_s(), summary=self._summary(ended)))
        return ended

    def _there_and_back(self, bench: Bench, hold_s: float) -> None:
        identity = bench.link.open(hold_off_ms=bench.hold_off_ms)
        require_ladder(identity, bench.ladder, port=bench.link.port)
        self._take(
            RunStarted(
                at_s=self._clock.now_s(),
                plan=self._plan,
                device_name=identity.name,
                first_step=0,
            )
        )
        self._travel(bench, self._found.path)
        if self._intents.is_stopped():
            return
        found = self._found
        self._take(
            RelaysSet(
                at_s=self._clock.now_s(),
                step_index=None,
                path=found.path,
                achieved_ohms=found.ohms,
            )
        )
        self._say(hold_s)
        self._hold(bench, hold_s)
        self._travel(bench, found.back)

    def _say(self, hold_s: float) -> None:
        found, output = self._found, self._output
        line = f"{self._plan.format_state(found.state)} makes"
        if math.isinf(found.ohms):
            line += " an open circuit"
        else:
            line += f" {ohms(found.ohms)} ohm, U (k=2) {ohms(found.uncertainty_ohms)} ohm"
        if found.celsius is not None:
            line += f", which stands for {output.temperature(found.celsius, 2)} {output.degrees}"
        output.say(line + ".")
        if hold_s > 0:
            until = "until Ctrl-C" if math.isinf(hold_s) else f"for {number(hold_s, 1)} s"
            output.warn(f"Holding {until}.")

    def _hold(self, bench: Bench, hold_s: float) -> None:
        """Keep the state, the hold-off fed, until time is up or somebody asks for the end."""
        began_s = fed_s = self._clock.now_s()
        while not self._intents.is_stopped():
            now_s = self._clock.now_s()
            left_s = began_s + hold_s - now_s
            if left_s <= 0:
                return
            if now_s - fed_s >= bench.hold_off_ms / 3000:
                self._feed(bench, self._found.state)
                fed_s = now_s
            self._clock.sleep_s(min(_LOOK_EVERY_S, bench.hold_off_ms / 6000, left_s))

    def _feed(self, bench: Bench, state: int) -> None:
        require_health(bench.link.feed(), state, bench.ladder, port=bench.link.port)

    def _travel(self, bench: Bench, path: Sequence[PathStep]) -> None:
        for piece, wait_s in in_pieces(path, min(0.5, bench.hold_off_ms / 3000)):
            if self._intents.is_stopped():
                return
            bench.link.apply(piece)
            self._feed(bench, piece[-1].state)
            self._clock.sleep_s(wait_s)

    def _take(self, event: Event) -> None:
        if self._writer is not None:
            self._writer.take(event)

    def _summary(self, ended: str) -> RunSummary:
        return RunSummary(
            verdict=Verdict.UNDECIDED,
            ended=ended,
            passed=0,
            failed=0,
            undecided=0,
            unsettled=0,
            not_run=0,
            relays=self.relays.value,
            sentence=f"One value was set, nothing was judged; {self.relays.value}.",
        )


def _one_step_plan(value: Wanted, bench: BenchFile, found: Found) -> ResolvedPlan:
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
