"""Readings that look mistaken before the circuit does: one value throughout, rows of another step.

Knows: reported and expected temperatures, in the order they were taken; what reading, writing down
and converting does wrong (common practice, no source).
Must not know: hypotheses, fits, where to look for a fault.

A mistake is only told when every reading becomes right by undoing it: no fault of a circuit does
that by chance.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray

__all__ = ["mistaken", "standing", "would_lag"]

_NEAR_CELSIUS = 1.5
"""Beside half a step of the report: so far is a right reading off at most."""
_LEAST_READINGS = 4
_LEAST_SPAN_CELSIUS = 20.0
_LEAST_STANDING = 3
_STANDING_SPAN_CELSIUS = 10.0


def mistaken(
    reported_celsius: FloatArray,
    expected_celsius: FloatArray,
    *,
    step_celsius: float,
    places: npt.NDArray[np.intp],
) -> str | None:
    """Return in a sentence how readings (n,) were taken or written down wrong; None: not seen.

    `step_celsius` is the step of the report; `places` are the readings' indices among all that
    were taken.
    """
    near = step_celsius / 2.0 + _NEAR_CELSIUS
    reported, expected = reported_celsius, expected_celsius
    if (np.abs(reported - expected) <= 2.0 * near).all() or reported.size < _LEAST_READINGS:
        return None
    span = float(np.ptp(expected))
    if span >= _LEAST_SPAN_CELSIUS and float(np.ptp(reported)) <= step_celsius:
        return (
            f"Every reading is {reported[0]:g} degC, though {expected.min():.0f} to "
            f"{expected.max():.0f} degC were put in: the report does not follow the input."
        )
    return next(_undone(reported, expected, near, places + 1), None)


def _undone(
    reported: FloatArray, expected: FloatArray, near: float, numbers: npt.NDArray[np.intp]
) -> Iterator[str]:
    """Yield a sentence for each mistake that, undone, makes every reading right."""

    def right(one: FloatArray, other: FloatArray) -> bool:
        return bool((np.abs(one - other) <= near).all())

    steps_far = float(np.median(np.abs(np.diff(expected)))) > 2.0 * near
    # Even steps put off by one differ from an offset in the first or the last reading alone.
    shifted = steps_far and float(np.ptp(reported - expected)) > 2.0 * near
    if shifted and right(reported[1:], expected[:-1]):
        yield "Each reading is that of the step before: the report comes later than it was read."
    if shifted and right(reported[:-1], expected[1:]):
        yield "Each reading is that of the next step: a row is missing or the rows have slipped."
    if steps_far and right(reported, expected[::-1]):
        yield "The readings stand in the opposite order to the resistances."
    off = np.flatnonzero(np.abs(reported - expected) > near)
    if off.size == 2 and right(reported[off], expected[off[::-1]]):
        one, other = numbers[off]
        yield f"Readings {one} and {other} are exchanged: each belongs to the other."
    if (expected[off] < 0.0).all() and right(reported[off], -expected[off]):
        yield f"The minus is missing in {_numbered(numbers[off])}."
    if right(reported, (expected - 32.0) / 1.8):
        yield "The readings were converted from degF, but had been degC already."
    if right(reported, expected + 40.0):
        yield "The readings are 40 too high: bytes of a report that begins at -40 degC."


def standing(reported_celsius: FloatArray, expected_celsius: FloatArray) -> tuple[int, int] | None:
    """Return the first and the last of the readings (n,) that stand still while the steps go on.

    The longest such row; None where no three readings do that.
    """
    edges = np.flatnonzero(np.diff(reported_celsius)) + 1
    rows = zip([0, *edges], [*edges, reported_celsius.size], strict=True)
    found = [
        (int(first), int(end) - 1)
        for first, end in rows
        if end - first >= _LEAST_STANDING
        and np.ptp(expected_celsius[first:end]) >= _STANDING_SPAN_CELSIUS
    ]
    return max(found, key=lambda row: row[1] - row[0], default=None)


def would_lag(expected_celsius: FloatArray, offset_celsius: float) -> bool:
    """Return whether a slow report, read too early at every step, would be off the same way.

    It is where all steps went one way and the offset is against it, by less than the widest step.
    """
    steps = np.diff(expected_celsius)
    against = bool((steps * offset_celsius < 0.0).all())
    return steps.size > 0 and against and abs(offset_celsius) < float(np.abs(steps).max())


def _numbered(numbers: npt.NDArray[np.intp]) -> str:
    *most, last = [str(number) for number in numbers]
    return f"readings {', '.join(most)} and {last}" if most else f"reading {last}"
