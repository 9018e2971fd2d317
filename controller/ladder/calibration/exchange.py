"""Which rows of a large choice to measure: small variances, and no row that nothing checks.

Numbers only. The cost of a choice is the summed variance of the values (A-optimality), raised where
a row shows too little of a slip of its own (its leverage is too high), or shows it just as another
row would (nobody could say which of the two is wrong). The search exchanges one row at a time, from
several beginnings, because exchange gets stuck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray

__all__ = ["Candidates", "chosen_rows"]

_WANTED_REDUNDANCY = 0.2
"""Each row is to show at least this share of the variance of what is wrong with it."""
_WANTED_SHOWN = 0.06
"""Of a slip that is counted in the meter's uncertainty this is to be left, where contacts that
scatter hide their share: 30 times the uncertainty then stands out by seven ..."""
_WANTED_SEPARATION = 0.03
"""... and this when any one other row is left out: by five from a slip in the other."""
_PENALTY = 10.0
_LOOKED_AT = 16
"""So many of the best candidates for a place have their separation worked out."""
_MOST_PASSES = 8


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """Rows (c, p) over their standard uncertainty; the first `fixed` ones are taken in any case.

    `slips` (c,) is the instrument's share of each row's standard uncertainty, up to 1. `prior`
    (p, p) is the information there is before. The variances of the first `values` parameters count.
    """

    rows: FloatArray
    slips: FloatArray
    prior: FloatArray
    fixed: int
    values: int


def chosen_rows(
    candidates: Candidates, size: int, *, starts: list[list[int]], searched: int
) -> list[int]:
    """Return the indices of `size` rows, none twice while there are enough of them.

    `starts` are choices to begin with, beside a greedy one; each is made up to size. At most
    `searched` rows are searched for by exchange, those beyond are added one by one.
    """
    core = min(size, searched)
    found = []
    for start in [[], *starts]:
        chosen = [*range(candidates.fixed), *start][:core]
        found.append(_exchanged(candidates, _filled(candidates, chosen, core)))
    _, best = min(found, key=lambda one: one[0])
    return _filled(candidates, best, size, shown=True)


def _covariance(candidates: Candidates, chosen: list[int]) -> FloatArray:
    rows = candidates.rows[chosen]
    return np.asarray(np.linalg.inv(candidates.prior + rows.T @ rows))


def _allowed(candidates: Candidates, chosen: list[int], size: int) -> npt.NDArray[np.bool_]:
    """Return which candidates may still be added: each once, unless there are too few."""
    free = np.ones(len(candidates.rows), dtype=bool)
    free[: candidates.fixed] = False
    if size <= len(candidates.rows):
        free[chosen] = False
    return free


def _filled(
    candidates: Candidates, chosen: list[int], size: int, *, shown: bool = False
) -> list[int]:
    """Return the choice with the rows added that lower the summed variance most.

    With `shown` only rows are taken that show a slip of their own, while there are any.
    """
    rows, values = candidates.rows, candidates.values
    chosen = list(chosen)
    while len(chosen) < size:
        moved = rows @ _covariance(candidates, chosen)
        grown = 1.0 + np.sum(moved * rows, axis=1)
        gain = np.sum(moved[:, :values] ** 2, axis=1) / grown
        allowed = _allowed(candidates, chosen, size)
        showing = allowed & (candidates.slips**2 / grown >= _WANTED_SHOWN)
        gain[~(showing if shown and showing.any() else allowed)] = -1.0
        chosen.append(int(np.argmax(gain)))
    return chosen


def _exchanged(candidates: Candidates, chosen: list[int]) -> tuple[float, list[int]]:
    """Return the choice after exchanging rows while that lowers the cost, and its cost.

    The first pass looks at the variance alone, so that all values become determined before rows
    that check others are worth anything.
    """
    size = len(chosen)
    now = np.inf
    for round_ in range(_MOST_PASSES):
        before = now if round_ > 1 else np.inf
        penalty = _PENALTY if round_ > 0 else 0.0
        for place in range(candidates.fixed, size):
            rest = chosen[:place] + chosen[place + 1 :]
            allowed = _allowed(candidates, rest, size)
            if not allowed.any():
                continue
            cost, index = _best_addition(candidates, rest, allowed, chosen[place], penalty)
            chosen[place], now = index, cost
        if not now < before * (1 - 1e-3):
            break
    return now, chosen


def _best_addition(
    candidates: Candidates,
    rest: list[int],
    allowed: npt.NDArray[np.bool_],
    present: int,
    penalty: float,
) -> tuple[float, int]:
    """Return the least cost, and the row that gives it together with the rest.

    One more row x changes the covariance C by -(C x)(C x)' / (1 + x' C x) (Sherman, Morrison).
    """
    covariance = _covariance(candidates, rest)
    rows = candidates.rows
    moved = rows @ covariance
    grown = 1.0 + np.sum(moved * rows, axis=1)
    variance = np.trace(covariance[: candidates.values, : candidates.values]) - (
        np.sum(moved[:, : candidates.values] ** 2, axis=1) / grown
    )
    across = candidates.rows[rest] @ moved.T
    own = candidates.rows[rest] @ covariance @ candidates.rows[rest].T
    redundancy = 1.0 - np.diag(own)[:, None] + across**2 / grown
    slips = candidates.slips**2
    unseen = (
        _short_of(redundancy, _WANTED_REDUNDANCY).sum(axis=0)
        + _short_of(redundancy * slips[rest][:, None], _WANTED_SHOWN).sum(axis=0)
        + _short_of(1.0 / grown, _WANTED_REDUNDANCY)
        + _short_of(slips / grown, _WANTED_SHOWN)
    )
    cost = variance * (1.0 + penalty * unseen)
    cost[~allowed] = np.inf
    # The best so far, and those that say most of the row that is told apart worst.
    left = np.eye(len(rest)) - own
    worst = int(np.argmin(_separations(left[None])[0] * slips[rest]))
    telling = np.where(allowed, across[worst] ** 2 / grown * np.sqrt(slips), -1.0)
    looked_at = np.unique(
        np.concatenate([np.argsort(cost)[:_LOOKED_AT], np.argsort(-telling)[:_LOOKED_AT]])
    )
    looked_at = looked_at[allowed[looked_at]]
    if allowed[present] and present not in looked_at:
        looked_at = np.append(looked_at, present)
    separation = _separations(_with_additions(left, across[:, looked_at].T, grown[looked_at]))
    separation *= np.column_stack([np.tile(slips[rest], (len(looked_at), 1)), slips[looked_at]])
    cost = cost[looked_at] + variance[looked_at] * penalty * (
        _short_of(separation, _WANTED_SEPARATION).sum(axis=1)
    )
    best = int(np.argmin(cost))
    return float(cost[best]), int(looked_at[best])


def _with_additions(left: FloatArray, across: FloatArray, grown: FloatArray) -> FloatArray:
    """Return 1 - hat of the rest (r, r) with each of k additions: (k, r + 1, r + 1).

    `across` (k, r) is the rest's part of the hat matrix before an addition takes its share.
    """
    count, rest = across.shape
    found = np.empty((count, rest + 1, rest + 1))
    found[:, :rest, :rest] = left + across[:, :, None] * across[:, None, :] / grown[:, None, None]
    found[:, :rest, rest] = found[:, rest, :rest] = -across / grown[:, None]
    found[:, rest, rest] = 1.0 / grown
    return found


def _separations(left: FloatArray) -> FloatArray:
    """Return what each row shows when the worst other is left out; (k, r).

    With `left` S = 1 - hat (k, r, r): S_ii (1 - S_ij^2 / (S_ii S_jj)), least over j.
    """
    diagonal = np.maximum(np.diagonal(left, axis1=1, axis2=2), 1e-12)
    shared = left**2 / (diagonal[:, :, None] * diagonal[:, None, :])
    places = np.arange(left.shape[1])
    shared[:, places, places] = 0.0
    return np.asarray(diagonal * (1.0 - np.minimum(shared.max(axis=2), 1.0)))


def _short_of(shown: FloatArray, wanted: float) -> FloatArray:
    return np.asarray(np.maximum(0.0, 1.0 - shown / wanted) ** 2)
