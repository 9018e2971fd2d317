"""Paths as they are sent: in pieces, and back the way they came.

Knows: paths, hold times, the ladder's relay times.
Must not know: links, clocks, why a path leads where it does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from controller.ladder.model import Ladder, PathStep
from controller.ladder.path import longest_relay_ms

__all__ = ["in_pieces", "reversed_path"]


def in_pieces(
    path: Sequence[PathStep], longest_s: float
) -> Iterator[tuple[tuple[PathStep, ...], float]]:
    """Cut a path into pieces that take at most `longest_s`; yield each with a wait after it.

    A hold longer than that is cut too: the device holds for `longest_s`, the caller waits for the
    rest. Nothing changes in what the relays do or when.
    """
    longest_ms = max(1, math.floor(longest_s * 1000))
    piece: list[PathStep] = []
    spent_ms = 0
    for step in path:
        if piece and spent_ms + step.hold_ms > longest_ms:
            yield tuple(piece), 0.0
            piece, spent_ms = [], 0
        if step.hold_ms > longest_ms:
            held = PathStep(state=step.state, hold_ms=longest_ms)
            yield (held,), (step.hold_ms - longest_ms) / 1000
        else:
            piece.append(step)
            spent_ms += step.hold_ms
    if piece:
        yield tuple(piece), 0.0


def reversed_path(
    path: Sequence[PathStep], start_state: int, ladder: Ladder, *, step_ms: int = 0
) -> tuple[PathStep, ...]:
    """Return the way back along a path that began at `start_state`.

    The same states in reverse, so the same excursion. Each change keeps the hold it had, but at
    least the longest relay time, because a relay that operated now releases; `step_ms`, what the
    host takes for each change, comes on top.
    """
    states = [start_state, *(step.state for step in path)]
    least_ms = longest_relay_ms(ladder) + step_ms
    return tuple(
        PathStep(state=before, hold_ms=max(step.hold_ms, least_ms))
        for before, step in zip(states[-2::-1], reversed(path), strict=True)
    )
