"""One value set by hand: which state makes what was asked for, and the way there from here."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.bench.model import BenchFile, Switching
from controller.errors import InputError, Problem
from controller.ladder.electrical import (
    Output,
    contact_closed,
    open_state,
    output_of,
    short_state,
    state_ohms,
    state_uncertainty_ohms,
)
from controller.ladder.files import parse_state
from controller.ladder.loading import overloads, state_loading
from controller.ladder.model import PathStep
from controller.ladder.search import NearestSearch
from controller.planning.paths import Router, operations
from controller.planning.resolve import make_router
from controller.planning.value import Wish, parse_wish
from controller.sensors.curve import Curve, Sensor
from controller.sensors.thermistor import RatioCurve
from controller.text import number, ohms
from controller.units import COVERAGE_FACTOR, format_ohms

__all__ = [
    "NEAR_ENOUGH",
    "Finder",
    "Setting",
    "far_words",
    "near_enough",
    "router_by_ohms",
    "stand_in_sensor",
]

NEAR_ENOUGH = 0.01
"""The share of a resistance that the nearest one may be off by and still be what was asked for."""


def near_enough(
    target_ohms: float, made_ohms: float, uncertainty_ohms: float, share: float = NEAR_ENOUGH
) -> bool:
    """Return whether a resistance does for another: within a share of it, or not told apart.

    `uncertainty_ohms` is the expanded one of what is made.
    """
    return abs(made_ohms - target_ohms) <= max(share * target_ohms, uncertainty_ohms)


def far_words(target_ohms: float, made_ohms: float) -> str:
    """Say what the nearest resistance is and how far it is off."""
    more = "more" if made_ohms > target_ohms else "less"
    off = f"{_few_digits(abs(made_ohms - target_ohms))} {more}"
    if 0 < made_ohms < 10 * target_ohms:
        off += f", {100 * (made_ohms / target_ohms - 1):+.3g} %"
    return (
        f"the ladder cannot make {_few_digits(target_ohms)}:"
        f" the nearest is {format_ohms(made_ohms)}, {off}"
    )


def _few_digits(ohms: float) -> str:
    return format_ohms(ohms) if ohms >= 1 else f"{ohms:.3g} ohm"


@dataclass(frozen=True, kw_only=True)
class Setting:
    """The state for a wish, the way there from the state `start`, and what it makes.

    `back` leads from the state to park. Uncertainties are expanded (k = 2); `celsius` and its
    uncertainty are None where the curve does not reach. `extreme` says what a module will see
    that it may answer with a fault code or a running fan. `target_ohms` is the resistance that was
    asked for; None where a word, a relay or a state was. `output` is how the output stands then.
    """

    text: str
    start: int
    state: int
    path: tuple[PathStep, ...]
    back: tuple[PathStep, ...]
    ohms: float
    uncertainty_ohms: float
    celsius: float | None
    uncertainty_celsius: float | None
    excursion_celsius: float | None
    moves: int
    extreme: str | None
    output: Output
    target_ohms: float | None = None

    @property
    def words(self) -> str:
        """Say what it makes, how surely, and what it takes."""
        if math.isinf(self.ohms):
            made = "an open circuit"
        else:
            made = f"{ohms(self.ohms)} ohm ± {ohms(self.uncertainty_ohms)}"
            if self.celsius is not None:
                made += f" = {number(self.celsius, 2)} degC"
                if self.uncertainty_celsius is not None:
                    made += f" ± {number(self.uncertainty_celsius, 2)}"
        return made


class Finder:
    """Finds states on one bench. Making one sorts the ladder's sums; finding is quick."""

    def __init__(self, bench: BenchFile, curve: Curve | None) -> None:
        self._bench = bench
        self._curve = curve
        self._ladder = bench.ladder
        self._router = (
            make_router(bench.ladder, curve, bench.switching, step_ms=bench.step_ms)
            if curve
            else router_by_ohms(bench)
        )

    def find(self, text: str, start: int) -> Setting:
        """Decide state and path from `start`. Raises InputError for what cannot or must not be."""
        wish = parse_wish(text)
        target = self._target_ohms(wish)
        state = self._state(wish, target, start)
        path = self._router.path(start, state)
        back = self._router.path(state, self._ladder.park_state)
        self._check_ratings((*path, *back))
        made = state_ohms(self._ladder, state)
        uncertainty = COVERAGE_FACTOR * state_uncertainty_ohms(self._ladder, state)
        celsius = self._celsius(made)
        return Setting(
            text=text.strip(),
            start=start,
            state=state,
            path=path,
            back=back,
            ohms=made,
            uncertainty_ohms=uncertainty,
            celsius=celsius,
            uncertainty_celsius=self._uncertainty_celsius(celsius, uncertainty),
            excursion_celsius=self._router.excursion(start, path) if self._curve else None,
            moves=operations(start, path),
            extreme=self._extreme(wish, start, state),
            target_ohms=target,
            output=output_of(self._ladder, state),
        )

    def _target_ohms(self, wish: Wish) -> float | None:
        """Return the resistance a wish stands for, if it stands for one."""
        if wish.celsius is None:
            return wish.ohms
        if self._curve is None:
            raise InputError.single(
                "a temperature needs a sensor's curve, and this bench names no module",
                hint="write ohm, or name a sensor or a bench with a module",
            )
        return float(self._curve.ohms(wish.celsius))

    def _state(self, wish: Wish, target: float | None, start: int) -> int:
        ladder = self._ladder
        if wish.relay is not None:
            if wish.relay >= ladder.relay_count:
                raise InputError.single(f"the ladder has relays 0 to {ladder.relay_count - 1}")
            return start ^ (1 << wish.relay)
        if wish.state is not None:
            return parse_state(wish.state, ladder, what="value")
        if wish.word is not None:
            base = ladder.park_state
            return {
                "park": lambda: base,
                "open": lambda: open_state(ladder, base=base),
                "short": lambda: short_state(ladder, base=base),
            }[wish.word]()
        assert target is not None  # noqa: S101 - one of the five is given
        if wish.celsius is not None:
            return self._router.search.nearest_by(target, self._router.celsius).state
        return self._router.search.nearest(target).state

    def _celsius(self, made: float) -> float | None:
        if self._curve is None or not math.isfinite(made):
            return None
        try:
            return float(self._curve.celsius(made))
        except InputError:
            return None

    def _uncertainty_celsius(self, celsius: float | None, uncertainty_ohms: float) -> float | None:
        """Return the ladder's and the curve's uncertainty together (JCGM 100:2008, 5.1.2)."""
        if celsius is None or self._curve is None:
            return None
        slope = abs(float(self._curve.slope_ohms_per_kelvin(celsius)))
        own = COVERAGE_FACTOR * float(self._curve.uncertainty_celsius(celsius))
        return math.hypot(uncertainty_ohms / slope, own)

    def _extreme(self, wish: Wish, start: int, state: int) -> str | None:
        output = output_of(self._ladder, state)
        if wish.word == "park" or output is output_of(self._ladder, start) is not Output.CONNECTED:
            output = Output.CONNECTED
        if output is Output.OPEN:
            return "an open circuit"
        if output is Output.SHORT:
            return "a short circuit"
        return "one relay moved on its own" if wish.relay is not None else None

    def _check_ratings(self, path: tuple[PathStep, ...]) -> None:
        module = self._bench.module
        if module is None:
            return
        said: dict[str, None] = {}
        for state in dict.fromkeys(step.state for step in path):
            loading = state_loading(
                self._ladder,
                state,
                reference_volts=module.reference_volts,
                pullup_ohms=module.lowest_pullup_ohms,
            )
            said.update(dict.fromkeys(overloads(self._ladder, loading)))
        if said:
            raise InputError(
                Problem(message=sentence, hint="use a ladder rated for this input")
                for sentence in said
            )

    def relays(self, state: int) -> tuple[tuple[int, bool, str], ...]:
        """Return (number, energised, what it does) of every relay in a state."""
        ladder = self._ladder
        does = {ladder.isolate_relay: "connects the output", ladder.short_relay: "shorts it"}
        for group in ladder.groups:
            for rung in group.rungs:
                closed = contact_closed(ladder, state, rung.relay)
                series = group.kind.value == "series"
                inside = closed != series
                does[rung.relay] = f"{ohms(rung.ohms)} ohm {'in circuit' if inside else 'out'}"
        return tuple(
            (index, bool(state >> index & 1), does.get(index, "not used"))
            for index in range(ladder.relay_count)
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
        step_ms=bench.step_ms,
    )


def stand_in_sensor() -> Sensor:
    """Return the curve of the simulated bench when none is named: a common coolant sensor.

    2.8 kohm at 25 degC on the Type 1 resistance ratio curve, whose constants are those of
    "Sensor Temperature Resistance Curves", reference guide rev. C (2014), material type 1.
    """
    curve = RatioCurve(
        reference_ohms=2800.0,
        a=-14.195756,
        b=4407.4785,
        c=-5165.8730,
        d=-1.4017368e7,
        lowest_celsius=-40.0,
        highest_celsius=135.0,
        label="the simulated bench's sensor",
    )
    return Sensor(
        name="simulated coolant sensor, 2.8 kohm at 25 degC", kind="ntc-ratio", curve=curve
    )
