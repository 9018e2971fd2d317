"""Who owns the bus: one thread of its own, or, on a clock that waits for nobody, the caller.

Knows: threads, a box that is filled on one side and looked into on the other.
Must not know: buses, what a reading is made of.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Protocol, TypeVar

from controller.clock import Clock, RealClock
from controller.errors import ReadbackError
from controller.readback.base import Reading

__all__ = ["Inline", "Owner", "Source", "Threaded", "owner_for"]

_Returned = TypeVar("_Returned")

TokenNow = Callable[[], int | None]
"""Returns the token of the prompt that is open at this moment."""

MOST_KEPT = 1000


class Source(Protocol):
    """Something that yields readings while somebody keeps turning it."""

    def turn(self, token_now: TokenNow, idle_s: float) -> Reading | None:
        """Do one round: ask if it is due, else listen for `idle_s`. Raises ReadbackError."""


class Owner(Protocol):
    """Turns a source."""

    def open_prompt(self, token: int | None) -> None:
        """Readings belong to this token from now on, unless they were asked for before."""

    def poll(self) -> Reading | None:
        """Return the next reading in the box. Raises ReadbackError when there will be no more."""

    def call(self, function: Callable[[], _Returned], *, wait_s: float) -> _Returned:
        """Return what a function returns that may use the bus meanwhile."""

    def stop(self) -> None:
        """Turn no more."""


def owner_for(clock: Clock, source: Source, *, name: str) -> Owner:
    """Return a thread in real time, and the caller itself in any other."""
    return Threaded(source, name=name) if isinstance(clock, RealClock) else Inline(source)


class Inline:
    """Turns the source whenever it is polled."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._token: int | None = None

    def open_prompt(self, token: int | None) -> None:
        """Set the token."""
        self._token = token

    def poll(self) -> Reading | None:
        """Turn once."""
        return None if self._token is None else self._source.turn(lambda: self._token, 0.0)

    def call(self, function: Callable[[], _Returned], *, wait_s: float) -> _Returned:  # noqa: ARG002
        """Call it."""
        return function()

    def stop(self) -> None:
        """Nothing runs."""
        self._token = None


class _Task:
    """Something to be done in the thread, and what came of it."""

    def __init__(self, function: Callable[[], object]) -> None:
        self._function = function
        self.done = threading.Event()
        self.result: object = None
        self.error: Exception | None = None

    def run(self) -> None:
        try:
            self.result = self._function()
        except Exception as error:  # noqa: BLE001 - it is raised again where it is waited for
            self.error = error
        self.done.set()


class Threaded:
    """Turns the source in a thread of its own, which never stops listening."""

    _IDLE_S = 0.05

    def __init__(self, source: Source, *, name: str) -> None:
        self._source = source
        self._name = name
        self._token: int | None = None
        self._box: deque[Reading] = deque(maxlen=MOST_KEPT)
        self._tasks: deque[_Task] = deque()
        self._failure: Exception | None = None
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bus: {name}", daemon=True)
        self._thread.start()

    def open_prompt(self, token: int | None) -> None:
        """Set the token; the thread reads it before each request leaves."""
        self._token = token
        self._box.clear()

    def poll(self) -> Reading | None:
        """Look into the box."""
        if self._box:
            return self._box.popleft()
        if self._failure is not None:
            raise self._failure
        return None

    def call(self, function: Callable[[], _Returned], *, wait_s: float) -> _Returned:
        """Have the thread call it. Raises ReadbackError when that takes too long."""
        task = _Task(function)
        self._tasks.append(task)
        if not task.done.wait(wait_s) and not task.done.is_set():
            if self._failure is not None:
                raise self._failure
            raise ReadbackError("the adapter does not return from a call", source=self._name)
        if task.error is not None:
            raise task.error
        return task.result  # type: ignore[return-value]  # what the function returned

    def stop(self) -> None:
        """End the thread."""
        self._stopped.set()
        self._thread.join(2.0)

    def _run(self) -> None:
        while not self._stopped.is_set():
            while self._tasks:
                self._tasks.popleft().run()
            if self._failure is not None:
                self._stopped.wait(self._IDLE_S)
                continue
            try:
                reading = self._source.turn(lambda: self._token, self._IDLE_S)
            except Exception as error:  # noqa: BLE001 - it is raised again where it is polled
                self._failure = error
                continue
            if reading is not None:
                self._box.append(reading)
