"""Ladders to test with: a short way to write one, and a Hypothesis strategy for all shapes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import strategies as st

from controller.ladder.electrical import connected_mask, rung_masks, states_ohms
from controller.ladder.model import Contacts, Group, GroupKind, Ladder, Relay, Rung


def series(rungs: Sequence[float], **changes: object) -> Ladder:
    """Return a ladder of one series group; energised relays bypass."""
    return _ladder([(GroupKind.SERIES, list(rungs))], **changes)


def parallel(rungs: Sequence[float], **changes: object) -> Ladder:
    """Return a ladder of one parallel group."""
    return _ladder([(GroupKind.PARALLEL, list(rungs))], **changes)


def _ladder(
    groups: Sequence[tuple[GroupKind, Sequence[float]]],
    *,
    senses: Sequence[Contacts] | None = None,
    contact_ohms: float = 0.0,
    contact_uncertainty_ohms: float = 0.0,
    relative_uncertainty: float = 0.0,
    lead_ohms: float = 0.0,
    lead_uncertainty_ohms: float = 0.0,
    fixed_ohms: float = 0.0,
    fixed_uncertainty_ohms: float = 0.0,
    isolate: bool = False,
    short: bool = False,
    spare: int = 0,
) -> Ladder:
    made = []
    index = 0
    for kind, rungs in groups:
        made.append(
            Group(
                kind=kind,
                rungs=tuple(
                    Rung(relay=index + i, ohms=r, uncertainty_ohms=relative_uncertainty * r)
                    for i, r in enumerate(rungs)
                ),
            )
        )
        index += len(rungs)
    isolate_relay = index if isolate else None
    short_relay = index + isolate if short else None
    count = index + isolate + short + spare
    return Ladder(
        name="ladder under test",
        relay_count=count,
        relays=tuple(
            Relay(
                index=i,
                contacts=senses[i] if senses else Contacts.NORMALLY_OPEN,
                contact_ohms=contact_ohms,
                contact_uncertainty_ohms=contact_uncertainty_ohms,
                operate_ms=4.0,
                release_ms=2.0,
                bounce_ms=1.0,
            )
            for i in range(count)
        ),
        groups=tuple(made),
        lead_ohms=lead_ohms,
        lead_uncertainty_ohms=lead_uncertainty_ohms,
        fixed_ohms=fixed_ohms,
        fixed_uncertainty_ohms=fixed_uncertainty_ohms,
        isolate_relay=isolate_relay,
        short_relay=short_relay,
    )


@st.composite
def _ladders(draw: st.DrawFn, most_rungs: int = 9) -> Ladder:
    sizes = draw(st.lists(st.integers(1, 6), min_size=1, max_size=4))
    while sum(sizes) > most_rungs:
        sizes.pop()
    if not sizes:
        sizes = [most_rungs]
    # Whole and quarter ohms make equal sums, odd ones do not: both matter.
    ohms = st.one_of(
        st.integers(1, 40).map(lambda n: n / 4),
        st.floats(0.5, 50000.0),
        st.sampled_from([10.0, 22.0, 47.0, 100.0, 1000.0]),
    )
    groups = [
        (draw(st.sampled_from(list(GroupKind))), [draw(ohms) for _ in range(size)])
        for size in sizes
    ]
    isolate, short, spare = draw(st.booleans()), draw(st.booleans()), draw(st.integers(0, 2))
    count = sum(sizes) + isolate + short + spare
    return _ladder(
        groups,
        senses=[draw(st.sampled_from(list(Contacts))) for _ in range(count)],
        contact_ohms=draw(st.sampled_from([0.0, 0.05, 1.5])),
        contact_uncertainty_ohms=draw(st.sampled_from([0.0, 0.02])),
        relative_uncertainty=draw(st.sampled_from([0.0, 0.001])),
        lead_ohms=draw(st.sampled_from([0.0, 0.12])),
        lead_uncertainty_ohms=draw(st.sampled_from([0.0, 0.02])),
        fixed_ohms=draw(st.sampled_from([0.0, 100.0])),
        fixed_uncertainty_ohms=draw(st.sampled_from([0.0, 0.06])),
        isolate=isolate,
        short=short,
        spare=spare,
    )


def _connected_states(ladder: Ladder) -> np.ndarray:
    """Return every state with isolate and short relays set to connect, unused ones at rest."""
    relays = [i for i in range(ladder.relay_count) if rung_masks(ladder) >> i & 1]
    states = np.array([connected_mask(ladder)], dtype=np.uint64)
    for relay in relays:
        states = np.concatenate([states, states | np.uint64(1 << relay)])
    return states


@pytest.fixture(scope="session")
def make_series() -> Callable[..., Ladder]:
    return series


@pytest.fixture(scope="session")
def make_parallel() -> Callable[..., Ladder]:
    return parallel


@pytest.fixture(scope="session")
def make_ladder() -> Callable[..., Ladder]:
    return _ladder


@pytest.fixture(scope="session")
def ladders() -> Callable[..., st.SearchStrategy[Ladder]]:
    return _ladders


@pytest.fixture(scope="session")
def every_state() -> Callable[[Ladder], tuple[np.ndarray, np.ndarray]]:
    """Return all connected states of a ladder and what they make: the brute force."""

    def listed(ladder: Ladder) -> tuple[np.ndarray, np.ndarray]:
        states = _connected_states(ladder)
        return states, states_ohms(ladder, states)

    return listed
