"""What all the states make that some relays can bring about from one state: a cube of them.

Knows: how a ladder's groups add up, and that neighbouring states share most of the sum.
Must not know: what the states are for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.electrical import (
    StateArray,
    bridged_ohms,
    parallel_ohms,
    states_ohms,
)
from controller.ladder.model import GroupKind, Ladder, Rung

__all__ = ["CubeOhms", "cube_states"]


def cube_states(start: int, relays: Sequence[int]) -> StateArray:
    """Return the 2^k states that k relays make from a start: bit i of the index turns relay i."""
    states = np.array([start], dtype=np.uint64)
    for relay in relays:
        states = np.concatenate([states, states ^ (np.uint64(1) << np.uint64(relay))])
    return states


class CubeOhms:
    """What `cube_states` make on one ladder: the same as `states_ohms` to a bit, in less time.

    A group is added up rung by rung as it is there, but for all states that agree so far at once.
    """

    def __init__(self, ladder: Ladder) -> None:
        self._ladder = ladder
        self._groups = [
            (group.kind, [self._positions(group.kind, rung) for rung in group.rungs])
            for group in ladder.groups
        ]

    def _positions(self, kind: GroupKind, rung: Rung) -> tuple[int, float, float]:
        """Return a rung's relay, and what its open and its closed contact add to the group."""
        contact = self._ladder.relays[rung.relay].contact_ohms
        if kind is GroupKind.SERIES:
            return rung.relay, rung.ohms, parallel_ohms(rung.ohms, contact)
        return rung.relay, 0.0, 1.0 / (rung.ohms + contact)

    def __call__(self, start: int, relays: Sequence[int]) -> FloatArray:
        """Return the resistance of each state that the relays make from a start."""
        ladder, turned = self._ladder, set(relays)
        closed = start ^ ladder.normally_closed
        total = np.array([ladder.fixed_ohms])
        order: list[int] = []
        for kind, rungs in self._groups:
            inside = np.zeros(1)
            for relay, opened_adds, closed_adds in rungs:
                here, there = opened_adds, closed_adds
                if closed >> relay & 1:
                    here, there = there, here
                if relay in turned:
                    inside = np.concatenate([inside + here, inside + there])
                    order.append(relay)
                else:
                    inside += here
            if kind is GroupKind.PARALLEL:
                with np.errstate(divide="ignore"):
                    inside = 1.0 / inside
            total = (inside[:, None] + total).ravel()
        if len(order) < len(relays):  # isolate, short or unused relays: seldom, and few with them
            return states_ohms(ladder, cube_states(start, relays))
        total = self._at_output(total, closed)
        if order == list(relays):
            return total
        # The first axis of an array is the last of an index.
        axes = [len(order) - 1 - order.index(relay) for relay in reversed(relays)]
        return total.reshape((2,) * len(order)).transpose(axes).ravel()

    def _at_output(self, total: FloatArray, closed: int) -> FloatArray:
        """Return what the module sees of what lies behind the output terminals."""
        ladder = self._ladder
        if ladder.isolate_relay is not None:
            contact = ladder.relays[ladder.isolate_relay].contact_ohms
            there = closed >> ladder.isolate_relay & 1
            total = total + contact if there else np.full(total.shape, math.inf)
        if ladder.short_relay is not None and closed >> ladder.short_relay & 1:
            contact = ladder.relays[ladder.short_relay].contact_ohms
            total = bridged_ohms(total, contact)
        return np.asarray(ladder.lead_ohms + total)
