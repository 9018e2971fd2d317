"""How a state's ohms follow from each resistor and each contact: exact derivatives.

Differences of two nearly equal sums would lose half of the digits where a rung of two ohm sits
under one of fifty thousand; what is solved from them would then depend on how the machine rounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from controller.arrays import FloatArray
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Contacts, GroupKind, Ladder

__all__ = ["Slopes", "state_slopes"]


@dataclass(frozen=True, kw_only=True)
class Slopes:
    """Derivatives of the ohms of m states, without unit; zero for an open circuit.

    `rungs` is (m, n) in the order of the file, `contacts` (m, relays) by relay number, `behind`
    (m,) by whatever stands in series with the groups, behind the short relay. The slope by the
    leads is 1.
    """

    rungs: FloatArray
    contacts: FloatArray
    behind: FloatArray


def state_slopes(ladder: Ladder, states: Sequence[int]) -> Slopes:
    """Return the derivatives of `states_ohms` at the ladder's own values."""
    chosen = np.array(states, dtype=np.uint64)
    count = len(chosen)
    contacts = np.zeros((count, ladder.relay_count))
    columns: list[FloatArray] = []
    for group in ladder.groups:
        closed = np.stack([_closed(ladder, chosen, rung.relay) for rung in group.rungs], axis=-1)
        ohms = np.array([rung.ohms for rung in group.rungs])
        relays = [rung.relay for rung in group.rungs]
        contact = np.array([ladder.relays[relay].contact_ohms for relay in relays])
        span = ohms + contact
        if group.kind is GroupKind.SERIES:
            columns.append(np.where(closed, (contact / span) ** 2, 1.0))
            contacts[:, relays] = np.where(closed, (ohms / span) ** 2, 0.0)
        else:
            siemens = np.where(closed, 1.0 / span, 0.0)
            whole = siemens.sum(axis=-1, keepdims=True)
            share = (siemens / np.where(whole > 0, whole, 1.0)) ** 2
            columns.append(share)
            contacts[:, relays] = share
    rungs = np.concatenate(columns, axis=-1)
    behind = np.ones(count)
    if ladder.isolate_relay is not None:
        contacts[:, ladder.isolate_relay] = 1.0
    if ladder.short_relay is not None:
        bridged = _closed(ladder, chosen, ladder.short_relay)
        across = ladder.relays[ladder.short_relay].contact_ohms
        body = states_ohms(replace(ladder, short_relay=None, lead_ohms=0.0), chosen)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(body + across > 0, across / (body + across), 0.0)
        behind = np.where(bridged, share**2, 1.0)
        rungs = rungs * behind[:, None]
        contacts = contacts * behind[:, None]
        contacts[:, ladder.short_relay] = np.where(bridged, (1.0 - share) ** 2, 0.0)
    broken = ~np.isfinite(states_ohms(ladder, chosen))
    rungs[broken], contacts[broken], behind[broken] = 0.0, 0.0, 0.0
    return Slopes(rungs=rungs, contacts=contacts, behind=behind)


def _closed(ladder: Ladder, states: npt.NDArray[np.uint64], relay: int) -> npt.NDArray[np.bool_]:
    energised = (states >> np.uint64(relay) & np.uint64(1)).astype(bool)
    closed = energised != (ladder.relays[relay].contacts is Contacts.NORMALLY_CLOSED)
    return np.asarray(closed)
