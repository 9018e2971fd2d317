"""A sensor's curve drawn with characters: resistance on a logarithmic axis over temperature."""

from __future__ import annotations

import numpy as np

from controller.sensors.chart_fit import ChartFitCurve
from controller.sensors.curve import Curve
from controller.units import format_ohms

__all__ = ["curve_drawing"]

_WIDTH, _HEIGHT = 60, 16


def curve_drawing(curve: Curve) -> list[str]:
    """Return lines: the curve as dots, the chart's points as ``o``, those left out as ``X``."""
    celsius = np.linspace(curve.lowest_celsius, curve.highest_celsius, _WIDTH)
    ohms = np.asarray(curve.ohms(celsius))
    marks: list[tuple[float, float, str]] = []
    if isinstance(curve, ChartFitCurve):
        doubted = set(curve.suspects)
        marks += [(t, r, "X" if (t, r) in doubted else "o") for t, r in curve.points]
        marks += [(one.celsius, one.ohms, "X") for one in curve.left_out]
    low = float(min(ohms.min(), *(r for _, r, _ in marks))) if marks else float(ohms.min())
    high = float(max(ohms.max(), *(r for _, r, _ in marks))) if marks else float(ohms.max())
    cells = [[" "] * _WIDTH for _ in range(_HEIGHT)]

    def row(resistance: float) -> int:
        share = np.log(resistance / low) / np.log(high / low) if high > low else 0.0
        return round((1.0 - float(share)) * (_HEIGHT - 1))

    for column, resistance in enumerate(ohms):
        cells[row(float(resistance))][column] = "."
    span = curve.highest_celsius - curve.lowest_celsius
    for at, resistance, mark in marks:
        column = round((at - curve.lowest_celsius) / span * (_WIDTH - 1))
        if 0 <= column < _WIDTH:
            cells[row(resistance)][column] = mark
    heads = {0: format_ohms(high), _HEIGHT - 1: format_ohms(low)}
    margin = max(len(head) for head in heads.values())
    lines = [
        f"{heads.get(index, ''):>{margin}} |{''.join(line).rstrip()}"
        for index, line in enumerate(cells)
    ]
    first, last = f"{curve.lowest_celsius:g}", f"{curve.highest_celsius:g} degC"
    lines.append(f"{'':>{margin}} +{'-' * _WIDTH}")
    lines.append(f"{'':>{margin}}  {first}{last:>{_WIDTH - len(first)}}")
    if any(mark == "X" for _, _, mark in marks):
        lines.append(f"{'':>{margin}}  o point of the chart   X point that does not belong")
    return lines
