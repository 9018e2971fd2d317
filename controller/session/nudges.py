"""A value a little beside that of a step, for a run under way.

Knows: the curve and the ladder of a prepared run, and the excursion its plan allows.
Must not know: screens, keys, how relays are moved.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

from controller.errors import InputError
from controller.planning.model import ResolvedStep, StepKind
from controller.planning.value import NUDGE_CELSIUS

if TYPE_CHECKING:
    from controller.planning.single_value import Finder, Setting
    from controller.session.prepared import Prepared

__all__ = ["MOST_NUDGES", "Nudger"]

MOST_NUDGES = 20
"""So many times as far as asked it is looked for another value that the ladder can make."""


class Nudger:
    """Finds values beside a step on the bench of one prepared run."""

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._limit = prepared.inputs.plan.max_excursion_celsius

    @cached_property
    def _finder(self) -> Finder:
        """What finds states; sorting the ladder's sums is done once for a run."""
        from controller.planning.single_value import Finder

        prepared = self._prepared
        return Finder(replace(prepared.bench, module=prepared.module), prepared.sensor.curve)

    def beside(self, step: ResolvedStep, start: int, direction: int) -> Setting:
        """Return the next value up (1) or down (-1) from the state `start`, and the way there.

        That is half a degC further, or as far as the ladder's next value. Raises InputError for a
        step that is no temperature, where the curve or the ladder ends, and where the way strays
        further than the plan allows.
        """
        if step.kind is not StepKind.TEMPERATURE:
            raise InputError.single(
                f"step {step.index + 1} is {step.kind.value}: there is nothing beside it",
                hint="nudge a step that is a temperature",
            )
        here = self._finder.find(f"0x{start:x}", start).celsius
        if here is None:
            raise InputError.single("what is set now is no temperature of the sensor's curve")
        for distance in range(1, MOST_NUDGES + 1):
            wanted = here + direction * distance * NUDGE_CELSIUS
            beside = self._finder.find(f"{wanted:.4f}degC", start)
            moved = None if beside.celsius is None else direction * (beside.celsius - here)
            if beside.state == start or moved is None or moved <= 0:
                continue
            strays = beside.excursion_celsius or 0.0
            if self._limit is not None and strays > self._limit:
                raise InputError.single(
                    f"switching there strays {strays:.1f} degC, more than"
                    f" max_excursion_celsius = {self._limit:g}",
                    hint="nudge the other way",
                )
            return beside
        raise InputError.single("the ladder makes no other value near this one")
