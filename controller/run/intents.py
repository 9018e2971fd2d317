"""What a person may want of a run while it runs, handed over between threads.

Knows: the wishes, and that they may come from another thread than the one that runs.
Must not know: how a run obeys them.
"""

from __future__ import annotations

from collections import deque
from enum import Enum
from threading import Event

__all__ = ["Intent", "Intents"]


class Intent(Enum):
    """A wish about the step under way."""

    SKIP = "skip"
    REDO = "redo"
    BACK = "back"
    NUDGE = "nudge"


class Intents:
    """A letter box: any thread puts wishes in, the run takes them out."""

    def __init__(self) -> None:
        self._stop = Event()
        self._paused = Event()
        # Appending to and taking from a deque are atomic.
        self._wishes: deque[Intent] = deque()

    def is_stopped(self) -> bool:
        """Whether the run is to end; cannot be taken back."""
        return self._stop.is_set()

    def is_paused(self) -> bool:
        """Whether the run is to hold still."""
        return self._paused.is_set()

    def stop(self) -> None:
        """Ask for the end."""
        self._stop.set()

    def pause(self) -> None:
        """Ask for stillness."""
        self._paused.set()

    def resume(self) -> None:
        """Ask to go on."""
        self._paused.clear()

    def wish(self, intent: Intent) -> None:
        """Add a wish about the step under way."""
        self._wishes.append(intent)

    def take(self) -> Intent | None:
        """Return the oldest wish and forget it, or None."""
        return self._wishes.popleft() if self._wishes else None

    def forget(self) -> None:
        """Drop wishes that were meant for a step that is over."""
        self._wishes.clear()
