"""How honest a calibration is: coverage of new states, and slips that are noticed and named.

The ladder that is measured is a circuit of this file's own: node voltages from a conductance
matrix, resistors and contacts drawn anew, the meter's scale off for a whole calibration. Nothing of
it is shared with the product; of the demonstration's ladder file the figures alone are read.
Run it by itself for the table: ``python tests/benchmarks/table.py calibration``.
"""

from __future__ import annotations

import math
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from controller.errors import InputError
from controller.ladder.calibration import (
    Instrument,
    Measurement,
    assess,
    calibrate_and_check,
    calibrated_ladder,
    propose_design,
    state_uncertainty_ohms,
)
from controller.ladder.electrical import state_ohms
from controller.ladder.files import load_ladder

__all__ = ["rows"]

LADDERS = Path(__file__).resolve().parents[2] / "sweeps" / "ladders"
METER_SHARE, METER_OHMS = 1e-4, 0.01
SCALE_SHARE = 1e-4
"""How far the meter's scale is off, standard: as much as its stated percentage."""


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """A ladder as a file states it: (kind, [(relay, ohms, percent)]) group by group."""

    groups: tuple[tuple[str, tuple[tuple[int, float, float], ...]], ...]
    relays: int
    isolate: int
    short: int
    contact: tuple[float, float]
    lead: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One box built after it: the values that its parts really have."""

    rungs: dict[int, float]
    contact_ohms: float
    lead_ohms: float


def circuit_of(name: str) -> Circuit:
    """Read a ladder file of the demonstration."""
    table = tomllib.loads((LADDERS / name).read_text(encoding="utf-8"))
    return Circuit(
        groups=tuple(
            (
                group["kind"],
                tuple((r["relay"], r["ohms"], r["tolerance_percent"]) for r in group["rungs"]),
            )
            for group in table["group"]
        ),
        relays=table["relay_count"],
        isolate=table["output"]["isolate_relay"],
        short=table["output"]["short_relay"],
        contact=(table["relays"]["contact_ohms"], table["relays"]["contact_uncertainty_ohms"]),
        lead=(table["lead_ohms"], table["lead_uncertainty_ohms"]),
    )


def built(circuit: Circuit, rng: np.random.Generator) -> Sample:
    """Draw one box: rungs anywhere in their tolerance, contacts and leads as stated."""
    rungs = {
        relay: ohms * (1 + rng.uniform(-percent, percent) / 100)
        for _, parts in circuit.groups
        for relay, ohms, percent in parts
    }
    return Sample(
        rungs=rungs,
        contact_ohms=circuit.contact[0] + abs(rng.normal(0, circuit.contact[1])),
        lead_ohms=max(rng.normal(*circuit.lead), 0.0),
    )


def terminal_ohms(circuit: Circuit, sample: Sample, state: int, rng: np.random.Generator) -> float:
    """Return what stands at the terminals, from node voltages with one ampere driven in.

    Every contact has closed anew. All relays are normally open. Node 0 is the far end.
    """
    contacts = np.maximum(rng.normal(sample.contact_ohms, circuit.contact[1], circuit.relays), 1e-4)
    edges: list[tuple[int, int, float]] = []
    node = 0
    for kind, parts in circuit.groups:
        if kind == "series":
            for relay, _, _ in parts:
                edges.append((node, node + 1, sample.rungs[relay]))
                if state >> relay & 1:
                    edges.append((node, node + 1, contacts[relay]))
                node += 1
        else:
            for relay, _, _ in parts:
                if state >> relay & 1:
                    edges.append((node, node + 1, sample.rungs[relay] + contacts[relay]))
            node += 1
    top = node + 1
    if state >> circuit.isolate & 1:
        edges.append((node, top, contacts[circuit.isolate]))
    if state >> circuit.short & 1:
        edges.append((0, top, contacts[circuit.short]))
    matrix = np.zeros((top + 1, top + 1))
    for one, other, ohms in edges:
        matrix[[one, other], [one, other]] += 1 / ohms
        matrix[[one, other], [other, one]] -= 1 / ohms
    # What floats carries nothing: a leak far beyond what is looked for keeps the matrix regular.
    matrix += np.eye(top + 1) * 1e-15
    drive = np.zeros(top)
    drive[-1] = 1.0
    return float(np.linalg.solve(matrix[1:, 1:], drive)[-1]) + sample.lead_ohms


def measured(
    circuit: Circuit,
    sample: Sample,
    states: Sequence[int],
    rng: np.random.Generator,
    *,
    scale: float,
) -> list[Measurement]:
    """Return what a meter says of the states; its scale is off by `scale`, a share."""
    found = []
    for state in states:
        ohms = terminal_ohms(circuit, sample, state, rng)
        spread = METER_SHARE * ohms + METER_OHMS
        seen = abs(ohms * (1 + scale) + rng.normal(0, spread))
        found.append(Measurement(state=state, ohms=seen, uncertainty_ohms=spread))
    return found


@dataclass(frozen=True, kw_only=True)
class Slips:
    """Of `trials` tables with one slip: how many were noticed, and named rightly."""

    trials: int
    noticed: int
    named: int


def slips(
    name: str, *, states: Sequence[int], trials: int, size: float = 30.0, seed: int = 1
) -> Slips:
    """Put a slip of `size` times the row's uncertainty into one row of each table."""
    circuit, ladder = circuit_of(name), load_ladder(LADDERS / name)
    rng = np.random.default_rng(seed)
    noticed = named = 0
    for _ in range(trials):
        table = measured(
            circuit, built(circuit, rng), states, rng, scale=rng.normal(0, SCALE_SHARE)
        )
        at = int(rng.integers(len(table)))
        wrong = table[at].ohms + size * table[at].uncertainty_ohms * rng.choice([-1, 1])
        if wrong < 0:  # nobody writes a resistance below nothing
            wrong = table[at].ohms + size * table[at].uncertainty_ohms
        table[at] = Measurement(
            state=table[at].state, ohms=wrong, uncertainty_ohms=table[at].uncertainty_ohms
        )
        try:
            calibration, seen = calibrate_and_check(
                ladder, table, utc="2026-03-31", common_relative_uncertainty=METER_SHARE
            )
        except InputError:
            noticed += 1
            continue
        found = assess(ladder, calibration, seen)
        noticed += found.contradictory
        named += found.contradictory and found.suspects[0].index == at
    return Slips(trials=trials, noticed=noticed, named=named)


def false_alarms(name: str, *, states: Sequence[int], trials: int, seed: int = 2) -> int:
    """Return how many of so many faultless tables are called contradictory."""
    circuit, ladder = circuit_of(name), load_ladder(LADDERS / name)
    rng = np.random.default_rng(seed)
    alarms = 0
    for _ in range(trials):
        table = measured(circuit, built(circuit, rng), states, rng, scale=0.0)
        found = assess(ladder, *calibrate_and_check(ladder, table, utc="2026-03-31"))
        alarms += found.contradictory
    return alarms


def covered(
    name: str,
    *,
    states: Sequence[int],
    trials: int,
    common: float,
    scale: float = SCALE_SHARE,
    seed: int = 3,
) -> int:
    """Return how many of as many new states are inside U of what the calibration says of them.

    Each trial is a box of its own, calibrated with a meter of its own, and one new state. Rungs
    drawn at random are in circuit, at least one of each group.
    """
    circuit, ladder = circuit_of(name), load_ladder(LADDERS / name)
    rng = np.random.default_rng(seed)
    inside = 0
    for _ in range(trials):
        sample = built(circuit, rng)
        table = measured(circuit, sample, states, rng, scale=rng.normal(0, scale))
        calibration, _ = calibrate_and_check(
            ladder, table, utc="2026-03-31", common_relative_uncertainty=common
        )
        state = some_state(circuit, rng)
        said = state_ohms(calibrated_ladder(ladder, calibration), state)
        expanded = 2 * state_uncertainty_ohms(ladder, calibration, state)
        inside += abs(terminal_ohms(circuit, sample, state, rng) - said) <= expanded
    return inside


def some_state(circuit: Circuit, rng: np.random.Generator) -> int:
    state = 1 << circuit.isolate
    for kind, parts in circuit.groups:
        relays = [relay for relay, _, _ in parts]
        inside = rng.random(len(relays)) < rng.uniform(0.2, 0.8)
        inside[rng.integers(len(relays))] = True
        for relay, there in zip(relays, inside, strict=True):
            if there == (kind == "parallel"):
                state |= 1 << relay
    return state


def at_least(count: int, trials: int, share: float) -> bool:
    """Whether a count does not contradict a share of at least this, at one in a thousand."""
    return bool(count >= stats.binom.ppf(0.001, trials, share))


def interval(count: int, trials: int) -> str:
    """Write a share with its 95 % binomial bounds (Clopper and Pearson)."""
    bounds = stats.binomtest(count, trials).proportion_ci(0.95)
    return f"{100 * count / trials:.1f} % ({100 * bounds.low:.1f} to {100 * bounds.high:.1f})"


def rows(trials: int = 400) -> Iterator[tuple[str, str, str, float, str, bool]]:
    """Yield the rows of the table."""
    meter = Instrument(relative=METER_SHARE, floor_ohms=METER_OHMS)
    for name, count in (("bench-16.toml", 32), ("bench-16.toml", 48), ("bench-mixed.toml", 36)):
        ladder = load_ladder(LADDERS / name)
        states = propose_design(ladder, measurements=count, instrument=meter).states
        what = f"{name.removesuffix('.toml')}, {count} readings"
        found = slips(name, states=states, trials=trials)
        share = found.noticed / trials
        yield (
            f"calibration: slips of 30 u noticed, {what}",
            interval(found.noticed, trials),
            "circuit of its own",
            share,
            ">= 95 %",
            share >= 0.95,
        )
        share = found.named / max(found.noticed, 1)
        yield (
            f"calibration: the right row named, {what}",
            interval(found.named, max(found.noticed, 1)),
            "of those noticed",
            share,
            ">= 90 %",
            share >= 0.90,
        )
        alarms = false_alarms(name, states=states, trials=trials)
        yield (
            f"calibration: faultless tables called contradictory, {what}",
            interval(alarms, trials),
            "1 %",
            alarms / trials,
            "<= 2 %",
            at_least(trials - alarms, trials, 0.98),
        )
        for common, words, aim in (
            (METER_SHARE, "scale as stated", 0.95),
            (0.0, "scale taken as exact", math.nan),
        ):
            inside = covered(name, states=states, trials=trials, common=common)
            yield (
                f"calibration: new states inside U, {words}, {what}",
                interval(inside, trials),
                "95 %",
                inside / trials,
                "-" if math.isnan(aim) else ">= 95 %",
                math.isnan(aim) or at_least(inside, trials, aim),
            )


if __name__ == "__main__":
    for row in rows(int(sys.argv[1]) if len(sys.argv) > 1 else 400):
        print(*row, sep=" | ", flush=True)
