"""How fast the exact nearest search is, as ratios within one run.

Against numpy over all sums (where they fit into memory) and scipy.optimize.milp. Each is given
the same targets; the answers are compared too, so that no ratio is had by being wrong.
"""

from __future__ import annotations

import contextlib
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.ladder.search import NearestSearch

__all__ = ["rows"]


def _ladder(rungs: list[float]) -> Ladder:
    return Ladder(
        name="benchmark",
        relay_count=len(rungs),
        relays=tuple(Relay(index=i) for i in range(len(rungs))),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(Rung(relay=i, ohms=r) for i, r in enumerate(rungs)),
            ),
        ),
    )


def _rungs(count: int) -> list[float]:
    """Return rungs that always end near 50 kohm, so that the targets are alike."""
    growth = (50_000 / 2) ** (1 / (count - 1))
    return [round(2 * growth**i, 2) for i in range(count)]


def _seconds(ask: Callable[[float], float], targets: list[float]) -> tuple[float, list[float]]:
    """Return seconds per target, and the answers."""
    ask(targets[0])
    start = time.perf_counter()
    answers = [ask(target) for target in targets]
    return (time.perf_counter() - start) / len(targets), answers


@contextlib.contextmanager
def _standard_output_off() -> Iterator[None]:
    sys.stdout.flush()
    kept = os.dup(1)
    with Path(os.devnull).open("w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _milp_error(rungs: list[float], target: float) -> float:
    count = len(rungs)
    weights = np.append(rungs, 0.0)
    slack = np.append(np.zeros(count), 1.0)
    with _standard_output_off():  # the solver prints a line of its own now and then
        result = milp(
            c=slack,
            integrality=np.append(np.ones(count), 0),
            bounds=Bounds(0, np.append(np.ones(count), np.inf)),
            constraints=[
                LinearConstraint(weights - slack, -np.inf, target),
                LinearConstraint(weights + slack, target, np.inf),
            ],
            options={"mip_rel_gap": 0.0, "time_limit": 20.0},
        )
    if result.x is None:
        return float("inf")
    return abs(float(np.round(result.x[:count]) @ np.array(rungs)) - target)


def _memory_at_40() -> float:
    """Return the peak memory in MB that 40 rungs add, in a process of its own."""
    code = (
        "from tests_benchmark import _ladder, _rungs, NearestSearch\n"
        "def peak():\n"
        "    with open('/proc/self/status') as status:\n"
        "        line = next(line for line in status if line.startswith('VmHWM'))\n"
        "    return int(line.split()[1]) / 1024\n"
        "before = peak()\n"
        "search = NearestSearch(_ladder(_rungs(40)))\n"
        "search.nearest(12345.6)\n"
        "print(peak() - before)\n"
    )
    loader = (
        "import importlib.util, sys\n"
        f"spec = importlib.util.spec_from_file_location('tests_benchmark', {__file__!r})\n"
        "module = importlib.util.module_from_spec(spec)\n"
        "sys.modules['tests_benchmark'] = module\n"
        "spec.loader.exec_module(module)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", loader + code], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def _row(name: str, measured: str, against: str, ratio: float, aim: str, met: bool) -> dict:
    return {
        "name": name,
        "measured": measured,
        "against": against,
        "ratio": ratio,
        "aim": aim,
        "met": met,
    }


def rows() -> list[dict]:
    """Return one dict a line of the table: name, measured, against, ratio, aim, met."""
    table = []
    rng = np.random.default_rng(7)
    for count in (16, 24, 32, 40):
        rungs = _rungs(count)
        start = time.perf_counter()
        search = NearestSearch(_ladder(rungs))
        built_s = time.perf_counter() - start
        targets = [float(t) for t in rng.uniform(50, 90_000, 1000 if count <= 24 else 20)]
        one_s, found = _seconds(lambda t, s=search: abs(s.nearest(t).error_ohms), targets)
        search.nearest_many(targets[:2])
        start = time.perf_counter()
        together = search.nearest_many(targets)
        ours_s = (time.perf_counter() - start) / len(targets)
        same_answers = [abs(c.error_ohms) for c in together] == found

        if count <= 24:
            sums = np.zeros(1)
            for rung in rungs:
                sums = np.concatenate([sums, sums + rung])
            few = targets[:10]
            brute_s, brute = _seconds(lambda t, s=sums: float(np.abs(s - t).min()), few)
            same = np.allclose(brute, found[: len(few)], atol=1e-6)
            ratio = brute_s / ours_s
            table.append(
                _row(
                    f"exact nearest, {count} rungs",
                    f"{ours_s * 1e3:.3f} ms/target ({one_s * 1e3:.3f} alone)",
                    f"numpy over all sums, {brute_s * 1e3:.2f} ms",
                    ratio,
                    ">= 1000x" if count == 24 else "same answers",
                    bool(same and same_answers and (count != 24 or ratio >= 1000)),
                )
            )
        few = targets[:3]
        solver_s, solver = _seconds(lambda t, r=rungs: _milp_error(r, t), few)
        never_worse = all(f <= s + 1e-6 for f, s in zip(found, solver, strict=False))
        ratio = solver_s / ours_s
        table.append(
            _row(
                f"exact nearest, {count} rungs",
                f"{ours_s * 1e3:.3f} ms/target ({one_s * 1e3:.3f} alone)",
                f"scipy milp (at most 20 s), {solver_s * 1e3:.0f} ms",
                ratio,
                ">= 50x, never worse" if count == 24 else "never worse",
                bool(never_worse and same_answers and (count != 24 or ratio >= 50)),
            )
        )
        if count == 40:
            megabytes = _memory_at_40()
            table.append(
                _row(
                    "exact nearest, 40 rungs",
                    f"{ours_s:.3f} s/target, built in {built_s:.2f} s, {megabytes:.0f} MB",
                    "0.2 s and 200 MB",
                    0.2 / ours_s,
                    "< 0.2 s, < 200 MB",
                    bool(ours_s < 0.2 and megabytes < 200),
                )
            )
    return table


if __name__ == "__main__":
    for line in rows():
        print(
            f"{line['name']:28} {line['measured']:44} {line['against']:40} "
            f"{line['ratio']:10.1f}x  aim {line['aim']:22} {'met' if line['met'] else 'NOT MET'}"
        )
    print(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB in this run")
