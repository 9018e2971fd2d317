"""One change of state as the module sees it, switched both ways: what a picture shows.

Knows: how simulated relays move, the divider, a first-order filter, the sensor's scale.
Must not know: pictures, files, links.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder, PathStep
from controller.ladder.motion import Latch, WaveformPoint, waveform
from controller.ladder.path import TIME_SPREAD, longest_relay_ms
from controller.ladder.search import Scale
from controller.module.divider import divider_ohms, divider_volts
from controller.module.model import Module

__all__ = ["SEEDS", "Trace", "Transition", "transition"]

SEEDS = 50
"""How many chances all relays together are given; the worst of them is shown."""

_SAMPLES = 600
_LEAD = 0.06  # share of a trace's time that is shown before the first latch, at least 2 ms


@dataclass(frozen=True, kw_only=True)
class Trace:
    """What the input sees of one change; zero milliseconds is the first latch.

    `edges_ms` and `edge_volts` are the corners of the input's voltage, which holds from each to
    the next; `at_ms` and `filtered_volts` follow it through the filter. `least_ohms` and
    `most_ohms` are the extremes of the resistance. The excursions are in degC beyond the span of
    the two ends.
    """

    edges_ms: FloatArray
    edge_volts: FloatArray
    at_ms: FloatArray
    filtered_volts: FloatArray
    least_ohms: float
    most_ohms: float
    excursion_celsius: float
    filtered_excursion_celsius: float


@dataclass(frozen=True, kw_only=True)
class Transition:
    """A change from one state to another: all relays at once, and by path."""

    start: int
    end: int
    start_ohms: float
    end_ohms: float
    moved: int
    together: Trace
    by_path: Trace


def transition(
    ladder: Ladder,
    module: Module,
    start: int,
    path: Sequence[PathStep],
    celsius: Scale,
    *,
    seeds: int = SEEDS,
) -> Transition:
    """Return what the module's input (its first pull-up) sees of a change, as relays move.

    `path` must not be empty. `celsius` is defined from 0 ohm to math.inf.
    """
    end = path[-1].state
    at_once = [Latch(at_ms=0.0, state=end)]
    whole_ms = 2.0 * longest_relay_ms(ladder) * (1.0 + TIME_SPREAD)
    chances = [
        _trace(ladder, module, start, at_once, whole_ms, celsius, seed) for seed in range(seeds)
    ]
    latches, at_ms = [], 0.0
    for hop in path:
        latches.append(Latch(at_ms=at_ms, state=hop.state))
        at_ms += hop.hold_ms
    return Transition(
        start=start,
        end=end,
        start_ohms=state_ohms(ladder, start),
        end_ohms=state_ohms(ladder, end),
        moved=(start ^ end).bit_count(),
        together=max(chances, key=lambda t: (t.filtered_excursion_celsius, t.excursion_celsius)),
        by_path=_trace(ladder, module, start, latches, at_ms, celsius, seed=0),
    )


def _trace(
    ladder: Ladder,
    module: Module,
    start: int,
    latches: Sequence[Latch],
    until_ms: float,
    celsius: Scale,
    seed: int,
) -> Trace:
    points = waveform(ladder, start, latches, seed=seed)
    lead_ms = max(2.0, _LEAD * until_ms)
    edges_ms = np.array([-lead_ms, *(point.at_s * 1000 for point in points[1:])])
    ohms = np.array([point.ohms for point in points])
    volts = divider_volts(module.reference_volts, module.pullup_ohms, ohms)
    at_ms = np.unique(np.concatenate([np.linspace(-lead_ms, until_ms, _SAMPLES), edges_ms]))
    at_ms = at_ms[at_ms <= until_ms]
    filtered = _filtered(edges_ms, volts, at_ms, module.filter_time_constant_s * 1000)
    seen_ohms = divider_ohms(module.reference_volts, module.pullup_ohms, filtered)
    return Trace(
        edges_ms=edges_ms,
        edge_volts=volts,
        at_ms=at_ms,
        filtered_volts=filtered,
        least_ohms=float(ohms.min()),
        most_ohms=float(ohms.max()),
        excursion_celsius=_strays(celsius(ohms), celsius(_ends(points))),
        filtered_excursion_celsius=_strays(celsius(seen_ohms), celsius(_ends(points))),
    )


def _ends(points: Sequence[WaveformPoint]) -> FloatArray:
    return np.array([points[0].ohms, points[-1].ohms])


def _strays(passed: FloatArray, ends: FloatArray) -> float:
    return max(0.0, float(ends.min() - passed.min()), float(passed.max() - ends.max()))


def _filtered(edges_ms: FloatArray, volts: FloatArray, at_ms: FloatArray, tau: float) -> FloatArray:
    """Return the filter's voltage at sorted times; it has settled on the first value before."""
    if tau <= 0.0:
        return np.asarray(volts[np.searchsorted(edges_ms, at_ms, side="right") - 1])
    seen = np.empty(at_ms.size)
    held, since_ms = float(volts[0]), float(edges_ms[0])
    for index, target in enumerate(volts):
        until_ms = edges_ms[index + 1] if index + 1 < volts.size else math.inf
        inside = (at_ms >= since_ms) & (at_ms < until_ms)
        seen[inside] = target + (held - target) * np.exp(-(at_ms[inside] - since_ms) / tau)
        if math.isfinite(until_ms):
            held = float(target + (held - target) * math.exp(-(until_ms - since_ms) / tau))
            since_ms = float(until_ms)
    return seen
