"""Which states to measure, so that few measurements give small uncertainty.

Knows: the ladder's equations, an instrument's uncertainty, exchange search for an A-optimal design.
Must not know: files, measured values.

A rung weighed alone is known as well as one reading; a rung that takes part in many states is
known better (weighing designs; Hotelling 1944, Ann. Math. Stat. 15, 297). Which of the two wins
depends on the instrument: with an uncertainty that grows with the reading, small rungs must not
be buried under large ones. So the design is searched for the instrument at hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.calibration.model import (
    contact_variances_ohms2,
    nominal_parameters,
    rungs_of,
    sensitivities,
)
from controller.ladder.calibration.solve import prior_uncertainties_ohms, undetermined_relays
from controller.ladder.electrical import connected_mask, states_ohms, with_contact
from controller.ladder.model import GroupKind, Ladder

__all__ = ["Design", "Instrument", "propose_design"]

_EVERY_STATE_UP_TO = 11
_MIXED_STATES = 1500
_SEARCH_EFFORT = 40_000
"""Random starts times measurements times candidate states: keeps any search within a second."""


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """Standard uncertainty (k = 1) of one reading: a share of the reading plus a floor."""

    relative: float = 1e-4
    floor_ohms: float = 0.01

    def uncertainty_ohms(self, ohms: FloatArray) -> FloatArray:
        """Return the standard uncertainty of readings of any shape."""
        return np.asarray(self.relative * np.abs(ohms) + self.floor_ohms)


@dataclass(frozen=True, kw_only=True)
class Design:
    """States to measure in this order, and the standard uncertainty each rung will then have."""

    states: tuple[int, ...]
    relays: tuple[int, ...]
    uncertainties_ohms: tuple[float, ...]


def propose_design(
    ladder: Ladder, *, measurements: int, instrument: Instrument | None = None, seed: int = 1
) -> Design:
    """Return the states to measure, for the number of measurements allowed.

    Minimises the sum of the rungs' relative variances. The short state comes first when the
    ladder has a short relay: it parts leads and contacts. Raises InputError when so few
    measurements cannot determine all rungs.
    """
    rungs = rungs_of(ladder)
    zero = _short_states(ladder)
    if measurements < len(rungs) + len(zero):
        raise InputError.single(
            f"{len(rungs)} rungs need at least {len(rungs) + len(zero)} measurements"
            + (", the zero included" if zero else "")
            + f", not {measurements}",
            where=ladder.name,
        )
    meter = instrument or Instrument()
    pool = _pool(ladder, seed)
    states = [*zero, *pool]
    nominal = nominal_parameters(ladder)
    variances = meter.uncertainty_ohms(states_ohms(ladder, np.array(states, dtype=np.uint64))) ** 2
    variances += contact_variances_ohms2(ladder, states, nominal)
    rows = sensitivities(ladder, states, nominal) / np.sqrt(variances)[:, None]
    # In relative values of the rungs every rung counts the same.
    scale = np.concatenate([nominal[:-2], prior_uncertainties_ohms(ladder)])
    rows = rows * scale
    # A vague prior keeps the matrix regular while the first states are chosen.
    start = np.diag([*np.full(len(rungs), 1e-2), 1.0, 1.0])
    chosen = _search(rows, start, fixed=len(zero), size=measurements, rungs=len(rungs), seed=seed)
    picked = [states[index] for index in chosen]
    if undetermined_relays(ladder, picked):
        raise InputError.single(
            "no set of states determines all rungs of this ladder", where=ladder.name
        )
    prior_only = np.diag([*np.zeros(len(rungs)), 1.0, 1.0])
    covariance = np.linalg.inv(prior_only + rows[chosen].T @ rows[chosen])
    own = np.sqrt(np.diag(covariance))[: len(rungs)] * scale[: len(rungs)]
    return Design(
        states=tuple(picked),
        relays=tuple(rung.relay for rung in rungs),
        uncertainties_ohms=tuple(own.tolist()),
    )


def _search(
    rows: FloatArray, start: FloatArray, *, fixed: int, size: int, rungs: int, seed: int
) -> list[int]:
    """Return the indices of the rows with the least summed variance of the first `rungs` values.

    Exchange gets stuck in local optima, so it is started from a greedy choice and from random ones.
    """
    free = np.arange(fixed, len(rows))

    def spread(indices: list[int]) -> FloatArray:
        return np.asarray(np.linalg.inv(start + rows[indices].T @ rows[indices]))

    def cost(covariance: FloatArray) -> float:
        return float(np.trace(covariance[:rungs, :rungs]))

    def best_addition(covariance: FloatArray) -> tuple[int, float]:
        # Sherman-Morrison: what one more row takes off the trace.
        moved = rows[free] @ covariance
        gain = np.sum(moved[:, :rungs] ** 2, axis=1) / (1.0 + np.sum(moved * rows[free], axis=1))
        at = int(np.argmax(gain))
        return int(free[at]), float(gain[at])

    def exchanged(chosen: list[int]) -> tuple[float, list[int]]:
        now = cost(spread(chosen))
        for _ in range(30):
            before = now
            for place in range(fixed, size):
                reduced = spread(chosen[:place] + chosen[place + 1 :])
                index, gain = best_addition(reduced)
                if cost(reduced) - gain < now * (1 - 1e-9):
                    chosen[place] = index
                    now = cost(spread(chosen))
            if now > before * (1 - 1e-6):
                break
        return now, chosen

    greedy = list(range(fixed))
    while len(greedy) < size:
        greedy.append(best_addition(spread(greedy))[0])
    rng = np.random.default_rng(seed)
    starts = [greedy]
    starts += [
        [*range(fixed), *rng.choice(free, size - fixed).tolist()]
        for _ in range(_SEARCH_EFFORT // (size * len(rows)))
    ]
    return min((exchanged(chosen) for chosen in starts), key=lambda found: found[0])[1]


def _short_states(ladder: Ladder) -> list[int]:
    if ladder.short_relay is None:
        return []
    return [with_contact(ladder, connected_mask(ladder), ladder.short_relay, closed=True)]


def _pool(ladder: Ladder, seed: int) -> list[int]:
    """Return candidate states, none open: all of a small ladder, a choice of a large one."""
    base = connected_mask(ladder)
    rungs = [(rung.relay, group.kind) for group in ladder.groups for rung in group.rungs]

    def state(inside: tuple[int, ...]) -> int:
        found = base
        for index, (relay, kind) in enumerate(rungs):
            # In circuit: a series rung's contact is open, a parallel rung's closed.
            closed = (index in inside) == (kind is GroupKind.PARALLEL)
            found = with_contact(ladder, found, relay, closed=closed)
        return found

    pool = list(dict.fromkeys(state(inside) for inside in _subsets(len(rungs), seed)))
    finite = np.isfinite(states_ohms(ladder, np.array(pool, dtype=np.uint64)))
    return [one for one, good in zip(pool, finite, strict=True) if good]


def _subsets(count: int, seed: int) -> Iterator[tuple[int, ...]]:
    everything = tuple(range(count))
    if count <= _EVERY_STATE_UP_TO:
        for size in range(count + 1):
            yield from combinations(everything, size)
        return
    yield ()
    for size in (1, 2):
        yield from combinations(everything, size)
    for size in (count, count - 1):
        yield from combinations(everything, size)
    rng = np.random.default_rng(seed)
    for _ in range(_MIXED_STATES):
        inside = np.flatnonzero(rng.random(count) < rng.uniform(0.1, 0.9))
        yield tuple(inside.tolist())
