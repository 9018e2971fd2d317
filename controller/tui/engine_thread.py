"""The thread that owns the bench: it runs a session and draws the latest picture.

Knows: that a job goes in small steps, that its end is parked, and how wishes cross threads.
Must not know: Textual, screens, wording. The screen takes the latest picture whenever it can; it
may stop looking at any time without holding anything up.

Whoever asks for the end sets a flag that this thread looks at between two steps, so that asking
is safe from any thread and from a signal handler. The job also ends when the main thread has gone.
"""

from __future__ import annotations

import threading
import traceback
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from controller.clock import Clock
from controller.errors import RelayKnowledge, RungwiseError
from controller.run.events import Event
from controller.run.job import Job
from controller.session.session import Session
from controller.tui.view import RunView, after

__all__ = ["EngineThread", "Picture"]

SAID_KEPT = 3


@dataclass(frozen=True, kw_only=True)
class Picture:
    """What the screen may show. `said` are the readback's last sentences to the person.

    `alive` is False once the bench is closed and the record whole. `error` is what went wrong
    other than on the link; `relays` what is known of them; `parks_by_itself` whether the ladder
    does when this program falls silent.
    """

    view: RunView
    number: int = 0
    said: tuple[str, ...] = ()
    alive: bool = True
    stopping: bool = False
    port: str = ""
    relays: RelayKnowledge = RelayKnowledge.NOT_DRIVEN
    error: str | None = None
    parks_by_itself: bool = True


class EngineThread:
    """Runs one session to its end on a thread of its own.

    `open_session` gets where typed lines come from and where questions go, and returns the
    session; it is called on the thread. `changed` is called, from the thread too, after each new
    picture; what it raises is ignored.
    """

    def __init__(
        self,
        *,
        open_session: Callable[[Callable[[], str | None], Callable[[str], None]], Session],
        view: RunView,
        clock: Clock,
        changed: Callable[[], None],
    ) -> None:
        self._open_session = open_session
        self._changed = changed
        self._answers: deque[str] = deque()
        self._stop_asked = False
        self._session: Session | None = None
        self.clock = clock
        self.picture = Picture(view=view)
        self._thread = threading.Thread(target=self._guarded, name="rungwise-engine")

    @property
    def job(self) -> Job | None:
        """What is run; None before the bench is open."""
        return None if self._session is None else self._session.job

    @property
    def session(self) -> Session | None:
        """What is gone through; None before the bench is open."""
        return self._session

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Ask for the end: only a flag is set, so this is safe anywhere, signal handlers too."""
        self._stop_asked = True

    @property
    def stopping(self) -> bool:
        """Whether the end was asked for."""
        return self._stop_asked

    @property
    def alive(self) -> bool:
        """Whether the bench may still be open."""
        return self.picture.alive

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait for the end; return whether it has come."""
        if self._thread.ident is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def answer(self, line: str) -> None:
        """Hand over a line that the person typed."""
        self._answers.append(line)

    def note(self, text: str) -> bool:
        """Keep a remark in the record; return whether there still is a place for it."""
        if self._session is None or not self.alive:
            return False
        self._session.note(text)
        return True

    # On the thread itself.

    def _guarded(self) -> None:
        error: str | None = None
        try:
            self._run()
        except RungwiseError as refused:
            error = str(refused)
        except BaseException as bug:  # noqa: BLE001 - a thread's error would vanish without a trace
            where = traceback.extract_tb(bug.__traceback__)[-1]
            place = f"{where.filename.rsplit('/', 1)[-1]}:{where.lineno}"
            error = f"internal error, please report it: {type(bug).__name__}: {bug} ({place})"
        finally:
            self._publish(self.picture.view, alive=False, error=error)

    def _run(self) -> None:
        with self._open_session(self._next_answer, self._say) as session:
            self._session = session
            main = threading.main_thread()
            for events in session.batches(until=lambda: self._stop_asked or not main.is_alive()):
                self._show(events)
        self._publish(self.picture.view)

    def _show(self, events: tuple[Event, ...]) -> None:
        if not events:
            return
        view = self.picture.view
        for event in events:
            view = after(view, event)
        self._publish(view)

    def _next_answer(self) -> str | None:
        return self._answers.popleft() if self._answers else None

    def _say(self, sentence: str) -> None:
        said = (*self.picture.said, sentence)[-SAID_KEPT:]
        self._publish(self.picture.view, said=said)

    def _publish(
        self,
        view: RunView,
        *,
        said: tuple[str, ...] | None = None,
        alive: bool = True,
        error: str | None = None,
    ) -> None:
        session, before = self._session, self.picture
        if said is None:
            # The question itself is no word to it; that an early answer was dropped is one.
            prompt = view.prompt
            said = () if prompt is None else tuple(x for x in before.said if x != prompt.text)
            said = before.said if said == before.said else said
        self.picture = Picture(
            view=view,
            number=before.number + 1,
            said=said,
            alive=alive,
            stopping=self._stop_asked,
            port=before.port if session is None else session.bench.link.port,
            parks_by_itself=session is None or session.bench.parks_by_itself,
            relays=before.relays if session is None else session.relays,
            error=error or before.error,
        )
        with suppress(Exception):  # a screen that has gone must not stop the bench
            self._changed()
