"""How long a board takes for one change of state: measured on parked outputs.

Knows: how a bench's board is opened and asked; what to write into the bench file.
Must not know: who asks, plans.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, replace

from controller.bench.model import BenchFile, ReadbackKind
from controller.bench.wiring import open_bench
from controller.clock import RealClock
from controller.errors import InputError
from controller.links.host_timed import HostTimedLink

__all__ = ["StepTime", "measure_step_time"]

_LONGEST_MS = 5000
_ROOM = 1.5
"""How much longer than the slowest exchange measured is proposed: computers have busy moments."""

_ROUNDED_TO_MS = 10


@dataclass(frozen=True, kw_only=True)
class StepTime:
    """What was measured, in milliseconds; `stated_ms` is what the bench file says."""

    count: int
    median_ms: float
    slowest_ms: float
    stated_ms: int

    @property
    def proposed_ms(self) -> int:
        """What to state as `step_ms`."""
        return _ROUNDED_TO_MS * math.ceil(_ROOM * self.slowest_ms / _ROUNDED_TO_MS)


def measure_step_time(bench: BenchFile, *, count: int = 50) -> StepTime:
    """Park the board of a bench, and set the parked outputs again so many times; none moves then.

    Raises InputError when the host does not time this bench's ladder, LinkError when it fails.
    """
    if bench.board is None:
        raise InputError.single(
            f'a link of kind "{bench.link.value}" has nothing to measure: its firmware keeps time',
            where=str(bench.path or bench.name),
            key="link.kind",
        )
    # Whatever is stated must not stand in the way of what is to be found out.
    board = replace(bench.board, step_ms=_LONGEST_MS)
    patient = replace(bench, board=board, readback=ReadbackKind.TYPED)  # nothing is read anyway
    opened = open_bench(patient, RealClock(), reads_back=False)
    try:
        link = opened.link
        assert isinstance(link, HostTimedLink)  # noqa: S101 - what a board's bench opens
        link.open(hold_off_ms=bench.hold_off_ms)
        took_ms = [1000 * seconds for seconds in link.dry_run(count)]
    finally:
        opened.close()
    return StepTime(
        count=count,
        median_ms=statistics.median(took_ms),
        slowest_ms=max(took_ms),
        stated_ms=bench.board.step_ms,
    )
