"""What current and power a module input sends through each part of the ladder.

Knows: the divider of pull-up and ladder, and the ratings the ladder states.
Must not know: files, sensors, plans; who decides to refuse a step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.ladder.electrical import (
    body_ohms,
    check_state,
    contact_closed,
    group_ohms,
    parallel_ohms,
    state_ohms,
)
from controller.ladder.model import GroupKind, Ladder

__all__ = ["Loading", "PartLoading", "overloads", "state_loading"]


@dataclass(frozen=True, kw_only=True)
class PartLoading:
    """What one rung's resistor, or one relay's contact, carries. `relay` names it."""

    relay: int
    amperes: float
    watts: float


@dataclass(frozen=True, kw_only=True)
class Loading:
    """What a module input puts on the ladder in one state; `fixed_watts` on its fixed resistor."""

    state: int
    amperes: float
    watts: float
    rungs: tuple[PartLoading, ...]
    contacts: tuple[PartLoading, ...]
    fixed_watts: float = 0.0


def state_loading(
    ladder: Ladder, state: int, *, reference_volts: float, pullup_ohms: float
) -> Loading:
    """Return current and power of every part for a pull-up to a reference supply.

    I = Vref/(R + Rp). The part of the voltage across a group is shared by its rungs as Ohm's law
    says; a bypassed rung and its contact share the current. Raises InputError for a state that
    does not fit the ladder.
    """
    check_state(ladder, state)
    whole = state_ohms(ladder, state)
    amperes = 0.0 if math.isinf(whole) else reference_volts / (whole + pullup_ohms)
    rungs: list[PartLoading] = []
    contacts: list[PartLoading] = []

    def part(into: list[PartLoading], relay: int, current: float, ohms: float) -> None:
        into.append(PartLoading(relay=relay, amperes=current, watts=current**2 * ohms))

    inner = amperes
    if ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay):
        contact = ladder.relays[ladder.short_relay].contact_ohms
        behind = body_ohms(ladder, state)
        inner = 0.0 if math.isinf(behind) else amperes * _share(contact, behind)
        part(contacts, ladder.short_relay, amperes - inner, contact)
    if ladder.isolate_relay is not None:
        part(
            contacts,
            ladder.isolate_relay,
            inner,
            ladder.relays[ladder.isolate_relay].contact_ohms,
        )
    for group in ladder.groups:
        for rung in group.rungs:
            contact = ladder.relays[rung.relay].contact_ohms
            closed = contact_closed(ladder, state, rung.relay)
            if group.kind is GroupKind.SERIES:
                bypass = inner * _share(rung.ohms, contact) if closed else 0.0
                part(rungs, rung.relay, inner - bypass, rung.ohms)
                part(contacts, rung.relay, bypass, contact)
            else:
                branch = 0.0
                if closed and inner > 0:
                    branch = inner * group_ohms(ladder, group, state) / (rung.ohms + contact)
                part(rungs, rung.relay, branch, rung.ohms)
                part(contacts, rung.relay, branch, contact)
    watts = 0.0 if math.isinf(whole) else amperes**2 * whole
    return Loading(
        state=state,
        amperes=amperes,
        watts=watts,
        rungs=tuple(rungs),
        contacts=tuple(contacts),
        fixed_watts=inner**2 * ladder.fixed_ohms,
    )


def _share(other: float, own: float) -> float:
    """Return the share of a current that takes the branch `own` beside the branch `other`."""
    return parallel_ohms(other, own) / own if own > 0 else 1.0


def overloads(ladder: Ladder, loading: Loading) -> tuple[str, ...]:
    """Return a sentence for each rating that a loading exceeds; ratings not stated are not judged.

    `max_current_amperes` of the ladder is held against the whole current and every contact.
    """
    sentences = []
    most = ladder.max_current_amperes
    if most is not None and loading.amperes > most:
        sentences.append(
            f"{loading.amperes * 1e3:.3g} mA through the leads exceeds the ladder's "
            f"{most * 1e3:.3g} mA"
        )
    rating = ladder.fixed_power_watts
    if rating is not None and loading.fixed_watts > rating:
        sentences.append(
            f"the fixed resistor ({ladder.fixed_ohms:g} ohm) would take "
            f"{loading.fixed_watts:.3g} W, rated {rating:g} W"
        )
    ratings = {
        rung.relay: (rung.ohms, rung.power_watts) for group in ladder.groups for rung in group.rungs
    }
    for carried in loading.rungs:
        ohms, rating = ratings[carried.relay]
        if rating is not None and carried.watts > rating:
            sentences.append(
                f"rung of relay {carried.relay} ({ohms:g} ohm) would take "
                f"{carried.watts:.3g} W, rated {rating:g} W"
            )
    return tuple(sentences)
