"""How fast a sweep is resolved and simulated, as ratios within one run.

The demo sweep on its simulated bench in virtual time, against the time it simulates; and a plan
of two hundred steps resolved, paths and sequence included, against its own settle times.
"""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from controller.bench.files import load_bench
from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.planning.files import load_plan
from controller.planning.plan import Direction, TargetBlock
from controller.planning.resolve import resolve
from controller.run.job import run_events
from controller.run.sweep import SweepRun

__all__ = ["rows"]

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
SIMULATED_AIM = 1000.0
RESOLVE_AIM_S = 1.0


def rows() -> list[dict[str, Any]]:
    """Return one dict a line of the table: name, measured, against, ratio, aim, met."""
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    bench_file = load_bench(SWEEPS / "benches" / "simulated.toml")
    table = [_simulated("simulated sweep, demo plan", plan, bench_file)]
    # An hour: the same targets, settled for longer.
    hour = replace(plan, settle=replace(plan.settle, for_s=58.0, at_most_s=120.0))
    table.append(_simulated("simulated sweep, an hour of it", hour, bench_file))

    [block] = plan.blocks
    many = TargetBlock(
        targets=tuple(block.targets[(i * 11) % len(block.targets)] for i in range(200)),
        direction=Direction.AS_WRITTEN,
    )
    long_plan = replace(plan, blocks=(many,), max_excursion_celsius=None)
    start = time.perf_counter()
    resolved = resolve(long_plan, bench_file.ladder, bench_file.module)
    took_s = time.perf_counter() - start
    settle_s = plan.settle.for_s * len(resolved.steps)
    table.append(
        _row(
            "plan of 200 steps resolved, 16 rungs",
            f"{took_s:.2f} s",
            f"its settle times, {settle_s:.0f} s",
            settle_s / took_s,
            f"< {RESOLVE_AIM_S:g} s",
            took_s < RESOLVE_AIM_S,
        )
    )
    return table


def _simulated(name: str, plan: Any, bench_file: Any) -> dict[str, Any]:
    resolved = resolve(plan, bench_file.ladder, bench_file.module)
    clock = VirtualClock()
    start = time.perf_counter()
    with closing(open_bench(bench_file, clock)) as bench:
        run = SweepRun(resolved, bench, clock)
        for _ in run_events(run):
            pass
    took_s = time.perf_counter() - start
    if len(run.results) != len(resolved.steps):
        raise AssertionError("the sweep did not run to its end")
    ratio = clock.now_s() / took_s
    return _row(
        name,
        f"{took_s:.3f} s",
        f"its simulated duration, {clock.now_s():.0f} s",
        ratio,
        f">= {SIMULATED_AIM:g}x",
        ratio >= SIMULATED_AIM,
    )


def _row(
    name: str, measured: str, against: str, ratio: float, aim: str, met: bool
) -> dict[str, Any]:
    return {
        "name": name,
        "measured": measured,
        "against": against,
        "ratio": ratio,
        "aim": aim,
        "met": met,
    }


if __name__ == "__main__":
    for row in rows():
        print(row)
