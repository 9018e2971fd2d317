"""The faults that are tried, each as the resistance or temperature the module then seems to see.

With conductances instead of resistances all linear faults are one formula. A series resistance
`Rs` and a leakage conductance `G` to ground ahead of a module whose pull-up or reference is off
by a gain `g` give ``seen = g ((R + Rs) || 1/G)``, so ``1/seen = (1/(R + Rs) + G) / g``.

A leakage conductance `b` to a supply at `k` times the reference feeds current into the node:
``V (1/Rp + b + 1/R) = Vref (1/Rp + k b)``. The module takes ``seen = Rp V/(Vref - V)``, hence
``1/seen = (1/R - (k - 1) b) / (1 + k b Rp)``: a gain together with a negative leakage. With k = 1
it is a gain and nothing else: no reading can tell the two apart.

A converter whose own reference is off by a factor `1 + e` against the supply of the pull-up makes
``V/Vref`` too large by ``1/(1 + e)``; the same arithmetic gives
``1/seen = (1 + e)/R + e/Rp``: a gain together with a leakage, tied to each other by the pull-up. A
ratiometric converter has one reference for both, and there is nothing to see.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.module.model import Module
from controller.sensors.curve import Curve
from controller.sensors.extension import extended_celsius

__all__ = [
    "PAIRABLE",
    "Hypothesis",
    "InputCircuit",
    "Parameter",
    "Response",
    "hypotheses_for",
    "response_of",
    "series_parameter",
]

Response: TypeAlias = Callable[[npt.ArrayLike], FloatArray]
"""Resistance in ohm -> temperature in degC, defined for every positive resistance."""

_OPEN_OHMS = 1e15
"""Stands for an open circuit, so that conductances stay above zero."""
_LEAST_OHMS = 1e-9
_MOST_LOG_GAIN = 20.0
_POINTS_INSIDE = 4001
_POINTS_BEYOND = 601
_DECADES_BEYOND = 4.0


@dataclass(frozen=True, kw_only=True)
class InputCircuit:
    """What is known of the module's input; needed only to express a leakage to a supply in ohm.

    `supply_volts` is the supply a wire may chafe against: 12.5 V, a charged lead-acid battery at
    rest, is common practice, no source. `adc_bits` None: not known, and taken as fine.
    """

    pullup_ohms: float
    reference_volts: float = 5.0
    supply_volts: float = 12.5
    adc_bits: int | None = None

    @classmethod
    def of(cls, module: Module, *, supply_volts: float = 12.5) -> InputCircuit:
        """Return the input of a described module."""
        return cls(
            pullup_ohms=module.pullup_ohms,
            reference_volts=module.reference_volts,
            supply_volts=supply_volts,
            adc_bits=module.adc_bits,
        )

    def count_ohms(self, ohms: FloatArray) -> FloatArray:
        """Return how many ohm one count of the converter is worth at resistances (n,)."""
        if self.adc_bits is None:
            return np.zeros(ohms.shape)
        # f = R/(R + Rp), so dR = Rp df/(1 - f)^2 = (R + Rp)^2/Rp df.
        return np.asarray((ohms + self.pullup_ohms) ** 2 / self.pullup_ohms / 2**self.adc_bits)


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One parameter of a hypothesis.

    The fit works on an inner value (a conductance for a leakage, a logarithm for a gain), which
    makes the response nearly linear in it; `to_outer` turns it into the named one. `starts` are
    rising inner values that cover what is physically possible: the fit stays inside their ends. A
    first one of zero means that the fault is absent there. `log_prior` is the logarithm of the
    density of inner values before anything was read; a deviation that is mostly no larger than
    `usual` but may be has that named (common practice, no source).
    """

    name: str
    starts: FloatArray
    to_outer: Callable[[float], float]
    log_prior: Callable[[FloatArray], FloatArray]
    usual: float | None = None

    @property
    def lowest(self) -> float:
        """The lower bound of the inner value."""
        return float(self.starts[0])

    @property
    def highest(self) -> float:
        """The upper bound of the inner value."""
        return float(self.starts[-1])


def _log_normal(median: float, log_sd: float) -> Callable[[FloatArray], FloatArray]:
    """Return the log density of a size that may be anywhere within some powers of ten."""

    def density(inner: FloatArray) -> FloatArray:
        logs = np.log(np.maximum(inner, 1e-300))
        z = (logs - math.log(median)) / log_sd
        return np.asarray(-0.5 * z**2 - logs - math.log(log_sd * math.sqrt(2.0 * math.pi)))

    return density


def _cauchy(usual: float) -> Callable[[FloatArray], FloatArray]:
    """Return the log density of a deviation that is mostly `usual`, seldom many times larger."""

    def density(inner: FloatArray) -> FloatArray:
        return np.asarray(-np.log1p((inner / usual) ** 2) - math.log(math.pi * usual))

    return density


Seen: TypeAlias = Callable[[FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """One explanation. `predict` maps inner parameters (m, d) and ohms (n,) to degC (m, n).

    `parts` are the single faults it is made of. `free` is the number of parameters found from
    the readings. `sensor` names the sensor of a wrong curve. `located` is a parameter that was
    fixed when the hypothesis was set up, as (name, value, low, high).
    """

    kind: str
    parts: frozenset[str]
    parameters: tuple[Parameter, ...]
    predict: Seen
    free: int
    sensor: str | None = None
    located: tuple[str, float, float, float] | None = None


def response_of(curve: Curve) -> Response:
    """Return a curve as temperature over all resistances, continued beyond its span.

    A fault can push the seen resistance out of the span; the fit must still see which way to go.
    This interpolates in ln R between exact values: fast, and within 1e-4 degC inside the span
    for the curves of temperature sensors.
    """
    celsius = np.linspace(curve.lowest_celsius, curve.highest_celsius, _POINTS_INSIDE)
    logs = np.sort(np.log(curve.ohms(celsius)))
    beyond = np.linspace(0.0, _DECADES_BEYOND * np.log(10.0), _POINTS_BEYOND)[1:]
    logs = np.concatenate([logs[0] - beyond[::-1], logs, logs[-1] + beyond])
    table = extended_celsius(curve)(np.exp(logs))

    def response(ohms: npt.ArrayLike) -> FloatArray:
        given = np.clip(np.asarray(ohms, dtype=np.float64), _LEAST_OHMS, _OPEN_OHMS)
        return np.asarray(np.interp(np.log(given), logs, table))

    return response


PAIRABLE = ("series-resistance", "leakage-to-ground", "gain", "curve-offset")


def hypotheses_for(
    ohms: FloatArray,
    response: Response,
    *,
    candidates: Sequence[tuple[str, Response]] = (),
    circuit: InputCircuit | None = None,
    pairs: bool = True,
) -> tuple[Hypothesis, ...]:
    """Return everything to try, simplest first. `ohms` (n,) are the finite ones of the readings."""
    usual = float(np.median(ohms[ohms > 0])) if np.any(ohms > 0) else 1000.0
    parameters = {
        "series-resistance": series_parameter(usual),
        "leakage-to-ground": _leakage(usual),
        "gain": _GAIN,
        "curve-offset": _OFFSET,
    }

    def linear(kinds: tuple[str, ...]) -> Hypothesis:
        return Hypothesis(
            kind="+".join(kinds) if kinds else "healthy",
            parts=frozenset(kinds),
            parameters=tuple(parameters[kind] for kind in kinds),
            predict=_linear_prediction(kinds, response),
            free=len(kinds),
        )

    found = [linear(()), *(linear((kind,)) for kind in PAIRABLE)]
    if circuit is not None and circuit.supply_volts > circuit.reference_volts:
        found.append(_leakage_to_supply(usual, response, circuit))
    if circuit is not None:
        found.append(_adc_reference(response, circuit))
    found += [
        Hypothesis(
            kind="wrong-curve",
            parts=frozenset({"wrong-curve"}),
            parameters=(),
            predict=_fixed_prediction(other),
            free=0,
            sensor=name,
        )
        for name, other in candidates
    ]
    found += _second_pullups(ohms, response)
    if pairs:
        found += [
            linear((first, second))
            for index, first in enumerate(PAIRABLE)
            for second in PAIRABLE[index + 1 :]
        ]
    return tuple(found)


def series_parameter(usual: float) -> Parameter:
    """Return a series resistance; `usual` is a usual resistance of the sensor in ohm."""
    return Parameter(
        name="series_ohms",
        starts=np.concatenate([[0.0], usual * np.geomspace(1e-4, 1e3, 43)]),
        to_outer=float,
        log_prior=_log_normal(0.1 * usual, _DECADES_SD),
    )


def _leakage(usual: float, *, weakness: float = 10.0) -> Parameter:
    return Parameter(
        name="leakage_ohms",
        starts=np.concatenate([[0.0], np.geomspace(1e-4, 1e3, 43) / usual]),
        to_outer=lambda siemens: 1.0 / siemens if siemens > 0 else float("inf"),
        log_prior=_log_normal(1.0 / (weakness * usual), _DECADES_SD),
    )


_GAIN = Parameter(
    name="gain",
    starts=np.linspace(np.log(0.02), np.log(50.0), 53),
    to_outer=lambda inner: float(np.exp(inner)),
    log_prior=_cauchy(0.2),
    usual=0.2,
)
_OFFSET = Parameter(
    name="offset_celsius",
    starts=np.linspace(-150.0, 150.0, 61),
    to_outer=float,
    log_prior=_cauchy(4.0),
    usual=4.0,
)
_REFERENCE_SHARE = Parameter(
    name="reference_share",
    starts=np.linspace(np.log(0.6), np.log(1.7), 53),
    to_outer=lambda inner: float(np.exp(inner)),
    log_prior=_cauchy(0.03),
    usual=0.03,
)
_DECADES_SD = 2.0
"""Standard deviation of the logarithm of a resistance that nobody knows: a factor of 7."""


def _linear_prediction(kinds: tuple[str, ...], response: Response) -> Seen:
    def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
        def value(kind: str) -> FloatArray | float:
            return inner[:, kinds.index(kind), None] if kind in kinds else 0.0

        through = np.maximum(ohms + value("series-resistance"), _LEAST_OHMS)
        siemens = (1.0 / through + value("leakage-to-ground")) / np.exp(
            np.clip(value("gain"), -_MOST_LOG_GAIN, _MOST_LOG_GAIN)
        )
        shape = (inner.shape[0], ohms.shape[0])
        celsius = response(1.0 / np.maximum(siemens, 1.0 / _OPEN_OHMS))
        return np.broadcast_to(celsius + value("curve-offset"), shape)

    return predict


def _fixed_prediction(response: Response) -> Seen:
    def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
        return np.broadcast_to(response(ohms), (inner.shape[0], ohms.shape[0]))

    return predict


def _leakage_to_supply(usual: float, response: Response, circuit: InputCircuit) -> Hypothesis:
    over = circuit.supply_volts / circuit.reference_volts

    def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
        leak = inner[:, 0, None]
        siemens = 1.0 / np.maximum(ohms, _LEAST_OHMS) - (over - 1.0) * leak
        seen = (1.0 + over * leak * circuit.pullup_ohms) / np.maximum(siemens, 1.0 / _OPEN_OHMS)
        return response(seen)

    return Hypothesis(
        kind="leakage-to-supply",
        parts=frozenset({"leakage-to-supply"}),
        parameters=(_leakage(usual, weakness=100.0),),
        predict=predict,
        free=1,
    )


def _adc_reference(response: Response, circuit: InputCircuit) -> Hypothesis:
    def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
        share = np.exp(inner[:, 0, None])
        siemens = share / np.maximum(ohms, _LEAST_OHMS) + (share - 1.0) / circuit.pullup_ohms
        return response(1.0 / np.maximum(siemens, 1.0 / _OPEN_OHMS))

    return Hypothesis(
        kind="adc-reference",
        parts=frozenset({"adc-reference"}),
        parameters=(_REFERENCE_SHARE,),
        predict=predict,
        free=1,
    )


def _second_pullups(ohms: FloatArray, response: Response) -> list[Hypothesis]:
    """Return one hypothesis for each place between two resistances where the input could switch.

    Below the switching point another pull-up works, which shows as a gain there only: above one
    when the module does not reckon with it, below one when it does and the switch has failed. The
    place itself is a second parameter of the criterion. At least two readings on each side, or
    the jump would be one odd reading. Pull-ups that are switched differ by factors, not percents
    (common practice, no source), so the gain keeps away from one.
    """
    parameter = Parameter(
        name="gain_below",
        starts=_GAIN.starts,
        to_outer=lambda inner: float(np.exp(_leap(inner))),
        log_prior=_cauchy(1.0),
    )

    levels = np.unique(ohms[ohms > 0])

    def between(lower: float, upper: float) -> Hypothesis:
        threshold = float(np.sqrt(lower * upper))

        def predict(inner: FloatArray, ohms: FloatArray) -> FloatArray:
            return response(
                ohms
                * np.where(
                    ohms < threshold,
                    np.exp(np.clip(_leap(inner[:, :1]), -_MOST_LOG_GAIN, _MOST_LOG_GAIN)),
                    1.0,
                )
            )

        return Hypothesis(
            kind="second-pullup",
            parts=frozenset({"second-pullup"}),
            parameters=(parameter,),
            predict=predict,
            free=2,
            located=("switch_ohms", threshold, lower, upper),
        )

    places = range(2, levels.size - 1)
    return [between(float(levels[i - 1]), float(levels[i])) for i in places]


_LEAST_LEAP = float(np.log(1.3))


def _leap(inner: npt.ArrayLike) -> FloatArray:
    """Return the logarithm of a gain that is at least 1.3 times off, to either side."""
    return np.asarray(inner + np.copysign(_LEAST_LEAP, inner))
