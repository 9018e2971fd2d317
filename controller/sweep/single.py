"""One value set by hand: what was asked for, which state makes it, and the way there from here.

Knows: how a wish is typed, curves, ratings, single relays, what a state makes and how surely.
Must not know: links, events, terminals.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from controller.errors import InputError, Problem
from controller.ladder.electrical import (
    FloatArray,
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
from controller.ladder.search import NearestSearch
from controller.links.base import PathStep
from controller.sensors.curve import Curve
from controller.sweep.benchfile import BenchFile, Switching
from controller.sweep.resolve import make_router
from controller.sweep.routing import Router, operations
from controller.text import number, ohms
from controller.units import parse_ohms, parse_temperature

__all__ = ["HINT", "Finder", "Setting", "Wish", "nudged", "parse_wish", "router_by_ohms"]

HINT = "20degC, 68degF, 2.5k, 2500ohm, open, short, park, relay 3, or a state as 0x0a3f"
_WORDS = ("open", "short", "park")
_TEMPERATURE = re.compile(r".*\d\s*(?:°|deg)?\s*[cCfF]")
_STATE = re.compile(r"0[xX][0-9a-fA-F]+")
_RELAY = re.compile(r"(?:relay|r)\s*(\d{1,3})", re.IGNORECASE)
_COVERAGE = 2.0
NUDGE_CELSIUS = 0.5
NUDGE_SHARE = 0.01


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What is to be at the output; one of the five is given.

    `relay` is one to change over, `state` a whole state as text, ``0x0a3f``.
    """

    word: str | None = None
    celsius: float | None = None
    ohms: float | None = None
    relay: int | None = None
    state: str | None = None


@dataclass(frozen=True, kw_only=True)
class Setting:
    """The state for a wish, the way there from the state `start`, and what it makes.

    `back` leads from the state to park. Uncertainties are expanded (k = 2); `celsius` and its
    uncertainty are None where the curve does not reach. `extreme` says what a module will see
    that it may answer with a fault code or a running fan.
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


def parse_wish(text: str) -> Wish:
    """Return what a line asks for. Raises InputError.

    A bare number is refused: 20 may mean ohm or degC, and the difference matters.
    """
    stripped = text.strip()
    if stripped.lower() in _WORDS:
        return Wish(word=stripped.lower())
    if relay := _RELAY.fullmatch(stripped):
        return Wish(relay=int(relay[1]))
    if _STATE.fullmatch(stripped):
        return Wish(state=stripped)
    if _TEMPERATURE.fullmatch(stripped):
        return Wish(celsius=parse_temperature(stripped, what="value"))
    if re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", stripped):
        raise InputError.single("a number needs its unit", hint=f"write {HINT}")
    try:
        return Wish(ohms=parse_ohms(stripped, what="value"))
    except InputError:
        raise InputError.single("not a value that can be set", hint=f"write {HINT}") from None


def nudged(text: str, direction: int) -> str | None:
    """Return a typed value moved a little up or down; None where there is nothing to move."""
    try:
        wish = parse_wish(text)
    except InputError:
        return None
    if wish.celsius is not None:
        return f"{wish.celsius + direction * NUDGE_CELSIUS:.4g}degC"
    if wish.ohms is not None:
        return f"{wish.ohms * (1 + NUDGE_SHARE) ** direction:.5g}ohm"
    return None


class Finder:
    """Finds states on one bench. Making one sorts the ladder's sums; finding is quick."""

    def __init__(self, bench: BenchFile, curve: Curve | None) -> None:
        self._bench = bench
        self._curve = curve
        self._ladder = bench.ladder
        self._router = (
            make_router(bench.ladder, curve, bench.switching) if curve else router_by_ohms(bench)
        )

    def find(self, text: str, start: int) -> Setting:
        """Decide state and path from `start`. Raises InputError for what cannot or must not be."""
        wish = parse_wish(text)
        state = self._state(wish, start)
        path = self._router.path(start, state)
        back = self._router.path(state, self._ladder.park_state)
        self._check_ratings((*path, *back))
        made = state_ohms(self._ladder, state)
        uncertainty = _COVERAGE * state_uncertainty_ohms(self._ladder, state)
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
        )

    def _state(self, wish: Wish, start: int) -> int:
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
        if wish.celsius is not None:
            if self._curve is None:
                raise InputError.single(
                    "a temperature needs a sensor's curve, and this bench names no module",
                    hint="write ohm, or name a sensor or a bench with a module",
                )
            target = float(self._curve.ohms(wish.celsius))
            return self._router.search.nearest_by(target, self._router.celsius).state
        assert wish.ohms is not None  # noqa: S101 - one of the five is given
        return self._router.search.nearest(wish.ohms).state

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
        own = _COVERAGE * float(self._curve.uncertainty_celsius(celsius))
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
    )
