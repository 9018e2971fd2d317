"""The words of a judged reading: settle rule, uncertainty parts, decision rule, verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, StrEnum

__all__ = ["Contribution", "DecisionRule", "SettleRule", "Verdict"]


class Verdict(StrEnum):
    """The outcome of a step, or of a run (the worst of its steps: fail, undecided, pass)."""

    PASS = "pass"  # noqa: S105 - not a password
    FAIL = "fail"
    UNDECIDED = "undecided"


class DecisionRule(Enum):
    """How near to the tolerance limit an error may come and still pass.

    `SIMPLE` accepts up to the limit; `GUARDED` keeps the whole expanded uncertainty away from it;
    `GUARDED_95` as much as makes a false accept at the acceptance limit no likelier than 5 %.
    `controller.measurement.verdict` has the numbers and their sources.
    """

    SIMPLE = "simple"
    GUARDED = "guarded"
    GUARDED_95 = "guarded-95"


@dataclass(frozen=True, kw_only=True)
class Contribution:
    """One named part of a step's uncertainty: standard (k = 1), in degC.

    `degrees_of_freedom` says how well the part is known itself; math.inf: well.
    """

    name: str
    celsius: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, kw_only=True)
class SettleRule:
    """Settled: readings have stayed inside a band of `within_celsius` for `for_s` seconds.

    At least `readings` of them, none further than `gap_s` from the one before: what happened in a
    longer gap is not known, and settling starts anew after it. Readings asked for within `lag_s`
    after the relays were set do not count: the module may not have heard of the change yet. After
    `at_most_s` the last reading is taken as it is and the step says that it did not settle.
    """

    within_celsius: float
    for_s: float
    at_most_s: float
    lag_s: float = 0.0
    readings: int = 1
    gap_s: float = math.inf
