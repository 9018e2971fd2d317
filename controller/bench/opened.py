"""A bench, opened: what a run drives and what it reads from.

Knows: that a bench is a ladder behind a link, a readback, and who has to be warned.
Must not know: bench files, which link or readback it is, plans.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from controller.errors import RelayKnowledge, worst_knowledge
from controller.ladder.model import Ladder
from controller.links.attended import Attention
from controller.links.base import Link
from controller.meters.base import Meter
from controller.readback.base import Readback

__all__ = ["Bench"]


def _nothing() -> None:
    return None


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Link, readback and ladder as wired today.

    `drives_hardware` is True when real relays move: then the cautions of `controller.cautions`
    are shown and confirmed before `link.open`. `step_ms` is how long the host takes for one change
    of state, 0 where the device runs whole paths by itself; `parks_by_itself` whether it parks when
    the computer falls silent. `release` lets go of what stands behind
    the link and the readback, a simulated device for example. `second` is the other ladder of a
    bench that has two, with its own link and readback; `attention` says who is seen to while this
    link waits.
    """

    name: str
    ladder: Ladder
    link: Link
    readback: Readback
    hold_off_ms: int
    drives_hardware: bool
    step_ms: int = 0
    parks_by_itself: bool = True
    release: Callable[[], None] = _nothing
    meter: Meter | None = None
    second: Bench | None = None
    attention: Attention = field(default_factory=Attention)

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of the relays now: of two ladders what has to worry most."""
        if self.second is None:
            return self.link.relays
        return worst_knowledge((self.link.relays, self.second.link.relays))

    def close(self) -> None:
        """Park as far as possible and let go of everything. Never raises."""
        if self.second is not None:
            self.second.close()
        self.link.close()
        self.readback.close()
        if self.meter is not None:
            self.meter.close()
        self.release()
