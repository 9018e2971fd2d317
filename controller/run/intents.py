"""What a person may want of a run while it runs, handed over between threads.

Knows: the wishes, which step each was about, and that they may come from another thread than the
one that runs. None is lost: it is obeyed, or it is said that it came too late.
Must not know: how a run obeys them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum
from threading import Event, Lock

__all__ = ["Intent", "Intents", "Standing", "Wish", "too_late"]

Standing = tuple[int, int]
"""The step that was under way, and which attempt at it."""


class Intent(Enum):
    """A wish about the step under way."""

    SKIP = "skip"
    REDO = "redo"
    BACK = "back"
    NUDGE = "nudge"


@dataclass(frozen=True)
class Wish:
    """A wish, and the step it was about; None: no step was under way."""

    intent: Intent
    about: Standing | None


def too_late(wish: Wish) -> str:
    """Say why a wish is not obeyed."""
    if wish.about is None:
        return f"{wish.intent.value} was not done: no step was under way"
    step = f"step {wish.about[0] + 1}"
    return f"{wish.intent.value} was not done: it came too late for {step}, attempt {wish.about[1]}"


class Intents:
    """A letter box: any thread puts wishes in, the run takes them out."""

    def __init__(self) -> None:
        self._stop = Event()
        self._paused = Event()
        self._wishes: deque[Wish] = deque()
        self._open = True
        self._lock = Lock()

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

    def wish(self, intent: Intent, about: Standing | None) -> bool:
        """Add a wish about a step; return False once the run looks at no wish any more."""
        with self._lock:
            if self._open:
                self._wishes.append(Wish(intent, about))
            return self._open

    def take(self) -> Wish | None:
        """Return the oldest wish, which is out of the box then; None where there is none."""
        return self._wishes.popleft() if self._wishes else None

    def close(self) -> tuple[Wish, ...]:
        """Take no more wishes; return those that nobody has obeyed."""
        with self._lock:
            self._open = False
            return tuple(self._wishes)
