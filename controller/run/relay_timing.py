"""How long relays take: one is changed over, and the volts at the input tell when it has moved.

Knows: which readings before and after belong to a movement, what is too slow.
Must not know: links, states, how the volts are read.

Every reading is taken somewhere between two moments, and so is the command. So a time lies between
two limits; only one whose lower limit is beyond what paths wait for is too slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller.ladder.model import Ladder
from controller.ladder.path import LATENESS_MS, TIME_SPREAD, hold_ms

__all__ = ["RelayTime", "TimedVolts", "relay_time"]

_LEFT = 1 / 3
"""A reading this share of the way from the old level to the new one has left the old one."""

_LAST = 5


@dataclass(frozen=True, kw_only=True)
class TimedVolts:
    """A reading, taken between two moments since the command was sent, in milliseconds."""

    volts: float
    from_ms: float
    to_ms: float


@dataclass(frozen=True, kw_only=True)
class RelayTime:
    """How long one relay took to operate (`energised`) or to release, and to come to rest.

    `bounce_ms` is the time from the first to the last change of contact that was seen, zero where
    readings are too far apart (`resolution_ms`) to see any. `stated_ms` and `stated_bounce_ms` are
    the ladder file's; `slow` says that a path may go on before this relay has come to rest.
    """

    relay: int
    energised: bool
    least_ms: float
    most_ms: float
    bounce_ms: float
    resolution_ms: float
    stated_ms: float
    stated_bounce_ms: float
    slow: bool

    @property
    def words(self) -> str:
        """Say how slow it is."""
        does = "operate" if self.energised else "release"
        return (
            f"relay {self.relay} takes {self.least_ms:.0f} to {self.most_ms:.0f} ms to {does},"
            f" its file says {self.stated_ms:g} ms and {self.stated_bounce_ms:g} ms of bounce"
        )


def relay_time(
    ladder: Ladder,
    relay: int,
    *,
    energised: bool,
    before_volts: float,
    readings: Sequence[TimedVolts],
    acknowledged_ms: float,
) -> RelayTime | None:
    """Return the time that readings after a command tell; None where nothing has moved.

    The relay was told somewhere between the command, at zero, and `acknowledged_ms`.
    """
    after = sum(one.volts for one in readings[-_LAST:]) / len(readings[-_LAST:])
    away = abs(after - before_volts)
    left = [abs(one.volts - before_volts) > _LEFT * away for one in readings]
    if away == 0.0 or True not in left:
        return None
    first = left.index(True)
    last = max(
        (i for i, (was, is_) in enumerate(pairwise(left), 1) if was is not is_),
        default=first,
    )

    def least(index: int) -> float:
        """Return the earliest moment after the relay was told at which it can have moved."""
        return max(0.0, readings[index - 1].from_ms - acknowledged_ms) if index else 0.0

    made = ladder.relays[relay]
    stated = made.operate_ms if energised else made.release_ms
    spent = [one.to_ms - one.from_ms for one in readings]
    apart = [later.to_ms - one.to_ms for one, later in pairwise(readings)]
    slow_start = least(first) > stated * (1.0 + TIME_SPREAD) + LATENESS_MS
    return RelayTime(
        relay=relay,
        energised=energised,
        least_ms=least(first),
        most_ms=readings[first].to_ms,
        bounce_ms=readings[last].to_ms - readings[first].to_ms,
        resolution_ms=max(max(spent), max(apart, default=0.0)),
        stated_ms=stated,
        stated_bounce_ms=made.bounce_ms,
        slow=slow_start or least(last) > hold_ms(ladder, relay, energise=energised),
    )
