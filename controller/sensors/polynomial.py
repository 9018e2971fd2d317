"""Sensors given by powers of the temperature in degC: platinum, nickel, copper, silicon."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.errors import InputError
from controller.sensors.solve import solve_monotone
from controller.sensors.spanned import SpannedCurve

__all__ = ["PLATINUM_HIGHEST_CELSIUS", "PLATINUM_LOWEST_CELSIUS", "PolynomialCurve", "Term"]
__all__ += ["platinum_curve", "power_terms"]

PLATINUM_LOWEST_CELSIUS = -200.0
PLATINUM_HIGHEST_CELSIUS = 850.0

_LARGEST_JUMP = 1e-7


@dataclass(frozen=True, kw_only=True)
class Term:
    """coefficient * (t - origin)^power, in the range from <= t < to; t in degC.

    `power` need not be whole where the range starts at or above the origin.
    """

    coefficient: float
    power: float
    origin_celsius: float = 0.0
    from_celsius: float = -math.inf
    to_celsius: float = math.inf

    def value(self, celsius: FloatArray) -> FloatArray:
        """Return the term's share of R/R0, zero outside its range."""
        base, active = self._base(celsius)
        return np.where(active, self.coefficient * base**self.power, 0.0)

    def slope(self, celsius: FloatArray) -> FloatArray:
        """Return the derivative in 1/K, zero outside the range."""
        base, active = self._base(celsius)
        return np.where(active, self.coefficient * self.power * base ** (self.power - 1.0), 0.0)

    def _base(self, celsius: FloatArray) -> tuple[FloatArray, np.typing.NDArray[np.bool_]]:
        active = (celsius >= self.from_celsius) & (celsius < self.to_celsius)
        return np.where(active, celsius - self.origin_celsius, 1.0), active


def power_terms(
    coefficients: tuple[float, ...],
    *,
    origin_celsius: float = 0.0,
    from_celsius: float = -math.inf,
    to_celsius: float = math.inf,
) -> tuple[Term, ...]:
    """Return the terms c1 x + c2 x^2 + ... with x = t - origin, leaving out zeros."""
    return tuple(
        Term(
            coefficient=coefficient,
            power=float(power),
            origin_celsius=origin_celsius,
            from_celsius=from_celsius,
            to_celsius=to_celsius,
        )
        for power, coefficient in enumerate(coefficients, start=1)
        if coefficient != 0.0
    )


@dataclass(frozen=True, kw_only=True)
class PolynomialCurve(SpannedCurve):
    """R = R0 (1 + sum of terms). Raises InputError when the pieces do not meet at their ends."""

    reference_ohms: float
    terms: tuple[Term, ...]

    def __post_init__(self) -> None:
        if not self.reference_ohms > 0.0:
            raise InputError.single("must be more than 0", key="reference_ohms")
        self._refuse_jumps()
        super().__post_init__()

    def _ohms(self, celsius: FloatArray) -> FloatArray:
        ratio = np.ones_like(celsius)
        for term in self.terms:
            ratio = ratio + term.value(celsius)
        return np.asarray(self.reference_ohms * ratio)

    def _celsius(self, ohms: FloatArray) -> FloatArray:
        low, high = self.lowest_celsius, self.highest_celsius
        return solve_monotone(self._ohms, self._slope, ohms, low, high)

    def _slope(self, celsius: FloatArray) -> FloatArray:
        gradient = np.zeros_like(celsius)
        for term in self.terms:
            gradient = gradient + term.slope(celsius)
        return np.asarray(self.reference_ohms * gradient)

    def _refuse_jumps(self) -> None:
        edges = {edge for term in self.terms for edge in (term.from_celsius, term.to_celsius)}
        for edge in sorted(edges):
            if not self.lowest_celsius < edge < self.highest_celsius:
                continue
            before, after = self._ohms(np.array([np.nextafter(edge, -math.inf), edge]))
            jump = float(abs(after - before)) / self.reference_ohms
            if not jump <= _LARGEST_JUMP:
                raise InputError.single(
                    f"the curve jumps by {jump * 100:.3g} % at {edge:g} degC, where a term begins "
                    "or ends",
                    key="extra",
                    hint="a term has to be zero where its range begins or ends",
                )


# IEC 60751:2022, 4.2: R = R0 (1 + A t + B t^2), and below 0 degC + C (t - 100 degC) t^3.
_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12


def platinum_curve(
    *,
    reference_ohms: float,
    lowest_celsius: float = PLATINUM_LOWEST_CELSIUS,
    highest_celsius: float = PLATINUM_HIGHEST_CELSIUS,
    model_uncertainty_celsius: float = 0.0,
    label: str = "the sensor",
) -> PolynomialCurve:
    """Return the industrial platinum sensor of IEC 60751 with R0 = `reference_ohms` at 0 degC.

    The inverse solves the same equation on both sides of 0 degC; the quadratic formula alone
    would give -100.208 for -100 degC. Raises InputError beyond -200 to 850 degC.
    """
    if lowest_celsius < PLATINUM_LOWEST_CELSIUS:
        raise InputError.single("IEC 60751 begins at -200 degC", key="lowest_celsius")
    if highest_celsius > PLATINUM_HIGHEST_CELSIUS:
        raise InputError.single("IEC 60751 ends at 850 degC", key="highest_celsius")
    return PolynomialCurve(
        reference_ohms=reference_ohms,
        terms=(
            *power_terms((_A, _B)),
            *power_terms((0.0, 0.0, -100.0 * _C, _C), to_celsius=0.0),
        ),
        lowest_celsius=lowest_celsius,
        highest_celsius=highest_celsius,
        model_uncertainty_celsius=model_uncertainty_celsius,
        label=label,
    )
