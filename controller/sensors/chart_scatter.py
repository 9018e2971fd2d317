"""How far chart points scatter about their fit, where nothing says how well they were read."""

from __future__ import annotations

import numpy as np

from controller.sensors.chart_solution import Points, powers
from controller.sensors.error_parts import PUBLISHED_CELSIUS

__all__ = ["scatter_of"]


def scatter_of(points: Points, free_degree: int, *, with_bends: bool = True) -> float:
    """Return how far in degC points scatter about the fit, or, `with_bends` off, its free terms.

    Restricted maximum likelihood (Patterson & Thompson, Biometrika 58, 1971, 545-554): what a bend
    may account for as well says as much less of the scatter. It is no less than what published
    numbers hold.
    """
    from scipy.optimize import brentq

    free = free_degree + 1
    bends = np.array(points.bends[free_degree - 1 :] if with_bends else ())
    basis = powers(points.z, free + len(bends)) / points.per_kelvin[:, np.newaxis]
    # What the free terms cannot follow, and in it the directions that the bends can.
    beside = np.linalg.qr(basis[:, :free], mode="complete")[0][:, free:].T
    directions, sizes, _ = np.linalg.svd(beside @ (basis[:, free:] * bends))
    by_bends = np.zeros(len(points.u) - free)
    by_bends[: len(sizes)] = sizes**2
    squares = (directions.T @ (beside @ (points.u / points.per_kelvin))) ** 2

    def beyond(celsius: float) -> float:
        variances = by_bends + celsius**2
        return float(np.sum((squares / variances - 1.0) * celsius**2 / variances))

    least, most = PUBLISHED_CELSIUS, 2.0 * max(float(np.sum(squares)) ** 0.5, PUBLISHED_CELSIUS)
    # Beyond `most` no square is more than a quarter of its variance: the sign there is certain.
    return least if beyond(least) <= 0.0 else float(brentq(beyond, least, most))
