"""Tolerance classes of industrial platinum sensors (IEC 60751)."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["PLATINUM_CLASSES", "ToleranceClass"]


@dataclass(frozen=True, kw_only=True)
class ToleranceClass:
    """The limit of error ``constant + per_celsius |t|`` in degC, over the range where it holds."""

    name: str
    constant_celsius: float
    per_celsius: float
    lowest_celsius: float
    highest_celsius: float

    def at(self, celsius: float) -> float | None:
        """Return the limit of error in degC; None outside the range of the class."""
        if not self.lowest_celsius <= celsius <= self.highest_celsius:
            return None
        return self.constant_celsius + self.per_celsius * abs(celsius)


# IEC 60751:2008 and 2022, 5.1.3, with the ranges of wire-wound resistors; those of film resistors
# are narrower (from memory: AA 0 to 150, A -30 to 300, B -50 to 500, C -50 to 600 degC). AA, A and
# B agree with the published table; class C is from memory.
PLATINUM_CLASSES = {
    one.name: one
    for one in (
        ToleranceClass(
            name="AA",
            constant_celsius=0.1,
            per_celsius=0.0017,
            lowest_celsius=-50.0,
            highest_celsius=250.0,
        ),
        ToleranceClass(
            name="A",
            constant_celsius=0.15,
            per_celsius=0.002,
            lowest_celsius=-100.0,
            highest_celsius=450.0,
        ),
        ToleranceClass(
            name="B",
            constant_celsius=0.3,
            per_celsius=0.005,
            lowest_celsius=-196.0,
            highest_celsius=600.0,
        ),
        ToleranceClass(
            name="C",
            constant_celsius=0.6,
            per_celsius=0.01,
            lowest_celsius=-196.0,
            highest_celsius=600.0,
        ),
    )
}
