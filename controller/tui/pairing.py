"""Two records beside each other, step by step.

Knows: results, and how far apart two runs may be before it matters.
Must not know: Textual, files, how a run is replayed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.planning.model import ResolvedStep
from controller.records.compare import Difference
from controller.run.model import StepResult
from controller.text import ohms
from controller.tui.parts import Cells, Column, Tone
from controller.tui.scale import Scale
from controller.tui.wording import difference, step_name, temperature, verdict_words

__all__ = ["COLUMNS", "Pair", "pair_rows", "pairs"]

COLUMNS = (
    Column("step", 5),
    Column("target", 8),
    Column("ohm A", 9),
    Column("ohm B", 9),
    Column("rep. A", 8),
    Column("rep. B", 8),
    Column("B - A", 7),
    Column("res. A", 7, right=False),
    Column("res. B", 7, right=False),
)


@dataclass(frozen=True)
class Pair:
    """The same step in two runs; either may be missing."""

    number: int
    step: ResolvedStep
    first: StepResult | None
    second: StepResult | None
    differs: bool

    @property
    def moved_celsius(self) -> float | None:
        """How much more the second run's module reported."""
        if self.first is None or self.second is None:
            return None
        one, other = self.first.reported_celsius, self.second.reported_celsius
        return None if one is None or other is None else other - one


def pairs(
    steps: Sequence[ResolvedStep],
    first: Sequence[StepResult],
    second: Sequence[StepResult],
    differences: Sequence[Difference],
) -> tuple[Pair, ...]:
    """Put results side by side, by the number of their step."""
    ones = {result.step.index: result for result in first}
    others = {result.step.index: result for result in second}
    differing = {difference.step for difference in differences}
    known = {step.index: step for step in steps}
    known |= {index: result.step for index, result in others.items() if index not in known}
    return tuple(
        Pair(index + 1, known[index], ones.get(index), others.get(index), index in differing)
        for index in sorted(known)
    )


def pair_rows(found: Sequence[Pair], scale: Scale = Scale.CELSIUS) -> tuple[Cells, ...]:
    """Return the rows of the table; one that differs says so with a sign and a tone."""
    return tuple(
        Cells(
            (
                ("*" if pair.differs else " ") + str(pair.number),
                step_name(pair.step, scale),
                *(
                    "-" if result is None else ohms(result.step.achieved_ohms)
                    for result in (pair.first, pair.second)
                ),
                *(
                    temperature(None if result is None else result.reported_celsius, scale)
                    for result in (pair.first, pair.second)
                ),
                difference(pair.moved_celsius, scale, sign=True),
                *(
                    "-" if result is None else verdict_words(result.verdict).text[:7]
                    for result in (pair.first, pair.second)
                ),
            ),
            Tone.DOUBT if pair.differs else Tone.PLAIN,
        )
        for pair in found
    )
