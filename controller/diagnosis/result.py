"""What comes out of a diagnosis.

Knows: the explanations tried, the winner, what could not be told apart, and their JSON form.
Must not know: how any of it was found, wording for people (see `explain`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.diagnosis.fit import Interval

__all__ = ["Diagnosis", "Explanation", "NextStep"]


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """One hypothesis after the fit.

    `score` is the criterion (less is better), `probability` the share of exp(-score / 2) among
    all that were tried, `rms_celsius` what it leaves unexplained. `sensor` is the name of the
    sensor for a wrong curve.
    """

    kind: str
    score: float
    deviance: float
    free: int
    probability: float
    rms_celsius: float
    parameters: tuple[Interval, ...]
    sensor: str | None = None

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
        return found


@dataclass(frozen=True, kw_only=True)
class NextStep:
    """The one extra step that tells the two best explanations apart best.

    `target_celsius` is None for an open or a short input. `expected` maps each of the two kinds
    to what the module would report (None: it would report the circuit as open or shorted).
    `separation` is the difference in standard deviations of one reading.
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
            "separation": self.separation,
        }


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What the readings say. `best` is None when they are too few to say anything.

    `rivals` are the kinds that come too near to the best to be ruled out. `left_out` are indices
    of readings that could not be used, `slips` of readings no explanation fits. `missing` says in
    sentences what would be needed. `end_remarks` are sentences on open and shorted inputs that were
    not recognised as such.
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
        }
