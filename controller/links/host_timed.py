"""The link to a board that only takes and tells output states: every step is timed from here.

Knows: which exchanges make a state believed, how long a state is held, what such a board cannot
tell. Must not know: bytes, which kind of board it is, plans.

A state counts as set when the board, asked after it was set, tells the same state. After an answer
that is missing or does not fit, nothing is believed until the line has been cleared: the answer may
come yet, and nothing in it would tell it from the answer to the next question.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import TypeVar

from controller.clock import Clock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import Ladder, PathStep
from controller.links.base import LinkIdentity, LinkStatus, SenseReading
from controller.links.boards import Board
from controller.links.channel import ChannelError
from controller.links.coils import Coils, Doubt, ParkedAloneError

__all__ = ["HostTimedLink"]

T = TypeVar("T")

_TRIES = 3
"""How often a question is asked before it counts as not answered."""

_DRY_RUNS = 9
"""How many times the parked outputs are set again when the link opens, to see how long it takes."""


class HostTimedLink:
    """A `Link` over the coils of a board. `relays` is what was read back last, never what was sent.

    The relay of rung i is at output i; outputs that the ladder has no relay for stay off.
    """

    def __init__(self, coils: Coils, board: Board, ladder: Ladder, clock: Clock) -> None:
        self._coils = coils
        self._board = board
        self._ladder = ladder
        self._clock = clock
        self._is_open = False
        self._driven = False
        self._dirty = False
        self._state: int | None = None
        self._relays = RelayKnowledge.NOT_DRIVEN
        self._retries = 0
        self._slowest_s = 0.0
        self._doubted: Doubt | None = None

    @property
    def port(self) -> str:
        """The port's name."""
        return self._coils.port

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of the relay state from the last reading back."""
        return self._relays

    # --- what a Link does -----------------------------------------------------------------------

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:  # noqa: ARG002 - of firmware
        """Connect, see that the board answers, park, and see that it is as fast as was stated."""
        self._close_coils()
        self._forget_state()
        try:
            reported = self._met()
        except LinkError:
            self._close_coils()  # nothing has been set: nothing is parked either
            raise
        self._is_open = True
        self.park()
        self._require_pace()
        return LinkIdentity(
            name=reported or f"a board of {self._board.outputs} outputs, as declared",
            protocol_version=None,
            relay_count=None,
            park_state=None,
            max_path=None,
            can_sense=False,
            boots=None,
        )

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Set one state after the other, each read back and held; return the last status.

        A hold counts from the moment a state is sent and includes the board's `step_ms`. When the
        exchange takes longer than that, the rest of the hold is kept all the same: the relays
        have to come to rest.
        """
        self._require_open()
        if self._state is None:
            raise self._error("the state to start from is not known", "park first")
        for step in path:
            if step.state < 0 or step.state >> self._ladder.relay_count:
                raise self._error(
                    f"state {step.state:#x} needs more relays than the ladder has",
                )
        status = self.feed()  # what was set may have been lost since
        for step in path:
            took_s = self._set(step.state)
            self._clock.sleep_s(step.hold_ms / 1000 - min(took_s, self._step_s))
        return self._status() if path else status

    def park(self) -> None:
        """Set the park state, whatever is set now, and read it back."""
        self._require_open()
        self._forget_state()
        self._set(self._ladder.park_state)

    def feed(self) -> LinkStatus:
        """Read back; raises when the board tells another state than was set."""
        self._require_open()
        expected = self._state
        told = self._told()
        if expected is not None and told != expected:
            self._dirty = True  # an answer from earlier would look like this
            told = self._told()
        self._believe(told)
        if expected not in (None, told):
            raise self._lost(told, expected)
        return self._status()

    def sense(self, channel: int = 0) -> SenseReading:  # noqa: ARG002 - no channel will do
        """Raise LinkError: such boards have no analogue input that is asked."""
        raise self._error("this board has no analogue input")

    def close(self) -> None:
        """Park as far as possible, and let go of the port. Never raises."""
        if self._is_open and self._relays in (RelayKnowledge.KNOWN, RelayKnowledge.UNKNOWN):
            with suppress(LinkError):
                self.park()
        self._close_coils()

    def dry_run(self, count: int) -> tuple[float, ...]:
        """Set the parked outputs again so many times; return how long each took, in seconds.

        No relay moves. Raises LinkError when the ladder is not parked, and when the board does not
        take a set: that what it tells is right then is chance, it was so before.
        """
        if self._relays is not RelayKnowledge.PARKED:
            raise self._error("a dry run needs a parked ladder", "park first")
        took_s, doubted = [], 0
        for _ in range(count):
            took_s.append(self._set(self._ladder.park_state))
            doubted = 0 if self._doubted is None else doubted + 1
            if doubted == _TRIES:
                raise self._error(
                    f"{self._doubted}, at {_TRIES} sets one after the other, though it answers"
                    " what is asked",
                    "does the bench file say how this board is set, as its manual does?",
                )
        return tuple(took_s)

    # --- setting and reading back ---------------------------------------------------------------

    @property
    def _step_s(self) -> float:
        return self._board.step_ms / 1000

    def _set(self, state: int) -> float:
        """Set a state and read it back; return how many seconds that took.

        A set without an answer may have been carried out or not, and is repeated only where it was
        not; whatever else the board tells then, it has not come from here.
        """
        before, began_s = self._state, self._clock.now_s()
        self._driven = True
        self._forget_state()
        doubt: Doubt | None = None
        self._doubted = None
        for _ in range(_TRIES):
            try:
                self._once(lambda: self._coils.write(state))
            except Doubt as error:
                doubt = self._doubted = error
                told = self._told()
                if told not in (state, before) and before is not None:
                    self._believe(told)
                    raise self._lost(told, before) from error
                if told != state:
                    continue
            else:
                told = self._told()
                if told != state:
                    self._dirty = True  # an answer from earlier would look like this
                    told = self._told()
            self._believe(told)
            if told != state:
                raise self._error(self._stuck_words(state, told), "is a relay or its driver stuck?")
            took_s = self._clock.now_s() - began_s
            self._slowest_s = max(self._slowest_s, took_s)
            return took_s
        raise self._silent(doubt)

    def _told(self) -> int:
        return self._answered(self._coils.read)

    def _answered(self, ask: Callable[[], T]) -> T:
        """Ask until an answer fits its question. Raises LinkError."""
        doubt: Doubt | None = None
        for _ in range(_TRIES):
            try:
                return self._once(ask)
            except Doubt as error:
                doubt = error
        raise self._silent(doubt)

    def _once(self, ask: Callable[[], T]) -> T:
        """Ask one question on a clear line. Raises Doubt, and LinkError where no more can be done.

        The line is clear again only when an answer has been taken: not after doubt, and not when
        somebody interrupts this.
        """
        try:
            if self._dirty:
                self._coils.clear()
            self._dirty = True
            answer = ask()
        except Doubt:
            self._retries += 1
            self._forget_state()
            raise
        except ParkedAloneError as error:
            self._believe(self._ladder.park_state)
            raise self._error(error.message, error.hint) from error
        except ChannelError as error:
            self._forget_state()
            raise self._error(error.message, self._stays(error.hint)) from error
        self._dirty = False
        return answer

    def _met(self) -> str | None:
        """Open the coils and ask for name and state; set nothing. Return the name."""
        try:
            reported = self._opened_coils()
        except ChannelError as error:
            raise self._error(error.message, error.hint) from error
        declared = self._board.declared_name
        if declared is not None and reported != declared:
            raise self._error(
                f"the board says that it is {reported!r}, the bench file says {declared!r}",
                "is this the board that the bench file names?",
            )
        self._answered(self._coils.read)
        return reported

    def _opened_coils(self) -> str | None:
        """Open the coils; some boards take a moment until they say who they are."""
        doubt: Doubt | None = None
        for _ in range(_TRIES):
            try:
                self._dirty = True  # what an earlier program asked may be answered yet
                return self._coils.open()
            except Doubt as error:
                doubt = error
                self._retries += 1
        raise ChannelError(f"{doubt}, {_TRIES} times", "check the cable, the power and the port")

    def _require_pace(self) -> None:
        """Raise LinkError when the board is slower than the plan was made for."""
        usual_s = statistics.median(self.dry_run(_DRY_RUNS))
        if usual_s > self._step_s:
            raise self._error(
                f"a change of state takes {usual_s * 1000:.0f} ms, more than step_ms ="
                f" {self._board.step_ms}: what the plan says of excursions would not hold",
                "state a longer step_ms, or raise the baud rate; `rungwise links --bench BENCH`"
                " measures it",
            )
        self._slowest_s = 0.0

    # --- what is known --------------------------------------------------------------------------

    def _believe(self, told: int) -> None:
        if not self._driven:
            return
        parked = told == self._ladder.park_state
        self._state = told
        self._relays = RelayKnowledge.PARKED if parked else RelayKnowledge.KNOWN

    def _forget_state(self) -> None:
        self._state = None
        self._relays = RelayKnowledge.UNKNOWN if self._driven else RelayKnowledge.NOT_DRIVEN

    def _status(self) -> LinkStatus:
        assert self._state is not None  # noqa: S101 - both callers have just read it back
        slowest_s, self._slowest_s = self._slowest_s, 0.0
        return LinkStatus(
            state=self._state,
            parked=self._relays is RelayKnowledge.PARKED,
            moving=None,
            hold_off_expired=None,
            fault=None,
            restarted=None,
            hold_off_ms=None,
            retries=self._retries,
            dropped=0,
            slowest_ms=round(slowest_s * 1000) if slowest_s > self._step_s else None,
        )

    def _stuck_words(self, state: int, told: int) -> str:
        wrong = [index for index in range(self._board.outputs) if (state ^ told) >> index & 1]
        named = ", ".join(str(index) for index in wrong)
        many = len(wrong) > 1
        return (
            f"relay{'s' if many else ''} {named} {'do' if many else 'does'} not follow: the board"
            f" tells {self._ladder.format_state(told)} where {self._ladder.format_state(state)}"
            " was set"
        )

    def _lost(self, told: int, was: int) -> LinkError:
        show = self._ladder.format_state
        return self._error(
            f"the board tells {show(told)} where {show(was)} was set",
            "has its supply dipped, or is another program driving it?",
        )

    def _silent(self, doubt: Doubt | None) -> LinkError:
        hint = self._stays("check the cable, the power, the port and its settings")
        return self._error(f"{doubt}, {_TRIES} times", hint)

    def _stays(self, hint: str | None) -> str | None:
        """Add to a hint that nothing parks this ladder, where it may be driven."""
        if self._relays is not RelayKnowledge.UNKNOWN:
            return hint
        stays = "this ladder does not park by itself: unplug it from the module"
        return f"{hint}; {stays}" if hint else stays

    def _require_open(self) -> None:
        if not self._is_open:
            raise self._error("the link is not open")

    def _close_coils(self) -> None:
        self._is_open = False
        self._coils.close()

    def _error(self, message: str, hint: str | None = None) -> LinkError:
        return LinkError(message, port=self.port, relays=self._relays, hint=hint)
