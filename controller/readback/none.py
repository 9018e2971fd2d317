"""The readback of runs that read nothing back: values set by hand, a ladder being measured.

Knows: that nothing is ever asked.
Must not know: anything else.
"""

from __future__ import annotations

from controller.readback.base import Prompt

__all__ = ["NoReadback"]


class NoReadback:
    """Never has an answer."""

    name = "no readback"
    continuous = False

    def open(self) -> None:
        """Nothing has to be found."""

    def codes(self) -> None:
        """Return nothing: nobody is asked."""

    def ask(self, prompt: Prompt) -> None:
        """Nobody is asked."""

    def poll(self) -> None:
        """Return nothing."""

    def close(self) -> None:
        """Nothing is held."""
