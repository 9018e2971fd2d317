"""Temperatures and differences as a page shows them: in degC, or in degF when asked for."""

from __future__ import annotations

from dataclasses import dataclass

from controller.text import number
from controller.units import fahrenheit_from_celsius

__all__ = ["Scale"]


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The unit that temperatures are shown in."""

    fahrenheit: bool = False

    @property
    def unit(self) -> str:
        """The unit's name."""
        return "degF" if self.fahrenheit else "degC"

    def at(self, celsius: float) -> float:
        """Return a temperature in this unit."""
        return fahrenheit_from_celsius(celsius) if self.fahrenheit else celsius

    def by(self, kelvin: float) -> float:
        """Return a difference in this unit."""
        return kelvin * 1.8 if self.fahrenheit else kelvin

    def temperature(self, celsius: float | None) -> str:
        """Write a temperature."""
        return number(None if celsius is None else self.at(celsius), 2)

    def difference(self, kelvin: float | None, *, sign: bool = False, digits: int = 2) -> str:
        """Write a difference."""
        return number(None if kelvin is None else self.by(kelvin), digits, sign=sign)
