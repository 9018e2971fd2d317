"""Runs that look at one input before or beside a sweep: its circuit, its timing, its contacts.

Knows: which job looks at what, and what its record opens with.
Must not know: who asks, terminals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from controller.bench.model import BenchFile, LinkKind, ReadbackKind
from controller.clock import Clock
from controller.errors import InputError
from controller.module.model import Module
from controller.planning.model import ResolvedPlan
from controller.planning.resolve import make_router
from controller.planning.single_value import Finder, router_by_ohms
from controller.run.input_check import Expected, InputCheckRun
from controller.run.module_timing import TimingRun
from controller.run.wiggle import WiggleRun
from controller.sensors.curve import Sensor
from controller.session.jobs import hand_plan, record_of
from controller.session.prepared import require_tap
from controller.session.recording import clock_of, takes_no_time
from controller.session.session import Setup, bench_warnings

__all__ = ["checking_input", "require_tap", "timing_module", "wiggling"]

_FAR_APART = 5.0
"""The factor between the two resistances of a big step."""

_STAND_IN_OHMS = 2500.0


def checking_input(
    bench: BenchFile,
    *,
    module: Module | None,
    record: Path | None,
    files: Mapping[Path, str],
) -> Setup:
    """Begin the check of an input by the board's own voltage input. Raises InputError.

    `module` says what to expect; None: whatever is found.
    """
    tap = require_tap(bench)
    in_memory = bench.link is LinkKind.SIMULATED
    clock = clock_of("fast" if in_memory else "real")
    plan = _plan(bench, module, name="input check", kind="input-check")
    expected = None
    if module is not None:
        expected = Expected(reference_volts=module.reference_volts, pullup_ohms=module.pullup_ohms)
    router = router_by_ohms(bench)
    return Setup(
        bench=bench,
        plan=plan,
        make_job=lambda opened: InputCheckRun(plan, router, tap, expected, opened, clock),
        clock=clock,
        record=record_of(record, bench, plan, clock, files=files, simulated=in_memory),
        reads_back=False,
        warnings=bench_warnings(bench),
    )


def timing_module(
    bench: BenchFile, *, module: Module | None, record: Path | None, files: Mapping[Path, str]
) -> Setup:
    """Begin to measure how soon a module shows a change. Raises InputError."""
    require_streaming(bench)
    in_memory = takes_no_time(bench)
    clock = clock_of("fast" if in_memory else "real")
    plan = _plan(bench, module, name="timing of a module", kind="timing")
    router = router_by_ohms(bench)
    middle = module.pullup_ohms if module else _STAND_IN_OHMS
    spread = _FAR_APART**0.5
    states = tuple(router.search.nearest(ohms).state for ohms in (middle * spread, middle / spread))
    if module is not None:
        router = make_router(bench.ladder, module.sensor.curve, bench.switching)
    return Setup(
        bench=bench,
        plan=plan,
        make_job=lambda opened: TimingRun(plan, router, (states[0], states[1]), opened, clock),
        clock=clock,
        record=record_of(record, bench, plan, clock, files=files, simulated=in_memory),
        warnings=bench_warnings(bench),
    )


def wiggling(
    bench: BenchFile,
    wish: str,
    *,
    module: Module | None,
    for_s: float,
    record: Path | None,
    files: Mapping[Path, str],
    pace: str | None = None,
    clock: Clock | None = None,
    sensor: Sensor | None = None,
) -> Setup:
    """Begin to hold a value and to watch for jumps. Raises InputError.

    The bench's readback is watched where it streams, otherwise the board's own voltage input.
    `clock` is the run's own where the caller has one; `sensor` says what a temperature is, where
    that is not the module's.
    """
    tap = None if bench.readback is not ReadbackKind.TYPED else bench.tap
    if tap is None:
        require_streaming(bench)
    in_memory = takes_no_time(bench) or (tap is not None and bench.link is LinkKind.SIMULATED)
    clock = clock or clock_of(pace or ("fast" if in_memory else "real"))
    sensor = sensor or (module.sensor if module else None)
    finder = Finder(bench, sensor.curve if sensor else None)
    setting = finder.find(wish, bench.ladder.park_state)
    plan = _plan(bench, module, name=f"wiggle check at {setting.text}", kind="wiggle")
    step = module.resolution_celsius if module else 1.0
    return Setup(
        bench=bench,
        plan=plan,
        make_job=lambda opened: WiggleRun(
            plan, setting, opened, clock, for_s=for_s, celsius_step=step, tap=tap
        ),
        clock=clock,
        record=record_of(record, bench, plan, clock, files=files, simulated=in_memory),
        reads_back=tap is None,
        warnings=bench_warnings(bench),
    )


def require_streaming(bench: BenchFile) -> None:
    """Raise InputError where readings have to be typed one by one."""
    if bench.readback is ReadbackKind.TYPED:
        raise InputError.single(
            "typed readings are too slow for this",
            where=str(bench.path or bench.name),
            key="readback.kind",
            hint="use a bench whose readings come by themselves, or describe the board's own"
            " voltage input in [sense] for the wiggle check",
        )


def _plan(bench: BenchFile, module: Module | None, *, name: str, kind: str) -> ResolvedPlan:
    plan = replace(hand_plan(bench), name=name, kind=kind)
    if module is None:
        return plan
    return replace(
        plan, short_circuit_amperes=module.short_circuit_amperes, most_watts=module.most_watts
    )
