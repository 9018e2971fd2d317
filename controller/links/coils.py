"""What a relay board that only takes and tells output states has to offer.

Knows: the interface, and the two ways in which an exchange with such a board goes wrong.
Must not know: bytes, ports, ladders, what is believed of the relays.

A board is an implementation of this and nothing else: what is done after doubt, what is believed,
and when a state may be left again is for `links.host_timed`.
"""

from __future__ import annotations

from typing import Protocol

from controller.links.channel import ChannelError

__all__ = ["Coils", "Doubt", "ParkedAloneError"]


class Doubt(Exception):  # noqa: N818 - not a failure yet: it is asked again
    """No answer, or one that does not fit the question. An answer may still be on its way."""


class ParkedAloneError(ChannelError):
    """The outputs have been put to the park state because nothing was asked for too long."""


class Coils(Protocol):
    """All outputs of one board. A state is an int: bit i set means that output i is on.

    Every call but `close` raises Doubt after which `clear` has to come before the next question,
    and ChannelError where asking again is of no use.
    """

    @property
    def port(self) -> str:
        """The port's name for people."""

    def open(self) -> str | None:
        """Open the port for this process alone; move nothing. Return the name the board gives.

        None where boards of this kind do not say who they are.
        """

    def write(self, state: int) -> None:
        """Set all outputs, and see from the answer that the board has understood."""

    def read(self) -> int:
        """Return the state that all outputs have, as the board tells it now."""

    def clear(self) -> None:
        """Wait until no answer can be under way any more, and throw away what has come."""

    def close(self) -> None:
        """Let go of the port. Never raises."""
