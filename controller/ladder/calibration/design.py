"""Which states to measure, so that few measurements give small uncertainty.

A rung weighed alone is known as well as one reading; a rung that takes part in many states is
known better (weighing designs; Hotelling 1944, Ann. Math. Stat. 15, 297). Which of the two wins
depends on the instrument: with an uncertainty that grows with the reading, small rungs must not
be buried under large ones. So the design is searched for the instrument at hand.

A design that is best in this sense alone measures a large rung once: it is known well enough by
that, and a misread figure goes into it unseen. So a second condition stands beside the first: every
state is checked by others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.ladder.calibration.exchange import Candidates, chosen_rows
from controller.ladder.calibration.model import (
    contact_variances_ohms2,
    nominal_parameters,
    rungs_of,
    sensitivities,
)
from controller.ladder.calibration.rows import LEAST_REDUNDANCY
from controller.ladder.calibration.solve import prior_uncertainties_ohms, undetermined_relays
from controller.ladder.electrical import connected_mask, states_ohms, with_contact
from controller.ladder.model import GroupKind, Ladder

__all__ = ["Design", "Instrument", "propose_design"]

_EVERY_STATE_UP_TO = 11
_MIXED_STATES = 1500
_ROOM = 6
"""So many readings more than rungs leave one for a second zero."""
_WELL_KNOWN = 1e-3
_SEARCH_EFFORT = 72_000
"""Random starts times measurements times candidate states: keeps any search within seconds."""
_MOST_STARTS = 80


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
    """States to measure in this order, and the standard uncertainty each rung will then have.

    `redundancies` says of each state how much of a slip in it the others would show, from 0
    (nothing) to 1; below `LEAST_REDUNDANCY` it is not checked.
    """

    states: tuple[int, ...]
    relays: tuple[int, ...]
    uncertainties_ohms: tuple[float, ...]
    redundancies: tuple[float, ...]

    @property
    def unchecked(self) -> tuple[int, ...]:
        """The indices of the states in which the other ones would not show a slip."""
        return tuple(i for i, r in enumerate(self.redundancies) if r < LEAST_REDUNDANCY)


def propose_design(
    ladder: Ladder, *, measurements: int, instrument: Instrument | None = None, seed: int = 1
) -> Design:
    """Return the states to measure, for the number of measurements allowed.

    The rungs' variances are kept small under the condition that every state is checked by the
    others, as far as so many measurements can (`exchange`). The short state comes
    first when the ladder has a short relay: it parts leads and contacts. Where nothing else would
    check it, it comes last once more. Raises InputError when so few measurements cannot determine
    all rungs.
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
    if zero and measurements >= len(rungs) + _ROOM and _leads_are_vague(ladder, meter):
        zero = zero * 2
    states = [*zero, *_pool(ladder, seed)]
    nominal = nominal_parameters(ladder)
    own = meter.uncertainty_ohms(states_ohms(ladder, np.array(states, dtype=np.uint64)))
    variances = own**2 + contact_variances_ohms2(ladder, states, nominal)
    rows = sensitivities(ladder, states, nominal) / np.sqrt(variances)[:, None]
    # What the uncertainty of each rung is measured by: the best that one reading could give, or a
    # thousandth of the rung; a large rung that is known better than that has had enough.
    best = 1.0 / np.maximum(np.abs(rows[:, :-2]).max(axis=0), 1e-300)
    worth = np.hypot(best, _WELL_KNOWN * nominal[:-2])
    scale = np.concatenate([worth, prior_uncertainties_ohms(ladder)])
    rows = rows * scale
    candidates = Candidates(
        rows=rows,
        # A vague prior keeps the matrix regular while the first states are chosen.
        prior=np.diag([*np.full(len(rungs), 1e-6), 1.0, 1.0]),
        slips=own / np.sqrt(variances),
        fixed=len(zero),
        values=len(rungs),
    )
    rng = np.random.default_rng(seed)
    chosen = chosen_rows(
        candidates,
        measurements,
        starts=[
            _neighbours(ladder, states),
            *(
                rng.permutation(np.arange(len(zero), len(states))).tolist()
                for _ in range(min(_MOST_STARTS, _SEARCH_EFFORT // (measurements * len(rows))))
            ),
        ],
        searched=2 * (len(rungs) + 2),
    )
    if len(zero) > 1:  # the second zero comes last: it shows a meter that wandered, too
        chosen = [chosen[0], *chosen[2:], chosen[1]]
    picked = [states[index] for index in chosen]
    if undetermined_relays(ladder, picked):
        raise InputError.single(
            "no set of states determines all rungs of this ladder", where=ladder.name
        )
    prior_only = np.diag([*np.zeros(len(rungs)), 1.0, 1.0])
    covariance = np.linalg.inv(prior_only + rows[chosen].T @ rows[chosen])
    reached = np.sqrt(np.diag(covariance))[: len(rungs)] * worth
    leverage = np.sum((rows[chosen] @ covariance) * rows[chosen], axis=1)
    return Design(
        states=tuple(picked),
        relays=tuple(rung.relay for rung in rungs),
        uncertainties_ohms=tuple(reached.tolist()),
        redundancies=tuple(np.clip(1.0 - leverage, 0.0, 1.0).tolist()),
    )


def _leads_are_vague(ladder: Ladder, meter: Instrument) -> bool:
    """Return whether the file knows so little of the leads that it cannot check the zero."""
    known = np.hypot(*prior_uncertainties_ohms(ladder))
    read = np.hypot(meter.floor_ohms, prior_uncertainties_ohms(ladder)[0])
    return bool(read**2 < LEAST_REDUNDANCY * (read**2 + known**2))


def _neighbours(ladder: Ladder, states: Sequence[int]) -> list[int]:
    """Return a chain to begin with: every rung alone, then each with the next larger one."""
    rungs = [(rung, group.kind) for group in ladder.groups for rung in group.rungs]
    order = sorted(range(len(rungs)), key=lambda index: -rungs[index][0].ohms)
    wanted = [(index,) for index in order] + list(pairwise(order))
    place = {state: index for index, state in enumerate(states)}
    found = [place.get(_state(ladder, inside)) for inside in wanted]
    return [index for index in found if index is not None]


def _short_states(ladder: Ladder) -> list[int]:
    if ladder.short_relay is None:
        return []
    return [with_contact(ladder, connected_mask(ladder), ladder.short_relay, closed=True)]


def _state(ladder: Ladder, inside: Sequence[int]) -> int:
    """Return the state that has exactly these rungs, counted in the order of the file, in circuit.

    A series rung is in circuit when its contact is open, a parallel one when it is closed.
    """
    found = connected_mask(ladder)
    rungs = [(rung.relay, group.kind) for group in ladder.groups for rung in group.rungs]
    for index, (relay, kind) in enumerate(rungs):
        closed = (index in inside) == (kind is GroupKind.PARALLEL)
        found = with_contact(ladder, found, relay, closed=closed)
    return found


def _pool(ladder: Ladder, seed: int) -> list[int]:
    """Return candidate states, none open: all of a small ladder, a choice of a large one."""
    subsets = _subsets(len(rungs_of(ladder)), seed)
    pool = list(dict.fromkeys(_state(ladder, inside) for inside in subsets))
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
