"""Ladders whose rungs are off by known amounts, measured with a noise that is known."""

from __future__ import annotations

import functools

import numpy as np

from controller.ladder.calibration import (
    Instrument,
    Measurement,
    calibrate,
    design,
)
from controller.ladder.calibration.model import (
    contact_variances_ohms2,
    rungs_of,
    with_parameters,
)
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung

propose_design = functools.cache(design.propose_design)
"""The same ladder gets the same design: a search a test is not worth."""
UTC = "2026-03-31T09:30:00+00:00"


def make_ladder(
    series=(1000.0, 470.0, 220.0, 100.0, 47.0),
    parallel=(),
    *,
    short=True,
    contact_ohms=0.05,
    contact_uncertainty_ohms=0.01,
    lead_ohms=0.12,
    lead_uncertainty_ohms=0.05,
):
    count = len(series) + len(parallel)
    groups = []
    if series:
        groups.append(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(
                    Rung(relay=i, ohms=r, uncertainty_ohms=r * 0.01 / 3**0.5)
                    for i, r in enumerate(series)
                ),
            )
        )
    if parallel:
        groups.append(
            Group(
                kind=GroupKind.PARALLEL,
                rungs=tuple(
                    Rung(relay=len(series) + i, ohms=r, uncertainty_ohms=r * 0.01 / 3**0.5)
                    for i, r in enumerate(parallel)
                ),
            )
        )
    return Ladder(
        name="harbour bench",
        relay_count=count + short,
        relays=tuple(
            Relay(
                index=i,
                contact_ohms=contact_ohms,
                contact_uncertainty_ohms=contact_uncertainty_ohms,
            )
            for i in range(count + short)
        ),
        groups=tuple(groups),
        lead_ohms=lead_ohms,
        lead_uncertainty_ohms=lead_uncertainty_ohms,
        short_relay=count if short else None,
    )


def true_parameters(ladder, rng):
    """Rungs off by up to a percent, contacts and leads off by about their uncertainty."""
    rungs = np.array([rung.ohms for rung in rungs_of(ladder)])
    contact = max(relay.contact_uncertainty_ohms for relay in ladder.relays)
    return np.array(
        [
            *(rungs * (1 + rng.uniform(-0.01, 0.01, rungs.size))),
            rng.normal(0, contact),
            ladder.lead_ohms + rng.normal(0, ladder.lead_uncertainty_ohms),
        ]
    )


def measure(ladder, parameters, states, rng, meter, *, gain=1.0):
    """Return measurements: meter noise, and every closed contact a little different each time."""
    ohms = states_ohms(with_parameters(ladder, parameters), np.array(states, dtype=np.uint64))
    own = meter.uncertainty_ohms(ohms)
    scatter = np.sqrt(contact_variances_ohms2(ladder, states, parameters))
    noise = rng.normal(0, 1, (2, len(states)))
    seen = gain * ohms + own * noise[0] + scatter * noise[1]
    return [
        Measurement(state=s, ohms=float(abs(r)), uncertainty_ohms=float(u))
        for s, r, u in zip(states, seen, own, strict=True)
    ]


SHAPES = {
    "series": {},
    "parallel": {"series": (), "parallel": (2200.0, 4700.0, 10e3, 22e3)},
    "both": {"series": (330.0, 680.0, 1300.0), "parallel": (2200.0, 4700.0, 10e3)},
}
METER = Instrument(relative=5e-5, floor_ohms=0.01)


def calibrated(ladder, seed=12, change=None):
    rng = np.random.default_rng(seed)
    truth = true_parameters(ladder, np.random.default_rng(1))
    if change:
        truth[change[0]] += change[1]
    states = propose_design(ladder, measurements=14, instrument=METER).states
    return truth, calibrate(
        ladder, measure(ladder, truth, states, rng, METER), utc=UTC, instrument="bench meter"
    )
