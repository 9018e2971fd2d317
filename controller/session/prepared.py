"""A run before it begins: files read, plan resolved, everything checked, nothing driven."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from controller.bench.model import BenchFile, ReadbackKind
from controller.errors import InputError
from controller.measurement.input_circuit import Tap
from controller.module.model import Module
from controller.planning.levels import level_problems, search_problems
from controller.planning.model import ResolvedPlan, StepKind
from controller.planning.plan import PlanKind
from controller.planning.resolve import resolve_on
from controller.planning.settling import settle_problems, standing_s
from controller.readback.called import ReadbackFunction
from controller.records.inputs import Inputs, load_inputs
from controller.records.reader import read_record
from controller.sensors.curve import Sensor
from controller.session.ports import on_port
from controller.session.recording import opening_of, takes_no_time
from controller.session.session import bench_warnings

__all__ = [
    "Prepared",
    "Unfinished",
    "prepare",
    "prepare_inputs",
    "require_tap",
    "unfinished_record",
]

_MEANT = {"seek": "a threshold"}
"""What kind of plan a command is for, where the two have different names."""


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A run that could begin now. `warnings` are about the bench, the plan has its own.

    `called` is the function that gives the readings, where a program brings one.
    """

    inputs: Inputs
    resolved: ResolvedPlan
    warnings: tuple[str, ...] = field(default=())
    called: ReadbackFunction | None = None

    @property
    def bench(self) -> BenchFile:
        """The bench."""
        return self.inputs.bench

    @property
    def sensor(self) -> Sensor:
        """The sensor the plan is for."""
        return self.inputs.plan.sensor

    @property
    def module(self) -> Module | None:
        """The module at the other end, when a file describes it."""
        return self.inputs.module

    @property
    def simulated(self) -> bool:
        """Whether nothing of the bench takes real time."""
        return takes_no_time(self.bench)

    @property
    def extremes(self) -> bool:
        """Whether the plan puts an open or a short circuit at the input."""
        return any(step.kind is not StepKind.TEMPERATURE for step in self.resolved.steps)

    @property
    def shorts(self) -> bool:
        """Whether the plan puts a short circuit at the input."""
        return any(step.kind is StepKind.SHORT for step in self.resolved.steps)

    @property
    def typed(self) -> bool:
        """Whether a person types the readings."""
        return self.bench.readback is ReadbackKind.TYPED


@dataclass(frozen=True, kw_only=True)
class Unfinished:
    """A record of the same plan and bench that was cut short."""

    path: Path
    first_step: int


def prepare(
    plan_path: Path,
    bench_path: Path | None = None,
    *,
    verb: str | None = None,
    later: bool = False,
    input_check: bool | None = None,
    port_of: Callable[[Path | None], str | None] = lambda _bench: None,
) -> Prepared:
    """Read, resolve and check everything. Raises InputError with every reason against it.

    `verb` is the kind of plan that is meant; None: any. With `later` nothing is read during the
    run: the log of a tool brings the readings afterwards. `input_check` is whether a check looks at
    the module's input first; None: where the bench says how. `port_of` returns the port to use in
    place of the one that a bench's file names; None: that one.
    """
    inputs = load_inputs(plan_path, bench_path)
    inputs = replace(inputs, bench=on_port(inputs.bench, port_of))
    return prepare_inputs(inputs, verb=verb, later=later, input_check=input_check)


def prepare_inputs(
    inputs: Inputs,
    *,
    verb: str | None = None,
    called: ReadbackFunction | None = None,
    later: bool = False,
    input_check: bool | None = None,
) -> Prepared:
    """Resolve and check what has been read. Raises InputError with every reason against it.

    `called` gives the readings in place of the bench's own readback; with `later` nothing does.
    `input_check` is as in `prepare`.
    """
    kind = inputs.plan.kind
    if verb is not None and kind.verb != verb:
        raise InputError.single(
            f"this plan is a {kind.value}, not {_MEANT.get(verb, f'a {verb}')}",
            where=str(inputs.plan.path),
            key="kind",
            hint=f"run it with: rungwise {kind.verb}",
        )
    if called is not None:
        inputs = replace(inputs, bench=replace(inputs.bench, readback=ReadbackKind.CALLED))
    if later:
        inputs = _read_later(inputs)
    if unsettled := tuple(settle_problems(inputs.plan, inputs.bench, inputs.module)):
        raise InputError(unsettled)
    if unseen := tuple(search_problems(inputs.plan, inputs.bench, inputs.module)):
        raise InputError(unseen)
    resolved = resolve_on(inputs.plan, inputs.bench)
    resolved = replace(resolved, looks_first=_looks_first(inputs, asked=input_check))
    if reversed_levels := tuple(level_problems(inputs.plan, resolved)):
        raise InputError(reversed_levels)
    return Prepared(
        inputs=inputs,
        resolved=resolved,
        warnings=bench_warnings(inputs.bench),
        called=called,
    )


def _looks_first(inputs: Inputs, *, asked: bool | None) -> bool:
    """Return whether the input is looked at before the first step. Raises InputError."""
    if inputs.plan.kind is not PlanKind.CHECK:
        return False
    if asked:
        require_tap(inputs.bench)
    return inputs.bench.tap is not None if asked is None else asked


def require_tap(bench: BenchFile) -> Tap:
    """Return how the board's own input is wired. Raises InputError where the file does not say."""
    if bench.tap is None:
        raise InputError.single(
            "does not say how the board's own voltage input is wired to the module's input",
            where=str(bench.path or bench.name),
            key="sense",
            hint="add [sense] with load_ohms: all that the tap puts across the input",
        )
    return bench.tap


def _read_later(inputs: Inputs) -> Inputs:
    """Return the inputs of a run whose steps only stand. Raises InputError for other plans."""
    plan = inputs.plan
    if plan.kind is not PlanKind.SWEEP:
        raise InputError.single(
            f"a {plan.kind.value} cannot be read later: only a sweep's temperatures can be found"
            " again in a log",
            where=str(plan.path),
            key="kind",
        )
    if unfit := tuple(settle_problems(plan, _awaiting(inputs.bench), inputs.module)):
        raise InputError(unfit)
    standing = replace(plan, dwell_s=standing_s(plan, inputs.module))
    return replace(inputs, plan=standing, bench=_awaiting(inputs.bench))


def _awaiting(bench: BenchFile) -> BenchFile:
    return replace(bench, readback=ReadbackKind.LATER)


def unfinished_record(prepared: Prepared, runs: Path, *, newest: int = 20) -> Unfinished | None:
    """Return the newest record in a folder of the same plan and bench that can be gone on with.

    Records of tries that came to no result, such as one whose link never opened, are passed over.
    Only the `newest` records of the plan's name are looked at.
    """
    inputs = prepared.inputs
    if not inputs.plan.kind.resumable:
        return None
    earlier = sorted(runs.glob(f"{inputs.plan.path.stem}-*.jsonl"), reverse=True)[:newest]
    if not earlier:
        return None
    opening = opening_of(inputs, prepared.resolved, verb=inputs.plan.kind.value, pace="real")
    for path in earlier:
        try:
            record = read_record(path)
        except InputError:
            continue
        same = record.opening.get("hashes") == opening["hashes"] and record.broken is None
        if not same or not record.first_unfinished:
            continue
        if record.first_unfinished < len(opening["plan"]["steps"]):
            return Unfinished(path=path, first_step=record.first_unfinished)
        return None  # the newest one is complete
    return None
