"""Ladders worth building for some sensors: sets of rungs found, planned on, and compared.

Each search, and after them each planning on a set found, is a task of its own that may run in
another process; all of them are given by the seed, so that the same wish gives the same choices
whatever the machine has to do them with.
"""

from __future__ import annotations

import contextlib
import math
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import active_children, get_context
from typing import TypeVar

import numpy as np

from controller.errors import InputError
from controller.ladder.design import (
    Aim,
    Build,
    Catalogue,
    Demand,
    Found,
    Part,
    designed_ladder,
    search_rungs,
)
from controller.ladder.design.demand import allowed_celsius, least_rungs
from controller.ladder.design.ladders import base_ohms
from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder
from controller.ladder.search import NearestSearch
from controller.ladder.sequence import StepChoice, connected_choice, plan_sequence
from controller.measurement.parts import ladder_contributions
from controller.module.model import Module
from controller.planning.filtering import filtered_excursion
from controller.units import COVERAGE_FACTOR

__all__ = [
    "Choice",
    "DesignWish",
    "Sweep",
    "best_fixed",
    "design_ladders",
    "rungs_needed",
    "worked_out",
]

_Given = TypeVar("_Given")
_Done = TypeVar("_Done")

MOST_CHOICES = 5
_SAME = 0.02  # excursions closer than this, as a share, are as good as each other
_SEEDS = (2, 1, 1)  # searches for all step sizes together, for the largest alone, for few values
_ROUNDS, _TRIES = 1500, 150  # of each search


@dataclass(frozen=True, kw_only=True)
class DesignWish:
    """What is asked for. `fixed` is the resistor that is always in circuit, None for none.

    `uncertainty_celsius` is the expanded one (k = 2) that the ladder alone may have at most; None:
    any. `plan_deviation_celsius` is that key of the plans to come. With a `module`, what its filter
    leaves of the excursions is worked out too.
    """

    counts: tuple[int, ...]
    catalogue: Catalogue
    demands: tuple[Demand, ...]
    steps_celsius: tuple[float, ...]
    deviation_celsius: float
    build: Build
    fixed: Part | None
    uncertainty_celsius: float | None = None
    module: Module | None = None
    seed: int = 1
    plan_deviation_celsius: float | None = None


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """What one demand's sweep up and down in steps comes to on a ladder."""

    sensor: str
    step_celsius: float
    excursion_celsius: float
    lower_bound_celsius: float | None
    filtered_celsius: float | None
    relay_operations: int


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A ladder and its figures; `uncertainty_celsius` is expanded (k = 2), the ladder's alone."""

    parts: tuple[Part, ...]
    deviation_celsius: float
    uncertainty_celsius: float
    sweeps: tuple[Sweep, ...]

    @property
    def kinds(self) -> int:
        """How many different values are on the parts list."""
        return len({part.ohms for part in self.parts})

    @property
    def excursions(self) -> tuple[float, ...]:
        """The worst excursion of any sensor for each step size, the largest step first."""
        steps = sorted({sweep.step_celsius for sweep in self.sweeps}, reverse=True)
        return tuple(
            max(s.excursion_celsius for s in self.sweeps if s.step_celsius == step)
            for step in steps
        )


def best_fixed(
    catalogue: Catalogue, demands: Sequence[Demand], build: Build, count: int
) -> Part | None:
    """Return the largest part that every demand's least resistance still leaves room for."""
    least = min(demand.least_ohms for demand in demands)
    room = least - base_ohms(build, count, 0.0)
    fitting = [
        part
        for part in catalogue.parts
        if part.ohms * (1.0 + part.tolerance_percent / 100.0) <= room
    ]
    return fitting[-1] if fitting else None


def design_ladders(
    wish: DesignWish,
    *,
    processes: int = 1,
    progress: Callable[[int, int, str], None] | None = None,
) -> tuple[Choice, ...]:
    """Return a few ladders of which none is worse than another in everything, quietest first.

    `progress` is told how many of how many are done, and of what: searches, then plans.
    Raises InputError when none makes every temperature as closely as asked for.
    """
    needed = rungs_needed(wish)
    if max(wish.counts) < needed:
        raise InputError.single(
            f"{max(wish.counts)} rungs cannot make every temperature within"
            f" {wish.deviation_celsius:g} degC, whatever their values: it takes {needed} at least",
            hint="allow more deviation, more relays, or a shorter span",
        )
    searches = list(_tasks(replace(wish, counts=tuple(n for n in wish.counts if n >= needed))))
    with _processes(min(processes, len(searches))) as pool:
        every = _all_carried_out(_searched, searches, pool, progress, "searches")
        sets = {found.parts: found for sets in every for found in sets}
        plans = [(wish, found) for found in sets.values()]
        made = _all_carried_out(_planned, plans, pool, progress, "plans")
    _refuse_nothing(wish, made)
    most = wish.uncertainty_celsius
    close = [choice for choice in made if most is None or choice.uncertainty_celsius <= most]
    if not close:
        least = min(choice.uncertainty_celsius for choice in made)
        raise InputError.single(
            f"the least uncertainty of these ladders is {least:.2g} degC (k = 2), and"
            f" {most:g} degC is asked for",
            hint="take parts of a closer tolerance, or calibrate the ladder",
        )
    best = [one for one in close if not any(_better(other, one) for other in close)]
    return tuple(sorted(best, key=_quietness)[:MOST_CHOICES])


def rungs_needed(wish: DesignWish) -> int:
    """Return how many rungs are needed for the deviation at least, of whatever values."""
    fixed = wish.fixed.ohms if wish.fixed else 0.0
    base = base_ohms(wish.build, max(wish.counts), fixed)
    return max(least_rungs(one, base, wish.deviation_celsius) for one in wish.demands)


def _refuse_nothing(wish: DesignWish, made: Sequence[Choice]) -> None:
    if not made:
        raise InputError.single(
            f"no set of {' or '.join(map(str, wish.counts))} rungs from {wish.catalogue.name} was"
            f" found that makes every temperature within {wish.deviation_celsius:g} degC; with"
            f" values made to order it would take {rungs_needed(wish)} at least",
            hint="allow more deviation, more relays, a closer series, or a shorter span",
        )


def _quietness(choice: Choice) -> tuple[float, int]:
    return math.prod(max(one, 0.1) for one in choice.excursions), choice.kinds


def _better(one: Choice, other: Choice) -> bool:
    """Return whether one is nowhere clearly worse than the other, and somewhere clearly better."""

    def aims(choice: Choice) -> list[float]:
        return [len(choice.parts), choice.kinds, *choice.excursions]

    pairs = list(zip(aims(one), aims(other), strict=True))
    if one is other or any(a > b * (1.0 + _SAME) for a, b in pairs):
        return False
    if any(a < b * (1.0 - _SAME) for a, b in pairs):
        return True
    return (_quietness(one), one.deviation_celsius) < (_quietness(other), other.deviation_celsius)


@dataclass(frozen=True)
class _Task:
    wish: DesignWish
    count: int
    aim: Aim
    seed: int


def _tasks(wish: DesignWish) -> Iterator[_Task]:
    """Yield the searches: for all step sizes together, for each alone, and for few values."""
    every = tuple(sorted(wish.steps_celsius, reverse=True))
    together, alone, few = _SEEDS
    for count in wish.counts:
        aims = [(every, False, together)]
        if len(every) > 1:
            aims += [(every[:1], False, alone)]
        aims += [(every[:1], True, few)]
        for number, (steps, few_kinds, seeds) in enumerate(aims):
            aim = Aim(
                steps_celsius=steps,
                deviation_celsius=wish.deviation_celsius,
                few_kinds=few_kinds,
                rounds=_ROUNDS,
                tries=_TRIES,
                plan_deviation_celsius=wish.plan_deviation_celsius,
            )
            for seed in range(seeds):
                yield _Task(wish, count, aim, wish.seed * 1000 + number * 100 + seed)


@contextlib.contextmanager
def _processes(count: int) -> Iterator[ProcessPoolExecutor | None]:
    """Hold processes; None where one is enough, which is ours. Whatever goes wrong ends them."""
    if count <= 1:
        yield None
        return
    before = {child.pid for child in active_children()}
    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
        try:
            yield pool
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            for child in active_children():
                if child.pid not in before:
                    child.terminate()
            raise


def _all_carried_out(
    work: Callable[[_Given], _Done],
    given: Sequence[_Given],
    pool: ProcessPoolExecutor | None,
    progress: Callable[[int, int, str], None] | None,
    name: str,
) -> list[_Done]:
    """Return what became of each task, in their order, whatever order they were done in."""

    def tell(done: int) -> None:
        if progress is not None:
            progress(done, len(given), name)

    tell(0)
    if pool is None:
        made = []
        for number, one in enumerate(given, start=1):
            made.append(work(one))
            tell(number)
        return made
    with _interrupts_ignored():  # by the processes that begin here: it is for us to end them
        running = [pool.submit(work, one) for one in given]
    for number, done in enumerate(as_completed(running), start=1):
        done.result()
        tell(number)
    return [done.result() for done in running]


@contextlib.contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Ignore Ctrl-C for a moment; only the main thread can."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    earlier = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, earlier)


def _searched(task: _Task) -> tuple[Found, ...]:
    wish = task.wish
    return search_rungs(
        wish.catalogue,
        task.count,
        wish.demands,
        task.aim,
        build=wish.build,
        fixed_ohms=wish.fixed.ohms if wish.fixed else 0.0,
        seed=task.seed,
    )


def _planned(one: tuple[DesignWish, Found]) -> Choice:
    wish, found = one
    return worked_out(wish, found.parts, found.deviation_celsius)


def worked_out(wish: DesignWish, parts: tuple[Part, ...], deviation_celsius: float) -> Choice:
    """Return the figures of a set of parts: every sweep planned as a plan would be."""
    ladder = designed_ladder("designed", wish.build, parts, wish.fixed)
    search = NearestSearch(ladder)
    sweeps: list[Sweep] = []
    uncertainty = 0.0
    for demand in wish.demands:
        for step in wish.steps_celsius:
            sweep, own = _swept(ladder, search, demand, step, wish)
            sweeps.append(sweep)
            uncertainty = max(uncertainty, own)
    return Choice(
        parts=parts,
        deviation_celsius=deviation_celsius,
        uncertainty_celsius=uncertainty,
        sweeps=tuple(sweeps),
    )


def _swept(
    ladder: Ladder,
    search: NearestSearch,
    demand: Demand,
    step_celsius: float,
    wish: DesignWish,
) -> tuple[Sweep, float]:
    """Return a sweep up and down, and the largest expanded uncertainty of its states."""
    count = max(1, round((demand.high_celsius - demand.low_celsius) / step_celsius))
    up = np.linspace(demand.low_celsius, demand.high_celsius, count + 1)
    deviation, module = wish.plan_deviation_celsius, wish.module
    choices = [_choice(search, demand, float(celsius), deviation) for celsius in up]
    plan = plan_sequence(ladder, choices[0].states[0], [*choices, *choices[-2::-1]], demand.celsius)
    filtered = None
    if module is not None:
        filtered = max(
            filtered_excursion(
                [state_ohms(ladder, state) for state in (path.start, *path.states)],
                [hold_ms / 1000 for hold_ms in path.hold_ms],
                pullup_ohms=module.pullup_ohms,
                time_constant_s=module.filter_time_constant_s,
                celsius=demand.celsius,
            )
            for path in plan.paths
        )
    uncertainty = max(
        COVERAGE_FACTOR * _standard_celsius(ladder, demand, state) for state in set(plan.states)
    )
    sweep = Sweep(
        sensor=demand.name,
        step_celsius=step_celsius,
        excursion_celsius=plan.worst_excursion,
        lower_bound_celsius=plan.lower_bound,
        filtered_celsius=filtered,
        relay_operations=plan.relay_operations,
    )
    return sweep, uncertainty


def _choice(
    search: NearestSearch, demand: Demand, celsius: float, plan_deviation: float | None
) -> StepChoice:
    ohms = demand.ohms(celsius)
    nearest = search.nearest_by(ohms, demand.celsius)
    near = np.abs(demand.celsius(np.array([nearest.ohms])) - celsius)
    off = float(allowed_celsius(near, plan_deviation)[0])
    ends = demand.ohms(celsius - off), demand.ohms(celsius + off)
    return connected_choice(search, ohms, *ends, demand.celsius)


def _standard_celsius(ladder: Ladder, demand: Demand, state: int) -> float:
    """Return what the ladder's parts leave uncertain in a state: standard, in degC."""
    ohms = state_ohms(ladder, state)
    around = demand.celsius(np.array([ohms * 0.999, ohms * 1.001]))
    slope = 0.002 * ohms / max(abs(float(around[1] - around[0])), 1e-9)
    return math.hypot(*(one.celsius for one in ladder_contributions(ladder, state, slope)))
