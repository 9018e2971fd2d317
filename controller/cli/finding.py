"""Which state stands for one wanted value, and the way there and back.

Knows: words, temperatures and resistances, curves, ratings.
Must not know: argument texts, links, plans.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.errors import InputError, Problem
from controller.ladder.electrical import (
    FloatArray,
    open_state,
    short_state,
    state_ohms,
    state_uncertainty_ohms,
)
from controller.ladder.files import parse_state
from controller.ladder.loading import overloads, state_loading
from controller.ladder.search import NearestSearch
from controller.links.base import PathStep
from controller.sensors.curve import Curve
from controller.sweep.benchfile import BenchFile, Switching
from controller.sweep.resolve import make_router
from controller.sweep.routing import Router

__all__ = ["Found", "Wanted", "find", "router_by_ohms"]

_COVERAGE = 2.0


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What is to be at the output; one of the four is given. `state` is text, as 0x0a3f."""

    word: str | None = None
    state: str | None = None
    celsius: float | None = None
    ohms: float | None = None


@dataclass(frozen=True, kw_only=True)
class Found:
    """The state for it, the way there and back, and what the state makes."""

    state: int
    path: tuple[PathStep, ...]
    back: tuple[PathStep, ...]
    ohms: float
    celsius: float | None
    uncertainty_ohms: float


def find(value: Wanted, bench: BenchFile, curve: Curve | None) -> Found:
    """Decide state and path. Raises InputError for what the ladder or its ratings refuse."""
    ladder = bench.ladder
    park = ladder.park_state
    router = (
        make_router(ladder, curve, bench.switching) if curve is not None else router_by_ohms(bench)
    )
    if value.word == "park":
        state = park
    elif value.word == "open":
        state = open_state(ladder, base=park)
    elif value.word == "short":
        state = short_state(ladder, base=park)
    elif value.state is not None:
        state = parse_state(value.state, ladder, what="VALUE")
    elif value.celsius is not None:
        if curve is None:
            raise InputError.single(
                "a temperature needs a curve", where="VALUE", hint="add --sensor SENSOR or --bench"
            )
        target = float(curve.ohms(value.celsius))
        state = router.search.nearest_by(target, router.celsius).state
    else:
        assert value.ohms is not None  # noqa: S101 - one of the four is given
        state = router.search.nearest(value.ohms).state
    path = router.path(park, state)
    _check_ratings(bench, path)
    made = state_ohms(ladder, state)
    return Found(
        state=state,
        path=path,
        back=router.path(state, park),
        ohms=made,
        celsius=_celsius(curve, made),
        uncertainty_ohms=_COVERAGE * state_uncertainty_ohms(ladder, state),
    )


def router_by_ohms(bench: BenchFile) -> Router:
    """Return what finds paths when no curve says how a resistance looks: by its logarithm."""
    search = NearestSearch(bench.ladder)

    def scale(resistance: FloatArray) -> FloatArray:
        return np.log(np.clip(resistance, 1e-3, 1e9))

    middle = math.sqrt(max(search.least_ohms, 1.0) * search.most_ohms)
    return Router(
        ladder=bench.ladder,
        search=search,
        celsius=scale,
        mid_state=search.nearest(middle).state,
        together=bench.switching is Switching.ALL_AT_ONCE,
    )


def _celsius(curve: Curve | None, made: float) -> float | None:
    """Return what a resistance stands for, None outside the curve's span."""
    if curve is None or not math.isfinite(made):
        return None
    try:
        return float(curve.celsius(made))
    except InputError:
        return None


def _check_ratings(bench: BenchFile, path: Sequence[PathStep]) -> None:
    module = bench.module
    if module is None:
        return
    said: dict[str, None] = {}
    for state in dict.fromkeys(step.state for step in path):
        loading = state_loading(
            bench.ladder,
            state,
            reference_volts=module.reference_volts,
            pullup_ohms=module.lowest_pullup_ohms,
        )
        said.update(dict.fromkeys(overloads(bench.ladder, loading)))
    if said:
        raise InputError(
            Problem(message=sentence, where="VALUE", hint="use a ladder rated for this input")
            for sentence in said
        )
