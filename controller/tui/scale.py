"""The unit in which temperatures are shown and typed; everything below the screen is in degC."""

from __future__ import annotations

from enum import Enum

from controller.units import fahrenheit_from_celsius

__all__ = ["Scale"]


class Scale(Enum):
    """A temperature scale; its value is the letter that is typed after a number."""

    CELSIUS = "C"
    FAHRENHEIT = "F"

    @property
    def unit(self) -> str:
        """``degC`` or ``degF``."""
        return f"deg{self.value}"

    @property
    def other(self) -> Scale:
        """The scale to change over to."""
        return Scale.CELSIUS if self is Scale.FAHRENHEIT else Scale.FAHRENHEIT

    def of(self, celsius: float) -> float:
        """Return a temperature in degC on this scale."""
        return fahrenheit_from_celsius(celsius) if self is Scale.FAHRENHEIT else celsius

    def step(self, kelvin: float) -> float:
        """Return a difference of temperatures on this scale."""
        return kelvin * 1.8 if self is Scale.FAHRENHEIT else kelvin
