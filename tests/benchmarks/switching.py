"""What the module sees while relays switch: planned paths against all relays at once.

A 2.8 kohm Type 1 thermistor (inverse equation as in tests/reference/ntc_type1_ratio.csv) from
-40 to 130 degC in steps of 2.5 degC, up; on a binary ladder, on 1-2-2-5 decades and on the bench
ladder. Then over every sweep of the demonstration, as the command line resolves it. Planning times
are for 200 steps, choice of states, sequence and paths included.
"""

from __future__ import annotations

import itertools
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from controller.arrays import FloatArray
from controller.bench.model import Switching
from controller.ladder.files import load_ladder
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.ladder.path import all_at_once_excursion
from controller.ladder.search import NearestSearch
from controller.ladder.sequence import SequencePlan, connected_choice, plan_sequence
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.planning.plan import PlanKind
from controller.planning.resolve import resolve

__all__ = ["rows"]

_R25 = 2800.0
_SETTLE_S = 2.0  # a short settle for one step: the sweep these plans belong to takes 200 of them
_SHARE_CELSIUS = 0.1  # near-equal: within this of the target
_NEAR_TIE = 0.1  # what a plan has unless it says otherwise
_SWEEPS = Path(__file__).parents[2] / "sweeps"
_LADDERS = _SWEEPS / "ladders"


def _celsius_equation(ohms: FloatArray) -> FloatArray:
    q = np.log(ohms / _R25)
    inverse = 3.3539438e-3 + 2.5646095e-4 * q + 2.5158166e-6 * q**2 + 1.0503069e-7 * q**3
    return np.asarray(1.0 / inverse - 273.15)


_OHMS = np.geomspace(_R25 * 0.012, _R25 * 110.0, 4000)
_CELSIUS = _celsius_equation(_OHMS)


def _scale(ohms: FloatArray) -> FloatArray:
    """Return degC, held at the ends of the equation's span: about 177 and -58 degC."""
    held = np.clip(np.asarray(ohms, dtype=np.float64), _OHMS[0], _OHMS[-1])
    return np.asarray(np.interp(np.log(held), np.log(_OHMS), _CELSIUS))


def _ohms(celsius: float) -> float:
    """Return the resistance at a temperature, by interpolation in the same table."""
    return float(np.exp(np.interp(-celsius, -_CELSIUS, np.log(_OHMS))))


def _series(name: str, rungs: list[float]) -> Ladder:
    return Ladder(
        name=name,
        relay_count=len(rungs),
        relays=tuple(Relay(index=i, contact_ohms=0.05) for i in range(len(rungs))),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(Rung(relay=i, ohms=r) for i, r in enumerate(rungs)),
            ),
        ),
    )


def _plan(ladder: Ladder, temperatures: list[float], limit: int) -> SequencePlan:
    search = NearestSearch(ladder)
    steps = [
        connected_choice(
            search,
            _ohms(t),
            _ohms(t + _SHARE_CELSIUS),
            _ohms(t - _SHARE_CELSIUS),
            _scale,
            limit=limit,
        )
        for t in temperatures
    ]
    return plan_sequence(ladder, steps[0].states[0], steps, _scale)


def _excursions(name: str, ladder: Ladder) -> list[dict]:
    temperatures = [float(t) for t in np.arange(-40.0, 130.1, 2.5)]
    nearest = _plan(ladder, temperatures, limit=1)
    together = [
        all_at_once_excursion(ladder, path.start, path.states[-1], _scale)
        for path in nearest.paths
        if path.states
    ]
    planned = _plan(ladder, temperatures, limit=8)
    strays = [path.excursion for path in planned.paths if path.states]
    moved, moved_at_once = planned.relay_operations, nearest.relay_operations
    return [
        _compared(f"worst excursion, {name}", max(strays), moved, max(together), moved_at_once),
        _compared(
            f"median excursion, {name}",
            float(np.median(strays)),
            moved,
            float(np.median(together)),
            moved_at_once,
        ),
    ]


def _over_demo_plans(name: str, ladder: Ladder) -> list[dict]:
    """Compare the steps of the demo sweeps that are reached from another temperature.

    A dead short counts as 500 degC, where the sensor's scale is cut off.
    """
    strays: dict[Switching, list[float]] = {way: [] for way in Switching}
    operations = dict.fromkeys(Switching, 0)
    for path in sorted(_SWEEPS.glob("*.toml")):
        plan = load_plan(path)
        if plan.kind is not PlanKind.SWEEP:
            continue
        plan = replace(plan, max_excursion_celsius=None, near_tie_share=_NEAR_TIE)
        for way in Switching:
            resolved = resolve(plan, ladder, plan.module, switching=way)
            operations[way] += resolved.relay_operations
            strays[way] += [
                after.excursion_celsius
                for before, after in itertools.pairwise(resolved.steps)
                if before.kind is after.kind is StepKind.TEMPERATURE and after.path
            ]
    ours, theirs = strays[Switching.PATH], strays[Switching.ALL_AT_ONCE]
    return [
        _compared(
            f"{what} excursion over the demo sweeps, {name}",
            of(ours),
            operations[Switching.PATH],
            of(theirs),
            operations[Switching.ALL_AT_ONCE],
        )
        for what, of in (("worst", max), ("median", lambda values: float(np.median(values))))
    ]


def _compared(name: str, ours: float, moved: int, theirs: float, moved_at_once: int) -> dict:
    return {
        "name": name,
        "measured": f"{ours:.1f} degC, {moved} operations",
        "against": f"all at once, {theirs:.1f} degC, {moved_at_once} op.",
        "ratio": theirs / ours if ours > 0 else float("inf"),
        "aim": "less",
        "met": bool(ours < theirs),
    }


def _planning_time(count: int) -> dict:
    growth = (50_000 / 2) ** (1 / (count - 1))
    ladder = _series("timing", [round(2 * growth**i, 2) for i in range(count)])
    up = [float(t) for t in np.linspace(-35.0, 125.0, 100)]
    start = time.perf_counter()
    plan = _plan(ladder, up + up[::-1], limit=8)
    took_s = time.perf_counter() - start
    return {
        "name": f"plan of 200 steps, {count} rungs",
        "measured": f"{took_s:.2f} s, worst {plan.worst_excursion:.1f} degC",
        "against": f"its own settle times, {200 * _SETTLE_S:.0f} s",
        "ratio": 200 * _SETTLE_S / took_s,
        "aim": "< 1 s" if count == 16 else "stated",
        "met": bool(count != 16 or took_s < 1.0),
    }


def rows() -> list[dict]:
    """Return one dict a line of the table: name, measured, against, ratio, aim, met."""
    binary = _series("binary", [1.5 * 2.0**i for i in range(16)])
    return [
        *_excursions("binary, 16 rungs", binary),
        *_excursions("1-2-2-5, 20 rungs", load_ladder(_LADDERS / "bench-1225.toml")),
        *_excursions("bench, 16 rungs", load_ladder(_LADDERS / "bench-16.toml")),
        *_over_demo_plans("binary", load_ladder(_LADDERS / "binary-16.toml")),
        *_over_demo_plans("1-2-2-5", load_ladder(_LADDERS / "bench-1225.toml")),
        *_over_demo_plans("bench", load_ladder(_LADDERS / "bench-16.toml")),
        *(_planning_time(count) for count in (16, 20, 24)),
    ]


if __name__ == "__main__":
    for line in rows():
        print(
            f"{line['name']:50} {line['measured']:32} {line['against']:36} "
            f"{line['ratio']:8.1f}x  aim {line['aim']:8} {'met' if line['met'] else 'NOT MET'}"
        )
