"""A tool that a technician reads, and what stands before it: makes logs to be laid against a run.

Shares nothing with `controller.logs` but the meaning of a stand: a bench that steps through
temperatures, a module with a fault of its own, a lag, slow renewal and rounding, and a tool with
a clock, a pace, jitter, drop-outs and spikes of its own. The truth is known for every row.
"""

from __future__ import annotations

import bisect
import math
import random
from dataclasses import dataclass, replace

PARKED_CELSIUS = -40.0
"""What the module shows while the ladder is parked, an open circuit."""


@dataclass(frozen=True)
class Bench:
    """Temperatures in the order they are set, each with the time it is set and left."""

    celsius: tuple[float, ...]
    set_s: tuple[float, ...]
    left_s: tuple[float, ...]

    def at(self, run_s: float) -> tuple[int | None, float]:
        """Return the step that is set at a time, None for none, and its temperature."""
        index = bisect.bisect_right(self.set_s, run_s) - 1
        if index < 0 or run_s > self.left_s[-1] + 0.1:
            return None, PARKED_CELSIUS
        return index, self.celsius[index]


@dataclass(frozen=True)
class Module:
    """From a temperature to what is shown, in time."""

    pullup_ohms: float = 2490.0
    series_ohms: float = 0.0
    leak_ohms: float = math.inf
    gain: float = 1.0
    shift_celsius: float = 0.0
    most_celsius: float = 130.0
    time_constant_s: float = 0.15
    renewed_every_s: float = 0.2
    step_celsius: float = 1.0

    def shows(self, celsius: float) -> float:
        """Return what is shown in the end: a thermistor of 2.5 kohm at 25 degC, beta 3950."""
        if celsius <= PARKED_CELSIUS:
            return PARKED_CELSIUS
        ohms = 2500.0 * math.exp(3950.0 * (1 / (celsius + 273.15) - 1 / 298.15))
        seen = ohms + self.series_ohms
        seen = self.gain * (
            seen if math.isinf(self.leak_ohms) else 1 / (1 / seen + 1 / self.leak_ohms)
        )
        told = 1 / (math.log(seen / 2500.0) / 3950.0 + 1 / 298.15) - 273.15
        return min(max(told + self.shift_celsius, PARKED_CELSIUS), self.most_celsius)


@dataclass(frozen=True)
class Tool:
    """What writes the log."""

    every_s: float = 1.0
    jitter_s: float = 0.1
    late_s: float = 0.3
    clock_ahead_s: float = 1234.5
    clock_ppm: float = 0.0
    before_s: float = 60.0
    after_s: float = 30.0
    lost_share: float = 0.0
    gaps: int = 0
    gap_s: float = 15.0
    spikes: int = 0
    in_degf: bool = False


@dataclass(frozen=True)
class Row:
    """A row of a log with the truth about it. `value` is None where the tool wrote none."""

    log_s: float
    value: float | None
    step: int | None
    run_s: float


def bench(
    celsius: list[float], *, stand_s: float = 9.0, way_s: float = 0.15, start_s: float = 1.3
) -> Bench:
    """Return a bench that stands equally long at each temperature."""
    at, set_s, left_s = start_s, [], []
    for _ in celsius:
        at += way_s
        set_s.append(at)
        at += stand_s
        left_s.append(at)
    return Bench(tuple(celsius), tuple(set_s), tuple(left_s))


def log_of(run: Bench, module: Module, tool: Tool, seed: int) -> list[Row]:
    """Return the log that a tool writes of a run."""
    chance = random.Random(seed)
    shown, renewed, filtered = PARKED_CELSIUS, -1e9, PARKED_CELSIUS
    tick = 0.1
    history: list[tuple[float, float, int | None]] = []
    at = -tool.before_s - 5.0
    levels = {celsius: module.shows(celsius) for celsius in (*run.celsius, PARKED_CELSIUS)}
    share = 1 - math.exp(-tick / module.time_constant_s)
    while at < run.left_s[-1] + tool.after_s + 5.0:
        step, celsius = run.at(at)
        filtered += (levels[celsius] - filtered) * share
        if at - renewed >= module.renewed_every_s:
            renewed, shown = at, module.step_celsius * round(filtered / module.step_celsius)
        history.append((at, shown, step))
        at += tick
    gaps = [chance.uniform(0.0, run.left_s[-1]) for _ in range(tool.gaps)]
    rows: list[Row] = []
    asked, last_s = -tool.before_s, -1e9
    while asked < run.left_s[-1] + tool.after_s:
        index = max(int((asked + tool.before_s + 5.0) / tick), 0)
        _, value, step = history[min(index, len(history) - 1)]
        written = asked + tool.late_s + chance.uniform(0.0, tool.jitter_s)
        written = max(written, last_s)
        last_s = written
        log_s = round(written * (1 + tool.clock_ppm * 1e-6) + tool.clock_ahead_s, 3)
        lost = chance.random() < tool.lost_share or any(g <= asked <= g + tool.gap_s for g in gaps)
        said = round(value * 1.8 + 32.0) if tool.in_degf else value
        rows.append(Row(log_s, None if lost else said, step, asked))
        asked += tool.every_s * chance.uniform(0.97, 1.03)
    for _ in range(tool.spikes):
        index = chance.randrange(len(rows))
        if rows[index].value is not None:
            rows[index] = replace(rows[index], value=chance.choice([0.0, 215.0, -40.0]))
    return rows


def any_module(chance: random.Random) -> Module:
    """Return a module: sound in a third of all cases, else with one of the usual faults."""
    usual = Module(
        time_constant_s=chance.choice([0.15, 0.3, 0.8]),
        renewed_every_s=chance.choice([0.1, 0.25, 0.5, 1.0]),
        step_celsius=chance.choice([1.0, 1.0, 0.5, 0.1]),
    )
    match chance.randrange(9):
        case 0:
            return replace(usual, series_ohms=chance.uniform(20.0, 200.0))
        case 1:
            return replace(usual, leak_ohms=chance.uniform(8e3, 8e4))
        case 2:
            return replace(usual, gain=chance.uniform(0.8, 1.25))
        case 3:
            return replace(usual, shift_celsius=chance.uniform(-8.0, 8.0))
        case 4:
            return replace(usual, most_celsius=chance.uniform(95.0, 115.0))
        case _:
            return usual


def any_tool(chance: random.Random) -> Tool:
    """Return a tool: pace, delay, clock, gaps and spikes as they come."""
    return Tool(
        every_s=chance.choice([0.25, 0.5, 1.0, 1.0, 1.5, 2.0]),
        jitter_s=chance.uniform(0.0, 0.4),
        late_s=chance.uniform(0.0, 1.5),
        clock_ahead_s=chance.uniform(-40_000.0, 40_000.0),
        clock_ppm=chance.uniform(-150.0, 150.0),
        before_s=chance.choice([0.0, 3.0, 20.0, 90.0, 400.0]),
        after_s=chance.choice([0.0, 3.0, 20.0, 200.0]),
        lost_share=chance.choice([0.0, 0.0, 0.02, 0.08]),
        gaps=chance.choice([0, 0, 1, 3]),
        gap_s=chance.uniform(3.0, 30.0),
        spikes=chance.choice([0, 0, 2, 6]),
        in_degf=chance.random() < 0.2,
    )
