"""The simulated bench behind its link: relays that move, and a module that sees them move.

Knows: how latches become a waveform, and a waveform what the module is exposed to.
Must not know: bytes, the sweep, plans. Nothing comes in but latches and the questions of time.

Every value the module sees was latched by the device at the other end of the link.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from threading import Lock

from controller.clock import Clock
from controller.ladder.electrical import parallel_ohms, state_ohms
from controller.ladder.faults import LadderFault, faulty_ladder, taken_state
from controller.ladder.model import Ladder
from controller.ladder.motion import Latch, waveform
from controller.ladder.path import TIME_SPREAD, longest_relay_ms
from controller.measurement.input_circuit import Tap
from controller.module.faults import Fault
from controller.module.model import Module, ModuleReport
from controller.module.simulate import SimulatedModule

__all__ = ["Simulation"]


class Simulation:
    """A ladder's contacts and the module input they are wired to, on an injected clock.

    With `moving` relays every contact has times of its own and bounces; without, a latch takes
    effect in no time. The device is told to call `latched`. `before_sampling` is called before
    the module is read: it lets the device do what has fallen due, its hold-off running out for
    example.
    """

    def __init__(
        self,
        ladder: Ladder,
        module: Module,
        clock: Clock,
        *,
        faults: Sequence[Fault] = (),
        seed: int = 1,
        moving: bool = True,
        tap: Tap | None = None,
        ladder_faults: Sequence[LadderFault] = (),
    ) -> None:
        self._ladder = faulty_ladder(ladder, ladder_faults)
        self._ladder_faults = tuple(ladder_faults)
        rest = taken_state(ladder.park_state, ladder_faults)
        self._tap = tap or Tap(load_ohms=math.inf)
        self._moving = moving
        self._clock = clock
        self._seed = seed
        # Behind a pseudo-terminal a thread of its own serves the device and calls `latched`.
        self._lock = Lock()
        self._origin_s = clock.now_s()
        self._settle_ms = longest_relay_ms(self._ladder) * (1.0 + TIME_SPREAD)
        self._rest_state = self._taken = rest
        self._latches: list[Latch] = []
        self._due: list[tuple[float, float]] = []
        self._seen_s = self._origin_s
        self.before_sampling: Callable[[], None] = _nothing
        self.module = SimulatedModule(
            module,
            faults,
            seed,
            start_s=self._origin_s,
            start_ohms=self._at_input(state_ohms(self._ladder, rest)),
        )

    def latched(self, at_s: float, state: int) -> None:
        """Take in that the device has latched a state; times do not go back."""
        with self._lock:
            self._latched(at_s, taken_state(state, self._ladder_faults))

    def _latched(self, at_s: float, state: int) -> None:
        self._taken = state
        if not self._moving:
            self.module.expose(
                self._not_back(at_s), self._at_input(state_ohms(self._ladder, state))
            )
            return
        at_ms = (at_s - self._origin_s) * 1000.0
        while self._latches and self._latches[0].at_ms + self._settle_ms <= at_ms:
            self._rest_state = self._latches.pop(0).state
        # What this latch cannot change any more has happened.
        self._expose_until(at_s)
        self._latches.append(Latch(at_ms=at_ms, state=state))
        points = waveform(self._ladder, self._rest_state, self._latches, seed=self._seed)
        self._due = [
            (self._origin_s + point.at_s, self._at_input(point.ohms))
            for point in points
            if self._origin_s + point.at_s > at_s
        ]

    def report(self) -> ModuleReport:
        """Return what the module says now."""
        self.before_sampling()
        with self._lock:
            now_s = self._clock.now_s()
            self._expose_until(now_s)
            return self.module.report(self._not_back(now_s))

    def terminal_ohms(self) -> float:
        """Return what a meter at the ladder's terminals measures once its contacts have settled."""
        self.before_sampling()
        with self._lock:
            return state_ohms(self._ladder, self._taken)

    def clear_codes(self) -> None:
        """Clear the module's codes now."""
        self.before_sampling()
        with self._lock:
            now_s = self._clock.now_s()
            self._expose_until(now_s)
            self.module.clear_codes(self._not_back(now_s))

    def input_volts(self, channel: int) -> float | None:
        """Return what the board's analogue input sees, which is tapped off the module's.

        Where the bench describes no tap it is channel 0, and loads nothing.
        """
        if channel != self._tap.channel:
            return None
        with self._lock:
            now_s = self._clock.now_s()
            self._expose_until(now_s)
            return self.module.input_volts(self._not_back(now_s)) / self._tap.volts_per_volt

    def _at_input(self, ohms: float) -> float:
        """Return what the module sees of a ladder's resistance, with the tap across it."""
        return parallel_ohms(ohms, self._tap.load_ohms)

    def _expose_until(self, now_s: float) -> None:
        while self._due and self._due[0][0] <= now_s:
            at_s, ohms = self._due.pop(0)
            self.module.expose(self._not_back(at_s), ohms)

    def _not_back(self, at_s: float) -> float:
        """Return the time, or the newest one the module has seen where that is later.

        The device counts in whole milliseconds, so a latch may be dated up to one of them before
        a reading that has already been taken.
        """
        self._seen_s = max(self._seen_s, at_s)
        return self._seen_s


def _nothing() -> None:
    return None
