"""The full uncertainty budget of one step: every source, each in degC (JCGM 100:2008).

`parts` holds the parts that every plan has; here come those that need to be told more: the
correlations of a calibration and what rungs do after it, temperature of the bench, self-heating,
insulation, thermo-EMF, truncation, repeatability with its degrees of freedom. Parts are
independent of each other; what is correlated (rungs that share a calibration) is one part. A known
deviation that nobody corrects counts with its whole size: ``u^2 = variance + deviation^2``
(JCGM 100:2008, F.2.4.5). What nobody stated is not zero: `Surroundings` has the defaults.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.calibration.model import (
    Calibration,
    contact_variances_ohms2,
    nominal_parameters,
    rungs_of,
    sensitivities,
    states_covariance_ohms2,
)
from controller.ladder.calibration.slopes import state_slopes
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Ladder, Rung
from controller.measurement.model import Contribution, SettleRule
from controller.measurement.parts import contributions_of_states, rectangular_celsius
from controller.module.encoding import Rounding
from controller.module.model import Module
from controller.sensors.curve import Curve
from controller.units import COVERAGE_FACTOR

__all__ = [
    "EDITION",
    "LEAST_RATIO",
    "Budget",
    "Surroundings",
    "effective_degrees_of_freedom",
    "ratio_warning",
    "repeatability_of",
    "step_budgets",
    "uncertainty_ratio",
]

EDITION = 2
"""Goes up when the same plan and bench get another uncertainty; records keep the one they had.
1: unstated insulation, thermo-EMF and drift counted as nothing, the settle band counted beside the
rounding, open and short had an uncertainty of their own."""

LEAST_RATIO = 4.0
"""Tolerance over expanded uncertainty below this draws a warning (common practice, no source)."""

_DERATING_KELVIN = 85.0
"""A resistor at its full rating is this much above a 70 degC ambient: the usual derating curve
ends at 155 degC (common practice, no source)."""
_USUAL_RATING_WATTS = 0.25


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """Where the ladder stands, and what becomes of it there. Limits are rectangular.

    The rungs' values hold at `reference_celsius`; calibrated ones at the calibration's own
    temperature. The ambient is anywhere within `ambient_span_kelvin` to either side of
    `ambient_celsius`. `insulation_ohms` is the least resistance across the ladder's terminals with
    everything open: board, connector and cable of a workshop. `contact_emf_microvolts` is the most
    that a closed contact, warmed by its coil, adds to the voltage, either way.
    `rung_drift_ppm` is the most that a calibrated rung moves until it is calibrated again. The
    defaults of these three are common practice, no source.
    """

    reference_celsius: float = 23.0
    ambient_celsius: float = 23.0
    ambient_span_kelvin: float = 5.0
    insulation_ohms: float = 1e8
    contact_emf_microvolts: float = 10.0
    rung_drift_ppm: float = 100.0


@dataclass(frozen=True, kw_only=True)
class Budget:
    """All parts of one step."""

    parts: tuple[Contribution, ...]

    @property
    def combined_celsius(self) -> float:
        """The combined standard uncertainty in degC."""
        return math.hypot(*(part.celsius for part in self.parts))

    @property
    def degrees_of_freedom(self) -> float:
        """The effective degrees of freedom; math.inf when every part is known well."""
        return effective_degrees_of_freedom(self.parts)

    @property
    def coverage_factor(self) -> float:
        """k: 2, or Student's t of the same 95.45 % where few repeats make that too little."""
        freedom = self.degrees_of_freedom
        if math.isinf(freedom):
            return COVERAGE_FACTOR
        from scipy.special import ndtr, stdtrit

        # Degrees of freedom are rounded down to be on the safe side (JCGM 100:2008, G.6.4).
        return float(stdtrit(max(math.floor(freedom), 1), ndtr(COVERAGE_FACTOR)))

    @property
    def expanded_celsius(self) -> float:
        """The expanded uncertainty U = k u in degC."""
        return self.coverage_factor * self.combined_celsius


def effective_degrees_of_freedom(parts: Iterable[Contribution]) -> float:
    """Return the Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.4.1, equation G.2b)."""
    listed = tuple(parts)
    spread = sum(part.celsius**4 / part.degrees_of_freedom for part in listed)
    total = math.hypot(*(part.celsius for part in listed))
    return total**4 / spread if spread > 0 else math.inf


def uncertainty_ratio(tolerance_celsius: float, expanded_celsius: float) -> float:
    """Return how many times the tolerance is larger than the expanded uncertainty."""
    return tolerance_celsius / expanded_celsius if expanded_celsius > 0 else math.inf


def ratio_warning(tolerance_celsius: float, budget: Budget) -> str | None:
    """Return a sentence when the ratio is under 4 to 1, with the part that matters most."""
    ratio = uncertainty_ratio(tolerance_celsius, budget.expanded_celsius)
    if ratio >= LEAST_RATIO:
        return None
    largest = max(budget.parts, key=lambda part: part.celsius)
    return (
        f"the tolerance of {tolerance_celsius:g} degC is only {ratio:.1f} times the uncertainty of "
        f"{budget.expanded_celsius:.2g} degC, less than {LEAST_RATIO:g} to 1; the largest part is "
        f"{largest.name} ({largest.celsius:.2g} degC)"
    )


def repeatability_of(readings_celsius: Sequence[float], *, judged: int = 1) -> Contribution | None:
    """Return how far readings of one thing scatter, standard; None for fewer than two.

    `judged` is how many readings the value that will be judged is the mean of. Experimental
    standard deviation over its root, n - 1 degrees of freedom (JCGM 100:2008, 4.2.2 and 4.2.3).
    """
    count = len(readings_celsius)
    if count < 2:
        return None
    deviation = float(np.std(np.asarray(readings_celsius, dtype=np.float64), ddof=1))
    return Contribution(
        name="repeatability", celsius=deviation / math.sqrt(judged), degrees_of_freedom=count - 1
    )


def step_budgets(
    ladder: Ladder,
    steps: Sequence[tuple[int, float]],
    curve: Curve,
    *,
    settle: SettleRule,
    module: Module | None = None,
    surroundings: Surroundings | None = None,
    calibration: Calibration | None = None,
    repeatability: Contribution | None = None,
) -> tuple[Budget, ...]:
    """Return the budget of every step, given as (state, temperature in degC it makes).

    `ladder` is the one from the file; with a `calibration` its rungs, contacts and leads count as
    calibrated and correlated. Without a `module` report and self-heating are left out.
    """
    if not steps:
        return ()
    states = [state for state, _ in steps]
    slopes = np.abs(curve.slope_ohms_per_kelvin(np.array([celsius for _, celsius in steps])))
    place = surroundings or Surroundings()
    ladder_parts = _ladder_parts(ladder, states, slopes, calibration)
    ambient, heating = _temperature_ohms(ladder, states, place, module, calibration)
    whole = states_ohms(ladder, np.array(states, dtype=np.uint64))
    # Low by anything up to R - R || insulation, and nobody corrects it.
    insulation = whole**2 / (whole + place.insulation_ohms) / math.sqrt(3.0)
    in_ohms: dict[str, FloatArray] = {"ambient": ambient, "self-heating": heating}
    if calibration is not None:
        in_ohms["drift"] = _drift_ohms(ladder, states, place, calibration)
    in_ohms["insulation"] = insulation
    if module is not None:
        in_ohms["thermo-emf"] = _emf_ohms(ladder, states, whole, place, module)
    report = _report_part(module)
    settling = Contribution(
        name="settling",
        celsius=_settling_celsius(settle, None if module is None else module.resolution_celsius),
    )
    of_curve = curve.uncertainty_celsius(np.array([celsius for _, celsius in steps]))
    found = []
    for index in range(len(steps)):
        parts = [
            *ladder_parts[index],
            *(
                Contribution(name=name, celsius=float(ohms[index] / slopes[index]))
                for name, ohms in in_ohms.items()
            ),
            Contribution(name="curve", celsius=float(of_curve[index])),
        ]
        parts += [part for part in (report, settling, repeatability) if part is not None]
        found.append(Budget(parts=tuple(parts)))
    return tuple(found)


def _report_part(module: Module | None) -> Contribution | None:
    """Return what the report's resolution leaves uncertain; nobody corrects a truncating one."""
    if module is None:
        return None
    step = module.resolution_celsius
    if module.rounding is not Rounding.TRUNCATE:
        return Contribution(name="report", celsius=rectangular_celsius(step))
    # Anywhere up to one step too low: variance step^2/12, deviation step/2.
    return Contribution(name="report", celsius=step / math.sqrt(3))


def _ladder_parts(
    ladder: Ladder, states: Sequence[int], slopes: FloatArray, calibration: Calibration | None
) -> list[tuple[Contribution, ...]]:
    if calibration is None:
        return contributions_of_states(ladder, states, slopes.tolist())
    whole = np.diag(states_covariance_ohms2(ladder, calibration, states))
    contacts = contact_variances_ohms2(ladder, states, calibration.parameters)
    shared = np.sqrt(np.maximum(whole - contacts, 0.0)) / slopes
    own = np.sqrt(contacts) / slopes
    return [
        (
            Contribution(name="calibration", celsius=float(u)),
            Contribution(name="contacts", celsius=float(c)),
        )
        for u, c in zip(shared, own, strict=True)
    ]


def _temperature_ohms(
    ladder: Ladder,
    states: Sequence[int],
    place: Surroundings,
    module: Module | None,
    calibration: Calibration | None,
) -> tuple[FloatArray, FloatArray]:
    """Return what ambient and self-heating leave uncertain of states, standard, in ohm: (m,) each.

    A temperature coefficient is a limit to either side, rectangular, and each resistor's own; the
    ambient is one for all, rectangular about its middle. So one rung contributes
    ``r a/sqrt(3) sqrt(E[dT^2])`` with ``E[dT^2] = offset^2 + span^2/3``, and the rise by its own
    power adds to the offset. A calibration that does not say how warm it was is one of 23 degC,
    within 5 K. The fixed resistor counts as one more rung.
    """
    rungs = rungs_of(ladder)
    reference, spread = place.reference_celsius, place.ambient_span_kelvin**2 / 3.0
    if calibration is not None:
        usual = Surroundings()
        reference = usual.reference_celsius
        if calibration.ambient_celsius is not None:
            reference = calibration.ambient_celsius
        else:
            spread += usual.ambient_span_kelvin**2 / 3.0
    offset = place.ambient_celsius - reference
    limits = np.array(
        [
            *(rung.ohms * rung.tempco_ppm_per_k * 1e-6 for rung in rungs),
            ladder.fixed_ohms * ladder.fixed_tempco_ppm_per_k * 1e-6,
        ]
    )
    # These states are connected, so what stands in series with the groups counts in full.
    by_rung = sensitivities(ladder, states, nominal_parameters(ladder))[:, : len(rungs)]
    slopes = np.column_stack([by_rung, np.ones(len(states))])
    per_kelvin2 = (slopes * limits) ** 2 / 3.0
    rises = _rises_kelvin(ladder, rungs, states, slopes, module)
    ambient = per_kelvin2.sum(axis=1) * (offset**2 + spread)
    both = (per_kelvin2 * ((offset + rises) ** 2 + spread)).sum(axis=1)
    return np.sqrt(ambient), np.sqrt(np.maximum(both - ambient, 0.0))


def _rises_kelvin(
    ladder: Ladder,
    rungs: Sequence[Rung],
    states: Sequence[int],
    slopes: FloatArray,
    module: Module | None,
) -> FloatArray:
    """Return how far each rung warms itself in each state, and last the fixed resistor.

    The power in a resistor of a network that carries I is I^2 r dR/dr: dR/dr is the square of the
    share of the current that it takes (Tellegen's theorem). `slopes` are these derivatives.
    """
    if module is None:
        return np.zeros(slopes.shape)
    whole = states_ohms(ladder, np.array(states, dtype=np.uint64))
    amperes = module.reference_volts / (whole + module.lowest_pullup_ohms)
    ohms = np.array([*(rung.ohms for rung in rungs), ladder.fixed_ohms])
    ratings = [*(rung.power_watts for rung in rungs), ladder.fixed_power_watts]
    rated_watts = np.array([watts or _USUAL_RATING_WATTS for watts in ratings])
    return np.asarray(amperes[:, None] ** 2 * ohms * slopes * _DERATING_KELVIN / rated_watts)


def _drift_ohms(
    ladder: Ladder, states: Sequence[int], place: Surroundings, calibration: Calibration
) -> FloatArray:
    """Return what rungs may have done since they were calibrated, each for itself: (m,)."""
    limits = np.array(calibration.rung_ohms) * place.rung_drift_ppm * 1e-6
    slopes = sensitivities(ladder, states, calibration.parameters)[:, :-2]
    return np.asarray(np.sqrt(((slopes * limits) ** 2 / 3.0).sum(axis=1)))


def _emf_ohms(
    ladder: Ladder, states: Sequence[int], ohms: FloatArray, place: Surroundings, module: Module
) -> FloatArray:
    """Return what the voltages of warm contacts leave uncertain, (m,), as ohm at the input.

    A contact beside its rung passes on the share r/(r + c) of its voltage, which is the root of
    dR/dc. In a divider e volt in series with R count as ``e (R + Rp)/Vref`` ohm; the larger
    pull-up makes it worse.
    """
    volts = place.contact_emf_microvolts * 1e-6 / math.sqrt(3.0)
    shares = np.sqrt(state_slopes(ladder, states).contacts.sum(axis=1))
    return np.asarray(volts * shares * (ohms + module.pullup_ohms) / module.reference_volts)


def _settling_celsius(settle: SettleRule, resolution_celsius: float | None) -> float:
    """Return what a reading that counts as settled may still be off by, standard.

    It may be anywhere in the settle band. A report in whole steps shows of that band only how many
    steps it spans: less than one step is the rounding again, which is counted already.
    """
    width = settle.within_celsius
    if resolution_celsius:
        width = math.floor(width / resolution_celsius + 1e-9) * resolution_celsius
    return rectangular_celsius(width)
