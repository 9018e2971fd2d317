"""One look at the module's input through the board's own: several readings, and what they come to.

Knows: how long an input takes to settle, how many readings see a mains period.
Must not know: states, what the volts are for.
"""

from __future__ import annotations

from collections.abc import Generator

from controller.clock import Clock
from controller.links.base import Link
from controller.measurement.input_circuit import Seen, Tap, seen_of
from controller.run.driver import Driver
from controller.run.events import Event

__all__ = ["look"]

_LOOKS = 12
_BETWEEN_S = 0.025
"""So many readings so far apart see a mains period, 50 or 60 Hz, several times over."""

_SETTLE_S = 0.5
"""An input's filter capacitor has charged after this (common practice, no source)."""


def look(
    driver: Driver, link: Link, clock: Clock, tap: Tap
) -> Generator[tuple[Event, ...], None, Seen]:
    """Let the input settle at what is set, and read the volts several times."""
    yield from driver.wait_until(clock.now_s() + _SETTLE_S)
    raws: list[int] = []
    while len(raws) < _LOOKS:
        yield from driver.wait_until(clock.now_s() + _BETWEEN_S)
        reading = link.sense(tap.channel)
        raws.append(reading.raw)
    return seen_of(
        raws,
        full_scale=reading.full_scale,
        full_scale_volts=reading.full_scale_volts,
        tap=tap,
    )
