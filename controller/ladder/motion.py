"""Relays that move like relays: from what was latched and when, to the resistance at the output.

Knows: that each relay has times of its own, that contacts bounce, and what a state makes.
Must not know: links, clocks, modules; time is a number that comes in.

Everything is drawn from a generator seeded by the seed, the relay and the moment of the latch, so
the same latches give the same waveform, and earlier latches that have settled may be left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder
from controller.ladder.path import TIME_SPREAD, bits_of

__all__ = ["Latch", "WaveformPoint", "contact_states", "waveform"]

_OWN = 0.8  # how much of the spread belongs to the relay itself; the rest differs each time
_MOST_BOUNCES = 3


@dataclass(frozen=True, kw_only=True)
class Latch:
    """A state latched at a moment, in milliseconds since any origin."""

    at_ms: float
    state: int


@dataclass(frozen=True, kw_only=True)
class WaveformPoint:
    """From this moment on, in seconds since the same origin, the resistance is this; inf = open."""

    at_s: float
    ohms: float


def contact_states(
    ladder: Ladder,
    start: int,
    latches: Sequence[Latch],
    *,
    seed: int = 0,
    spread: float = TIME_SPREAD,
) -> list[tuple[float, int]]:
    """Return what the contacts really make, as (milliseconds, state), beginning with `start`.

    A state here means where the contacts are, not what the coils are told. Each relay operates
    and releases in its stated time, times a factor within 1 +- `spread`; its contact then touches
    and parts up to three times within the bounce time. A relay told to turn back before its
    contact moved does not move; one told so while it bounces starts anew from where it is.

    `latches` must be in order of time.
    """
    moves: list[tuple[float, int, bool]] = []  # when, relay, at its energised position
    coil = start
    pending: dict[int, list[tuple[float, bool]]] = {}
    position = {relay: bool(start >> relay & 1) for relay in range(ladder.relay_count)}

    def carry_out(relay: int, until_ms: float) -> None:
        """Let the relay make its moves up to a moment; what it had not done then is dropped."""
        for at_ms, energised in pending.pop(relay, []):
            if at_ms <= until_ms:
                moves.append((at_ms, relay, energised))
                position[relay] = energised

    for latch in latches:
        for relay in bits_of(coil ^ latch.state):
            carry_out(relay, latch.at_ms)
            energised = bool(latch.state >> relay & 1)
            if position[relay] != energised:
                pending[relay] = _movement(ladder, relay, energised, latch.at_ms, seed, spread)
        coil = latch.state
    for relay in list(pending):
        carry_out(relay, float("inf"))
    moves.sort(key=lambda move: move[:2])

    made = start
    states = [(latches[0].at_ms if latches else 0.0, start)]
    for at_ms, relay, energised in moves:
        moved = made | 1 << relay if energised else made & ~(1 << relay)
        if moved != made:
            made = moved
            states.append((at_ms, made))
    return states


def _movement(
    ladder: Ladder, relay: int, energised: bool, at_ms: float, seed: int, spread: float
) -> list[tuple[float, bool]]:
    """Return one relay's contact changes once told to move: the first touch, then bounce."""
    made = ladder.relays[relay]
    own = float(np.random.default_rng([seed, relay]).uniform(-1.0, 1.0))
    draw = np.random.default_rng([seed, relay, round(at_ms * 1000.0) & 0xFFFFFFFFFFFF])
    factor = 1.0 + spread * (_OWN * own + (1.0 - _OWN) * float(draw.uniform(-1.0, 1.0)))
    first_ms = at_ms + factor * (made.operate_ms if energised else made.release_ms)
    changes = [(first_ms, energised)]
    bounces = int(draw.integers(0, _MOST_BOUNCES + 1)) if made.bounce_ms > 0 else 0
    instants = sorted(draw.uniform(0.0, factor * made.bounce_ms, 2 * bounces))
    for count, instant in enumerate(instants):
        changes.append((first_ms + float(instant), energised if count % 2 else not energised))
    return changes


def waveform(
    ladder: Ladder,
    start: int,
    latches: Sequence[Latch],
    *,
    seed: int = 0,
    spread: float = TIME_SPREAD,
) -> list[WaveformPoint]:
    """Return the resistance at the output over time, piecewise constant, beginning with `start`.

    Arguments as in `contact_states`. Raises InputError when a state does not fit the ladder.
    """
    for latch in latches:
        state_ohms(ladder, latch.state)
    return [
        WaveformPoint(at_s=at_ms / 1000.0, ohms=state_ohms(ladder, state))
        for at_ms, state in contact_states(ladder, start, latches, seed=seed, spread=spread)
    ]
