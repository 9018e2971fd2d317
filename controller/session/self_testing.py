"""The self-test of a ladder: by a meter, by the board's own voltage input, or by read-back alone.

Knows: which job tests by what, what its record opens with, what is refused before it begins.
Must not know: who asks, terminals.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from enum import StrEnum
from pathlib import Path

from controller.bench.model import BenchFile, LinkKind
from controller.bench.self_tests import SelfTested, keep_self_test, self_test_file
from controller.bench.wear import bench_wear_warnings, wear_file
from controller.clock import RealClock
from controller.errors import InputError, Problem
from controller.ladder.calibration import Instrument
from controller.ladder.electrical import state_ohms
from controller.ladder.loading import overloads, state_loading
from controller.ladder.model import Ladder, PathStep
from controller.ladder.path import hold_ms
from controller.ladder.self_test import Examination, Sight, examine, states_to_test
from controller.measurement.input_circuit import Seen
from controller.measurement.sensed_ohms import sensed_ohms
from controller.module.model import Module
from controller.planning.single_value import router_by_ohms
from controller.run.input_check import Expected
from controller.run.job import Job
from controller.run.measure import StateToMeasure
from controller.run.self_test import SelfTestRun
from controller.run.sensed_self_test import SensedSelfTestRun, TimedChange
from controller.session.jobs import hand_plan, measured_in_memory, record_of
from controller.session.prepared import require_tap
from controller.session.recording import clock_of
from controller.session.session import Setup

__all__ = ["USUAL_METER", "TestedBy", "keep_result", "self_testing", "tested_of", "usual_way"]

USUAL_METER = Instrument(relative=1e-4, floor_ohms=0.01)
"""What is taken for a meter's standard uncertainty where nothing else is said."""


class TestedBy(StrEnum):
    """What the rungs are measured by. `READ_BACK` sees the board's outputs alone, no contact."""

    __test__ = False  # not a test, whatever its name says to pytest

    METER = "meter"
    SENSE = "sense"
    READ_BACK = "read-back"


def usual_way(bench: BenchFile, module: Module | None) -> TestedBy:
    """Return what tells most of those that a bench has."""
    if bench.meter is not None:
        return TestedBy.METER
    senses = bench.tap is not None and bench.board is None
    if senses and module is not None and module.second_pullup is None:
        return TestedBy.SENSE
    return TestedBy.READ_BACK


def self_testing(
    bench: BenchFile,
    *,
    by: TestedBy | None = None,
    meter: Instrument = USUAL_METER,
    module: Module | None = None,
    record: Path | None,
    files: Mapping[Path, str],
) -> Setup:
    """Begin the self-test of a ladder, by what tells most where `by` is None.

    `meter` is how well the bench's meter measures; `module` has the input that the board's own
    voltage input looks at. Raises InputError.
    """
    by = usual_way(bench, module) if by is None else by
    if by is TestedBy.SENSE:
        return _by_sense(bench, module, record=record, files=files)
    if by is TestedBy.METER and bench.meter is None:
        raise InputError.single(
            "has no meter to test by",
            where=str(bench.path or bench.name),
            key="meter",
            hint="describe it in [meter]",
        )
    if by is TestedBy.READ_BACK:
        bench = replace(bench, meter=None)
    ladder = bench.ladder
    in_memory = bench.link is LinkKind.SIMULATED and (
        bench.meter is None or measured_in_memory(bench)
    )
    clock = clock_of("fast" if in_memory else "real")
    router = router_by_ohms(bench)
    walk = _walk(ladder)
    stops, now = [], ladder.park_state
    for state in states_to_test(ladder):
        stops.append(
            StateToMeasure(
                state=state, path=router.path(now, state), expected_ohms=state_ohms(ladder, state)
            )
        )
        now = state
    if bench.meter is None:
        now = ladder.park_state
    plan = replace(
        hand_plan(bench),
        name=f"self-test of {ladder.name}",
        kind="self-test",
        closing_path=router.path(now, ladder.park_state),
    )
    sight = Sight.of_meter(relative=meter.relative, ohms=meter.floor_ohms)
    return Setup(
        bench=bench,
        plan=plan,
        make_job=lambda opened: SelfTestRun(
            plan,
            walk,
            stops,
            lambda measured: examine(ladder, measured, sight),
            ladder,
            opened.meter,
            opened,
            clock,
        ),
        clock=clock,
        record=record_of(record, bench, plan, clock, files=files, simulated=in_memory),
        reads_back=False,
        warnings=bench_wear_warnings(bench, wear_file(os.environ)),
    )


def _by_sense(
    bench: BenchFile, module: Module | None, *, record: Path | None, files: Mapping[Path, str]
) -> Setup:
    tap = require_tap(bench)
    where = str(bench.path or bench.name)
    if bench.board is not None:
        raise InputError.single(
            f'a board of kind "{bench.link.value}" has no voltage input of its own',
            where=where,
            key="link.kind",
            hint="test by a meter",
        )
    if module is None:
        raise InputError.single(
            "does not say what is behind the input that the board's voltage input looks at",
            where=where,
            hint="add --module FILE (input check --out writes one from what it measures)",
        )
    if module.second_pullup is not None:
        raise InputError.single(
            f"{module.name!r} changes its pull-up with the temperature: volts at its input do not"
            " tell ohms",
            where=where,
            hint="test by a meter",
        )
    ladder = bench.ladder
    states = sorted(
        states_to_test(ladder), key=lambda state: math.isfinite(state_ohms(ladder, state))
    )
    router = router_by_ohms(bench)
    _check_ratings(ladder, [*states, *(one.state for one in _walk(ladder))], module)
    in_memory = bench.link is LinkKind.SIMULATED
    clock = clock_of("fast" if in_memory else "real")
    plan = replace(
        hand_plan(bench),
        name=f"self-test of {ladder.name}",
        kind="self-test",
        short_circuit_amperes=module.short_circuit_amperes,
        most_watts=module.most_watts,
    )

    def judged(seen: Mapping[int, Seen]) -> Examination:
        found = (
            examine(ladder, one.ohms, one.sight)
            for one in sensed_ohms(ladder, seen, pullup_ohms=module.pullup_ohms, tap=tap)
        )
        return min(found, key=lambda one: (len(one.unexplained), len(one.faults)))

    return Setup(
        bench=bench,
        plan=plan,
        make_job=lambda opened: SensedSelfTestRun(
            plan,
            router,
            tap,
            Expected(reference_volts=module.reference_volts, pullup_ohms=module.pullup_ohms),
            _walk(ladder),
            states,
            tuple(_changes(ladder, states, module)),
            judged,
            opened,
            clock,
        ),
        clock=clock,
        record=record_of(record, bench, plan, clock, files=files, simulated=in_memory),
        reads_back=False,
        warnings=bench_wear_warnings(bench, wear_file(os.environ)),
    )


def _check_ratings(ladder: Ladder, states: Iterable[int], module: Module) -> None:
    """Raise InputError where the input can put more on a resistor or contact than it may carry."""
    said: dict[str, None] = {}
    for state in dict.fromkeys(states):
        loading = state_loading(
            ladder,
            state,
            reference_volts=module.reference_volts,
            pullup_ohms=module.lowest_pullup_ohms,
        )
        said.update(dict.fromkeys(overloads(ladder, loading)))
    if said:
        raise InputError(
            Problem(message=sentence, hint="test this ladder by a meter") for sentence in said
        )


def _changes(ladder: Ladder, states: Iterable[int], module: Module) -> Iterator[TimedChange]:
    """Yield for each relay the change over of it alone that moves the volts most."""

    def volts(state: int) -> float:
        ohms = state_ohms(ladder, state)
        share = 1.0 if math.isinf(ohms) else ohms / (ohms + module.pullup_ohms)
        return module.reference_volts * share

    known = tuple(states)
    for relay in range(ladder.relay_count):
        bit = 1 << relay
        rest = max(
            (state & ~bit for state in known),
            key=lambda state: abs(volts(state) - volts(state | bit)),
        )
        yield TimedChange(
            relay=relay,
            rest=rest,
            energised=rest | bit,
            volts=abs(volts(rest) - volts(rest | bit)),
        )


def _walk(ladder: Ladder) -> tuple[PathStep, ...]:
    """Return a path that moves every relay by itself, there and back from park."""
    park = ladder.park_state
    steps = []
    for relay in range(ladder.relay_count):
        there = park ^ (1 << relay)
        for state in (there, park):
            energise = bool(state >> relay & 1)
            steps.append(PathStep(state=state, hold_ms=hold_ms(ladder, relay, energise=energise)))
    return tuple(steps)


def tested_of(job: Job) -> SelfTestRun | SensedSelfTestRun:
    """Return a job as the self-test that it is."""
    assert isinstance(job, SelfTestRun | SensedSelfTestRun)  # noqa: S101 - made above
    return job


def keep_result(bench: BenchFile, job: Job) -> None:
    """Keep what a self-test has found of a real ladder for the runs to come. Raises InputError."""
    tested = tested_of(job)
    found = tested.examination
    if not bench.drives_hardware or found is None:
        return
    slow = [one.words for one in tested.times if one.slow]
    words = [*(fault.words for fault in found.faults), *slow]
    if found.unexplained:
        words.append("something that no single fault explains")
    keep_self_test(
        self_test_file(os.environ),
        bench.ladder.name,
        SelfTested(
            utc=RealClock().utc().isoformat(timespec="seconds"),
            sound=found.sound and not slow,
            sentence=f"{'; '.join(words) or 'all within tolerance'}.",
        ),
    )
