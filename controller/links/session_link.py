"""The link: one blocking conversation with a device, over any channel.

Knows: the order of requests that keeps a ladder safe, and what is known of the relays after each.
Must not know: what kind of channel it has, files, the sweep.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from typing import TypeVar

from controller.clock import Clock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import PathStep
from controller.links.base import LinkIdentity, LinkStatus, SenseReading
from controller.links.channel import Channel, ChannelError
from firmware_protocol.errors import MessageError
from firmware_protocol.messages import (
    INTERLOCK,
    PROTOCOL_VERSION,
    REPEAT_AFTER_MS,
    TRIES,
    Apply,
    Capability,
    Clear,
    ClearReply,
    ErrorCode,
    Flag,
    HoldOff,
    HoldOffReply,
    Identify,
    IdentifyReply,
    Park,
    ParkReply,
    PathState,
    Reply,
    Request,
    Sense,
    SenseReply,
    Status,
    StatusReply,
    printable,
)
from firmware_protocol.session import GaveUp, Line, Refused, RepeatDue, Replied, Session

__all__ = ["LONGEST_EXCHANGE_S", "SessionLink"]

R = TypeVar("R", bound=Reply)

_LONGEST_READ_S = 0.1
_SHORTEST_WAIT_S = 0.001
LONGEST_EXCHANGE_S = TRIES * REPEAT_AFTER_MS / 1000 + _LONGEST_READ_S
"""The longest that one request waits for its answer, once the device has been identified."""

_PATH_SLACK_S = 1.0
"""How much longer than the sum of its holds a path may take before something is wrong."""

_LOOK_S = 0.1
"""How long a fault that persists may stay unseen after it was cleared (SPEC.md, "look")."""

_FEEDS_IN_A_HOLD_OFF = 4
"""How often a running path is asked after: often enough for one retry within the hold-off."""

_CAUSES = {
    Flag.RESTARTED: "the device restarted",
    Flag.HOLD_OFF_EXPIRED: "the device heard nothing for too long and parked by itself",
    Flag.FAULT: "the board reports a fault",
}

_REASONS: dict[ErrorCode, tuple[str, str | None]] = {
    ErrorCode.UNSUPPORTED: ("it cannot do this", None),
    ErrorCode.BAD_LENGTH: ("it did not understand", "does its firmware match?"),
    ErrorCode.BAD_VALUE: ("a value is out of range", None),
    ErrorCode.BUSY: ("a path is already running", "is another program driving it?"),
    ErrorCode.INTERLOCKED: ("it has parked by itself", None),
    ErrorCode.WRONG_START: (
        "another state is latched than was expected",
        "is another program driving it?",
    ),
    ErrorCode.FORBIDDEN: ("the board does not allow this pattern of relays", None),
    ErrorCode.PATH_TOO_LONG: ("the path is too long", "does its firmware match?"),
}


@cache
def _told(flags: Flag) -> dict[str, bool]:
    """Return what the flags of a status say, by the names that it has in a `LinkStatus`."""
    return {
        "parked": Flag.PARKED in flags,
        "moving": Flag.MOVING in flags,
        "hold_off_expired": Flag.HOLD_OFF_EXPIRED in flags,
        "fault": Flag.FAULT in flags,
        "restarted": Flag.RESTARTED in flags,
    }


class SessionLink:
    """A `Link` over a channel. `relays` is what has been acknowledged, never what was hoped.

    `clock` is the run's: holds pass on it. `line_clock` is the one that passes while the channel
    waits for bytes, where that is another: a real port waits in real time even when the run, and
    a simulated device behind the port, live on a virtual clock.
    """

    def __init__(self, channel: Channel, clock: Clock, *, line_clock: Clock | None = None) -> None:
        self._channel = channel
        self._clock = clock
        self._line_clock = line_clock or clock
        self._session = Session()
        self._identity: IdentifyReply | None = None
        self._state: int | None = None
        self._relays = RelayKnowledge.NOT_DRIVEN
        self._armed = False
        self._hold_off_ms = 0
        self._device_dropped = 0

    @property
    def port(self) -> str:
        """The channel's name."""
        return self._channel.port

    @property
    def relays(self) -> RelayKnowledge:
        """What is known of the relay state from what has been acknowledged."""
        return self._relays

    # --- what a Link does -----------------------------------------------------------------------

    def open(self, *, hold_off_ms: int = 2000) -> LinkIdentity:
        """Connect, identify, park, clear the sticky flags and set the hold-off time."""
        try:
            hold_off = HoldOff(time_ms=hold_off_ms)
        except MessageError as error:
            raise self._error(f"the hold-off cannot be set: {error}") from error
        identity = self.identify()
        faulty = Flag.FAULT in self._parked()
        # From here on a flag is news: a clear that is refused, too, says that the device restarted.
        self._armed = True
        self._ask(Clear(flags=INTERLOCK), ClearReply)
        self._hold_off_ms = self._ask(hold_off, HoldOffReply).time_ms
        if faulty:  # one that persists has to show before a relay moves
            self._clock.sleep_s(_LOOK_S)
        status = self._ask(Status(), StatusReply)
        self._note_latched(status)
        self._device_dropped = status.dropped
        return identity

    def identify(self) -> LinkIdentity:
        """Connect and ask who is there; moves no relay and clears nothing."""
        self._session = Session()
        self._identity, self._state, self._armed = None, None, False
        driven = self._relays in (RelayKnowledge.KNOWN, RelayKnowledge.UNKNOWN)
        self._relays = RelayKnowledge.UNKNOWN if driven else RelayKnowledge.NOT_DRIVEN
        try:
            self._channel.open()
        except ChannelError as error:
            raise self._error(error.message, error.hint) from error
        reply = self._ask(Identify(), IdentifyReply)
        if reply.version != PROTOCOL_VERSION:
            raise self._error(
                f"the device speaks version {reply.version} of the protocol,"
                f" this program version {PROTOCOL_VERSION}",
                "load firmware that matches",
            )
        self._identity = reply
        return LinkIdentity(
            name=printable(reply.name),
            protocol_version=reply.version,
            relay_count=reply.relay_count,
            park_state=reply.park_state,
            max_path=reply.max_path,
            can_sense=Capability.SENSE in reply.capabilities,
            boots=reply.boots,
        )

    def apply(self, path: Sequence[PathStep]) -> LinkStatus:
        """Run a path from the state last acknowledged; return the status that showed its end."""
        identity = self._known_identity()
        start = self._state
        if start is None:
            raise self._error("the state to start from is not known", "park first")
        for step in path:
            if step.state < 0 or step.state >> identity.relay_count:
                raise self._error(
                    f"state {step.state:#x} needs more relays than the {identity.relay_count}"
                    " the device has",
                    "is this the ladder that the bench file names?",
                )
        try:
            steps = tuple(PathState(state=step.state, hold_ms=step.hold_ms) for step in path)
        except MessageError as error:
            raise self._error(f"the path cannot be sent: {error}") from error
        latched: LinkStatus | None = None
        for begin in range(0, len(steps), identity.max_path):
            piece = steps[begin : begin + identity.max_path]
            latched = self._status_of(self._run_piece(start, piece))
            start = piece[-1].state
        return latched or self.feed()

    def park(self) -> None:
        """Park and wait for the acknowledgement."""
        self._parked()

    def _parked(self) -> Flag:
        """Park; return the flags of the acknowledgement."""
        park_state = self._known_identity().park_state
        if self._relays is not RelayKnowledge.PARKED:
            self._forget_state()
        reply = self._ask(Park(), ParkReply, guarded=False)
        self._state, self._relays = park_state, RelayKnowledge.PARKED
        return reply.flags

    def feed(self) -> LinkStatus:
        """Ask for the status, which also feeds the hold-off. Raises when the device restarted."""
        status = self._ask(Status(), StatusReply)
        if self._state is None:  # a path was sent and never acknowledged: now it is seen
            if Flag.MOVING not in status.flags:
                self._note_latched(status)
        elif status.state != self._state:
            self._forget_state()
            raise self._error(
                f"the device has latched {status.state:#x}, which is not what was asked for",
                "is another program driving it?",
            )
        return self._status_of(status)

    def _status_of(self, status: StatusReply) -> LinkStatus:
        return LinkStatus(
            state=status.state,
            **_told(status.flags),
            hold_off_ms=status.hold_off_ms,
            retries=self._session.retries,
            dropped=self._session.dropped + max(0, status.dropped - self._device_dropped),
        )

    def sense(self, channel: int = 0) -> SenseReading:
        """Read the board's analogue input."""
        try:
            request = Sense(channel=channel)
        except MessageError as error:
            raise self._error(f"there is no such input: {error}") from error
        reply = self._ask(request, SenseReply)
        return SenseReading(
            volts=reply.reference_mv / 1000 * reply.raw / reply.full_scale,
            raw=reply.raw,
            full_scale=reply.full_scale,
            full_scale_volts=reply.reference_mv / 1000,
        )

    def close(self) -> None:
        """Park as far as possible, and let go of the port. Never raises."""
        if self._relays in (RelayKnowledge.KNOWN, RelayKnowledge.UNKNOWN):
            with suppress(LinkError):
                self.park()
        self._channel.close()
        self._identity = None

    # --- paths ----------------------------------------------------------------------------------

    def _run_piece(self, start: int, piece: tuple[PathState, ...]) -> StatusReply:
        """Have one piece of a path run to its end; return the status that showed it."""
        before = self._relays
        self._forget_state()
        event = self._exchange(Apply(start=start, path=piece))
        if isinstance(event, Refused):
            self._guard(event.error.flags)
            if event.error.code not in (ErrorCode.WRONG_START, ErrorCode.BUSY):
                self._state, self._relays = start, before
            raise self._refused(event)
        self._guard(event.reply.flags)
        wait_s = sum(step.hold_ms for step in piece) / 1000
        give_up_s = self._clock.now_s() + wait_s + _PATH_SLACK_S
        slice_s = self._hold_off_ms / 1000 / _FEEDS_IN_A_HOLD_OFF
        while True:
            self._clock.sleep_s(min(wait_s, slice_s))
            wait_s = max(wait_s - slice_s, _SHORTEST_WAIT_S)
            status = self._ask(Status(), StatusReply)
            if Flag.MOVING not in status.flags:
                break
            if self._clock.now_s() > give_up_s:
                raise self._error("a path takes longer than its holds add up to")
        if status.state != piece[-1].state:
            raise self._error(f"a path ended in {status.state:#x}, not in its last state")
        self._note_latched(status)
        return status

    # --- what is known --------------------------------------------------------------------------

    def _note_latched(self, status: StatusReply) -> None:
        self._state = status.state
        parked = Flag.PARKED in status.flags
        self._relays = RelayKnowledge.PARKED if parked else RelayKnowledge.KNOWN

    def _forget_state(self) -> None:
        self._state, self._relays = None, RelayKnowledge.UNKNOWN

    def _lost(self) -> None:
        """The device cannot be reached: it will park by itself, but nobody has seen that.

        A ladder that was parked stays parked: nothing but a request makes it move.
        """
        if self._relays is RelayKnowledge.KNOWN:
            self._forget_state()

    def _guard(self, flags: Flag) -> None:
        """Raise when a reply shows that the device has parked by itself since `open` cleared."""
        if not self._armed or not flags & INTERLOCK:
            return
        causes = [sentence for flag, sentence in _CAUSES.items() if flag in flags]
        if Flag.PARKED in flags:
            self._state = self._known_identity().park_state
            self._relays = RelayKnowledge.PARKED
        else:
            self._forget_state()
        raise self._error(" and ".join(causes), "check its supply and the cable, then start again")

    def _known_identity(self) -> IdentifyReply:
        if self._identity is None:
            raise self._error("the link is not open")
        return self._identity

    # --- one request ----------------------------------------------------------------------------

    def _ask(self, request: Request, wanted: type[R], *, guarded: bool = True) -> R:
        """Send a request and return its reply; raises LinkError on anything else."""
        event = self._exchange(request)
        if isinstance(event, Refused):
            if guarded:
                self._guard(event.error.flags)
            raise self._refused(event)
        if guarded:
            self._guard(event.reply.flags)
        if not isinstance(event.reply, wanted):  # the session matches types: cannot happen
            raise self._error(f"{request} was answered with {event.reply}")
        return event.reply

    def _exchange(self, request: Request) -> Replied | Refused:
        """Send a request until it is answered. Raises LinkError when it is not."""
        try:
            return self._converse(request)
        except ChannelError as error:
            self._lost()
            raise self._error(error.message, self._parks_by_itself(error.hint)) from error

    def _converse(self, request: Request) -> Replied | Refused:
        session, channel, clock = self._session, self._channel, self._line_clock
        if session.line is Line.WAITING:  # an earlier call was interrupted or its channel failed
            session.abandon()
        if session.line is not Line.CLEAN:
            channel.drain()
        channel.write(session.request(request, clock.now_s()))
        while (deadline_s := session.deadline_s) is not None:
            wait_s = max(deadline_s - clock.now_s(), _SHORTEST_WAIT_S)
            data = channel.read(min(wait_s, _LONGEST_READ_S))
            for event in session.receive(data, clock.now_s()):
                match event:
                    case Replied() | Refused():
                        return event
                    case RepeatDue():
                        channel.drain()
                        channel.write(event.data)
                    case GaveUp():
                        self._lost()
                        raise self._gave_up(event)
        raise AssertionError("a session ends a request with an event")

    def _gave_up(self, event: GaveUp) -> LinkError:
        what = f"no answer after {event.tries} tries"
        if event.why:
            what += f", only {event.why}"
        return self._error(what, self._parks_by_itself("check the cable, the power and the port"))

    def _parks_by_itself(self, hint: str | None) -> str | None:
        """Add to a hint what the ladder will do, where it may still be driven."""
        if self._relays is not RelayKnowledge.UNKNOWN or not self._hold_off_ms:
            return hint
        parks = f"the firmware parks by itself after {self._hold_off_ms} ms of silence"
        return f"{hint}; {parks}" if hint else parks

    def _refused(self, event: Refused) -> LinkError:
        name = type(event.request).__name__.lower()
        code = event.error.code
        if not isinstance(code, ErrorCode):
            return self._error(f"the device refused {name} with the unknown code {code}")
        reason, hint = _REASONS[code]
        if event.error.detail and code in (ErrorCode.BAD_VALUE, ErrorCode.FORBIDDEN):
            reason += f" (state {event.error.detail} of the path)"
        return self._error(f"the device refused {name}: {reason}", hint)

    def _error(self, message: str, hint: str | None = None) -> LinkError:
        return LinkError(message, port=self.port, relays=self._relays, hint=hint)
