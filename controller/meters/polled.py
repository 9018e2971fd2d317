"""A meter that takes its time, polled: its dialogue runs in a thread of its own.

Knows: a dialogue that blocks, and the one thread that may speak in it.
Must not know: commands, channels, ladders.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from typing import Protocol

from controller.meters.base import MeterAnswer, MeterQuestion

__all__ = ["Dialogue", "PolledMeter"]


class Dialogue(Protocol):
    """What is asked of a dialogue; every failure is a ReadbackError."""

    def open(self) -> None:
        """Connect and prepare; blocks."""

    def read_ohms(self) -> float:
        """Start a new reading and return it; blocks."""

    def abandon(self) -> None:
        """Let what is waited for fail soon; any thread may call this."""

    def close(self) -> None:
        """Let go. Never raises."""


class PolledMeter:
    """One reading per question, begun after the question. The hold-off is fed meanwhile."""

    def __init__(self, dialogue: Dialogue) -> None:
        self._dialogue = dialogue
        self._thread: ThreadPoolExecutor | None = None
        self._reading: Future[float] | None = None

    def open(self) -> None:
        """Find the meter and set it to measure."""
        self._dialogue.open()
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="meter")

    def ask(self, question: MeterQuestion) -> None:  # noqa: ARG002 - a meter needs no words
        """Begin a reading; one that still runs ends first, and counts for nothing."""
        assert self._thread is not None  # noqa: S101 - opened before it is asked
        if self._reading is not None:
            self._reading.cancel()
        self._reading = self._thread.submit(self._dialogue.read_ohms)

    def poll(self) -> MeterAnswer | None:
        """Return the reading once it is there. Raises what the dialogue raised."""
        if self._reading is None or not self._reading.done():
            return None
        reading, self._reading = self._reading, None
        return reading.result()

    def close(self) -> None:
        """End what is waited for, and let go."""
        self._dialogue.abandon()
        if self._thread is not None:
            self._thread.shutdown(wait=True, cancel_futures=True)
        self._dialogue.close()
