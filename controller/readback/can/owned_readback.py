"""What every readback on a bus does alike: prompts and readings go by way of its owner.

Knows: that an owner comes with opening, and that until then there is nothing to read.
Must not know: whether questions are asked or broadcasts listened to.
"""

from __future__ import annotations

from controller.readback.base import Prompt, Reading
from controller.readback.can.frames import BusPort
from controller.readback.can.owner import Owner

__all__ = ["OwnedReadback"]


class OwnedReadback:
    """A readback whose `_owner`, once `open` has set it, turns what reads the bus."""

    continuous = True

    def __init__(self, port: BusPort) -> None:
        self._port = port
        self._owner: Owner | None = None

    def ask(self, prompt: Prompt) -> None:
        """Begin a prompt; what was asked or broadcast before is stale."""
        if self._owner is not None:
            self._owner.open_prompt(prompt.token)

    def poll(self) -> Reading | None:
        """Return the next reading that has come. Raises ReadbackError when none will."""
        return None if self._owner is None else self._owner.poll()

    def close(self) -> None:
        """Have the owner stop, and let go of the bus."""
        if self._owner is not None:
            self._owner.stop()
        self._port.close()
