"""What comes out of a diagnosis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Any

from controller.diagnosis.fit import Interval

__all__ = ["UNTRIED_PROBABILITY", "Diagnosis", "Explanation", "Misfit", "NextStep", "Reason"]

UNTRIED_PROBABILITY = 0.05
"""Of a cause that was not tried, however well one that was tried fits (common practice, no
source)."""


class Reason(Enum):
    """Why nothing is said to be the fault."""

    TOO_FEW = "too-few"
    NOTHING_FITS = "nothing-fits"
    OUTSIDE_TOLERANCE = "outside-tolerance"
    READINGS_JUMP = "readings-jump"
    MISTAKEN = "mistaken"


@dataclass(frozen=True, kw_only=True)
class Misfit:
    """What an explanation leaves: root mean square and the worst reading (an index), in degC.

    `probability` is that of a scatter at least as large by chance.
    """

    rms_celsius: float
    worst_celsius: float
    worst_reading: int
    probability: float

    def as_json(self) -> dict[str, Any]:
        """Return the document's form."""
        return {
            "rms_celsius": self.rms_celsius,
            "worst_celsius": self.worst_celsius,
            "worst_reading": self.worst_reading,
            "probability": self.probability,
        }


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """One hypothesis after the fit.

    `score` is the criterion (less is better), `probability` the share of exp(-score / 2) among
    all that were tried, with room left for what was not; `rms_celsius` what it leaves unexplained.
    `sensor` is the name of the sensor for a wrong curve. `twins` are kinds that no reading can
    tell from this one. `jumping` are the indices of readings that an intermittent contact spoiled.
    """

    kind: str
    score: float
    deviance: float
    free: int
    probability: float
    rms_celsius: float
    parameters: tuple[Interval, ...]
    sensor: str | None = None
    twins: tuple[str, ...] = ()
    jumping: tuple[int, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the document's form; unbounded ends are null."""
        found: dict[str, Any] = {
            "kind": self.kind,
            "score": self.score,
            "probability": self.probability,
            "rms_celsius": self.rms_celsius,
            "parameters": {
                one.name: {"value": one.value, "low": one.low, "high": one.high}
                for one in self.parameters
            },
        }
        if self.sensor is not None:
            found["sensor"] = self.sensor
        if self.twins:
            found["twins"] = list(self.twins)
        if self.jumping:
            found["jumping"] = list(self.jumping)
        return found


@dataclass(frozen=True, kw_only=True)
class NextStep:
    """The one extra step that tells the two best explanations apart best.

    `target_celsius` is None for an open or a short input. `expected` maps each of the two kinds
    to what the module would report (None: it would report the circuit as open or shorted).
    `separation` is the difference in standard deviations of one reading. The kind ``repeat`` is a
    step that was taken already, to be read several times.
    """

    kind: str
    target_celsius: float | None
    expected: tuple[tuple[str, float | None], ...]
    separation: float

    def as_json(self) -> dict[str, Any]:
        """Return the document's form."""
        return {
            "kind": self.kind,
            "target_celsius": self.target_celsius,
            "expected_celsius": dict(self.expected),
            "separation": self.separation if math.isfinite(self.separation) else None,
        }


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What the readings say. `best` is None when no explanation can be given; `reason` says why.

    Then `nearest` is the explanation that came nearest, if any was tried, with its `misfit`.
    `rivals` are the kinds that come too near to the best to be ruled out. `left_out` are indices
    of readings that could not be used, `slips` of readings no explanation fits. `missing` says in
    sentences what would be needed. `end_remarks` are sentences on open and shorted inputs that were
    not recognised as such. `mistake` says how the readings were taken or written down
    wrong. `may_lag` is whether a report that was read too early at every step would look like the
    best explanation.
    """

    best: Explanation | None
    explanations: tuple[Explanation, ...]
    distinguishable: bool
    rivals: tuple[str, ...] = ()
    next_step: NextStep | None = None
    left_out: tuple[int, ...] = ()
    slips: tuple[int, ...] = ()
    missing: tuple[str, ...] = ()
    end_remarks: tuple[str, ...] = ()
    reason: Reason | None = None
    nearest: Explanation | None = None
    misfit: Misfit | None = None
    mistake: str | None = None
    may_lag: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return the `diagnose` document: `best`, `hypotheses`, `distinguishable` and more."""
        return {
            "best": self.best.as_json() if self.best else None,
            "hypotheses": [one.as_json() for one in self.explanations],
            "distinguishable": self.distinguishable,
            "rivals": list(self.rivals),
            "next_step": self.next_step.as_json() if self.next_step else None,
            "left_out": list(self.left_out),
            "slips": list(self.slips),
            "missing": list(self.missing),
            "end_remarks": list(self.end_remarks),
            "reason": self.reason.value if self.reason else None,
            "nearest": self.nearest.as_json() if self.nearest else None,
            "mistake": self.mistake,
            "may_lag": self.may_lag,
            "misfit": self.misfit.as_json() if self.misfit else None,
            "tried": [one.kind for one in self.explanations],
            "untried_probability": UNTRIED_PROBABILITY if self.explanations else None,
        }
