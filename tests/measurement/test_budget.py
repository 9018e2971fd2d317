"""The uncertainty budget against published rules, an independent library, and Monte Carlo."""

from __future__ import annotations

import functools
import math
from pathlib import Path

import numpy as np
import pytest
import uncertainties
from scipy import stats

from controller.bench.default import default_bench
from controller.bench.files import load_bench
from controller.errors import InputError
from controller.ladder.calibration import Measurement, calibrate, propose_design
from controller.ladder.calibration.model import nominal_parameters, rungs_of, sensitivities
from controller.ladder.electrical import contact_closed, state_ohms
from controller.ladder.files import load_ladder
from controller.ladder.loading import state_loading
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.measurement import budget as budget_module
from controller.measurement.budget import (
    Budget,
    Surroundings,
    effective_degrees_of_freedom,
    ratio_warning,
    repeatability_of,
    step_budgets,
    uncertainty_ratio,
)
from controller.measurement.model import Contribution, SettleRule
from controller.measurement.parts import ladder_contributions
from controller.module.encoding import Rounding
from controller.planning.files import load_plan
from controller.planning.model import StepKind
from controller.planning.resolve import resolve, resolve_on
from controller.sensors.thermistor import BetaCurve

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
PLANS = sorted(path.name for path in SWEEPS.glob("*.toml"))
SETTLE = SettleRule(within_celsius=0.5, for_s=3.0, at_most_s=30.0)
PLACE = Surroundings(ambient_celsius=12.0, ambient_span_kelvin=6.0, insulation_ohms=50e6)


@functools.cache
def demo(name):
    plan = load_plan(SWEEPS / name)
    bench = load_bench(plan.bench_path) if plan.bench_path else default_bench(plan.sensor)
    module = plan.module or bench.module
    return plan, bench.ladder, module, resolve(plan, bench.ladder, module)


def temperature_steps(resolved):
    return [
        (step.state, step.achieved_celsius)
        for step in resolved.steps
        if step.kind is StepKind.TEMPERATURE
    ]


def part(budget, name):
    return next(part.celsius for part in budget.parts if part.name == name)


def drawn_ohms(ladder, state, rungs, contacts, lead):
    """The resistance of a state from drawn parts, written out independently of the product.

    `rungs` and `contacts` map relay -> value or array; works for arrays and for ufloats alike.
    """
    total = lead
    for group in ladder.groups:
        if group.kind is GroupKind.SERIES:
            for rung in group.rungs:
                r, c = rungs[rung.relay], contacts[rung.relay]
                total = total + (
                    r * c / (r + c) if contact_closed(ladder, state, rung.relay) else r
                )
        else:
            siemens = 0
            for rung in group.rungs:
                if contact_closed(ladder, state, rung.relay):
                    siemens = siemens + 1 / (rungs[rung.relay] + contacts[rung.relay])
            total = total + 1 / siemens
    if ladder.isolate_relay is not None:
        total = total + contacts[ladder.isolate_relay]
    return total


def drawn_volts(ladder, state, rng, draws):
    """The voltage of closed contacts that are anywhere within 10 microvolt, as a loop passes it."""
    total = np.zeros(draws)
    for group in ladder.groups:
        closed = [r for r in group.rungs if contact_closed(ladder, state, r.relay)]
        siemens = [1 / (r.ohms + ladder.relays[r.relay].contact_ohms) for r in closed]
        for rung, own in zip(closed, siemens, strict=True):
            contact = ladder.relays[rung.relay].contact_ohms
            series = group.kind is GroupKind.SERIES
            share = rung.ohms / (rung.ohms + contact) if series else own / sum(siemens)
            total += share * rng.uniform(-1e-5, 1e-5, draws)
    if ladder.isolate_relay is not None:
        total += rng.uniform(-1e-5, 1e-5, draws)
    return total


def test_the_voltage_of_a_warm_contact_counts_as_a_circuit_has_it():
    """One contact, its voltage in series with R: Kirchhoff's loop, read back through the divider.

    I = (Vref - e)/(R + Rp), V = e + I R, R' = Rp V/(Vref - V).
    """
    plan, ladder, module, resolved = demo("coolant-sweep.toml")
    state, celsius = max(temperature_steps(resolved), key=lambda step: step[1])
    one = Surroundings(contact_emf_microvolts=50.0)
    [budget] = step_budgets(
        ladder,
        [(state, celsius)],
        plan.sensor.curve,
        settle=SETTLE,
        module=module,
        surroundings=one,
    )
    ohms, pullup, reference = state_ohms(ladder, state), module.pullup_ohms, module.reference_volts
    volts = 50e-6 + (reference - 50e-6) / (ohms + pullup) * ohms
    moved = pullup * volts / (reference - volts) - ohms
    closed = sum(contact_closed(ladder, state, r) for r in range(17))
    slope = abs(float(plan.sensor.curve.slope_ohms_per_kelvin(celsius)))
    expected = moved * math.sqrt(closed / 3.0) / slope
    assert part(budget, "thermo-emf") == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("name", PLANS)
def test_the_linear_budget_agrees_with_monte_carlo(name):
    """JCGM 101:2008: every source drawn from its own distribution, 1e5 draws a step."""
    plan, ladder, module, resolved = demo(name)
    assert module is not None
    curve = plan.sensor.curve
    steps = temperature_steps(resolved)
    picked = sorted({0, len(steps) // 2, len(steps) - 1})
    budgets = step_budgets(
        ladder,
        [steps[i] for i in picked],
        curve,
        settle=plan.settle,
        module=module,
        surroundings=PLACE,
    )
    rng = np.random.default_rng(20)
    draws = 100_000
    for (state, celsius), budget in zip([steps[i] for i in picked], budgets, strict=True):
        low, high = PLACE.ambient_celsius - 6.0, PLACE.ambient_celsius + 6.0
        ambient = rng.uniform(low, high, draws) - PLACE.reference_celsius
        ohms_now = state_ohms(ladder, state)
        amperes = module.reference_volts / (ohms_now + module.lowest_pullup_ohms)
        rungs = {}
        for group in ladder.groups:
            inside = [r for r in group.rungs if contact_closed(ladder, state, r.relay)]
            joined = sum(1 / r.ohms for r in inside) if group.kind is GroupKind.PARALLEL else 1.0
            for rung in group.rungs:
                tolerance = rung.uncertainty_ohms * 3**0.5
                value = rung.ohms + rng.uniform(-tolerance, tolerance, draws)
                tempco = rng.uniform(-1, 1, draws) * rung.tempco_ppm_per_k * 1e-6
                if group.kind is GroupKind.PARALLEL:
                    own = amperes / joined / rung.ohms if rung in inside else 0.0
                else:
                    own = 0.0 if rung in inside else amperes
                rise = own**2 * rung.ohms * 85.0 / (rung.power_watts or 0.25)
                rungs[rung.relay] = value * (1 + tempco * (ambient + rise))
        contacts = {
            r.index: r.contact_ohms + rng.normal(0, r.contact_uncertainty_ohms, draws)
            for r in ladder.relays
        }
        lead = ladder.lead_ohms + rng.normal(0, ladder.lead_uncertainty_ohms, draws)
        ohms = drawn_ohms(ladder, state, rungs, contacts, lead)
        # The leakage is anywhere between none and the stated worst; the deviation is what counts.
        worst = ohms_now - ohms_now * PLACE.insulation_ohms / (ohms_now + PLACE.insulation_ohms)
        ohms = ohms - rng.uniform(0, 1, draws) * worst
        # Warm contacts: up to 10 microvolt each, in series with what the divider measures.
        volts = drawn_volts(ladder, state, rng, draws)
        ohms = ohms + volts * (ohms_now + module.pullup_ohms) / module.reference_volts
        inside_span = np.sort(curve.ohms(np.array([curve.lowest_celsius, curve.highest_celsius])))
        exact = curve.celsius(np.clip(ohms, *inside_span))
        exact = exact + rng.normal(0, float(curve.uncertainty_celsius(celsius)), draws)
        shown = exact + rng.uniform(-0.5, 0.5, draws) * module.resolution_celsius
        # Of the settle band only whole steps of the report show: less than one is its rounding.
        steps_wide = plan.settle.within_celsius // module.resolution_celsius
        shown = shown + rng.uniform(-0.5, 0.5, draws) * steps_wide * module.resolution_celsius
        off = shown - float(curve.celsius(ohms_now))
        root_mean_square = float(np.sqrt(np.mean(off**2)))
        assert budget.combined_celsius == pytest.approx(root_mean_square, rel=0.02)
        inside = float(np.mean(np.abs(off) <= budget.expanded_celsius))
        assert inside >= 0.95


def test_the_parts_agree_with_an_independent_propagation_of_correlated_inputs():
    """`uncertainties` 3.2: the same calibration, propagated by automatic differentiation."""
    plan, ladder, module, resolved = demo("coolant-sweep.toml")
    truth = {r.relay: r.ohms * 1.0004 for g in ladder.groups for r in g.rungs}
    contacts = {r.index: r.contact_ohms for r in ladder.relays}
    states = propose_design(ladder, measurements=24).states
    measured = []
    for state in states:
        if contact_closed(ladder, state, ladder.short_relay):
            ohms = ladder.lead_ohms + contacts[ladder.short_relay]
        else:
            ohms = drawn_ohms(ladder, state, truth, contacts, ladder.lead_ohms)
        spread = 1e-4 * ohms + 0.01
        measured.append(Measurement(state=state, ohms=ohms, uncertainty_ohms=spread))
    found = calibrate(ladder, measured, utc="2026-03-31", common_relative_uncertainty=2e-4)
    steps = temperature_steps(resolved)
    budgets = step_budgets(
        ladder, steps, plan.sensor.curve, settle=plan.settle, module=module, calibration=found
    )
    values = uncertainties.correlated_values(found.parameters, found.covariance_ohms2)
    rungs = dict(zip(found.relays, values[:-2], strict=True))
    inverse = uncertainties.wrap(lambda ohms: float(plan.sensor.curve.celsius(ohms)))
    for (state, _), budget in list(zip(steps, budgets, strict=True))[::6]:
        closed = {
            r.index: r.contact_ohms
            + values[-2]
            + uncertainties.ufloat(0.0, r.contact_uncertainty_ohms)
            for r in ladder.relays
        }
        ohms = drawn_ohms(ladder, state, rungs, closed, values[-1])
        oracle = inverse(ohms)
        own = math.hypot(part(budget, "calibration"), part(budget, "contacts"))
        assert own == pytest.approx(oracle.std_dev, rel=0.01)


def test_welch_satterthwaite_on_the_end_gauge():
    """JCGM 100:2008, H.1.6: u = 32 nm, effective degrees of freedom 16.7 (values from memory)."""
    parts = (
        Contribution(name="standard", celsius=25.0, degrees_of_freedom=18),
        Contribution(name="difference", celsius=9.7, degrees_of_freedom=25.6),
        Contribution(name="expansion", celsius=2.9, degrees_of_freedom=50),
        Contribution(name="temperature", celsius=16.6, degrees_of_freedom=2),
    )
    assert effective_degrees_of_freedom(parts) == pytest.approx(16.7, abs=0.1)
    budget = Budget(parts=parts)
    assert budget.combined_celsius == pytest.approx(32, abs=0.5)
    assert budget.coverage_factor == pytest.approx(stats.t.ppf(stats.norm.cdf(2), 16))


def test_without_few_repeats_the_factor_is_two():
    budget = Budget(parts=(Contribution(name="report", celsius=0.3),))
    assert math.isinf(budget.degrees_of_freedom)
    assert budget.coverage_factor == 2.0
    assert budget.expanded_celsius == pytest.approx(0.6)


def test_repeated_readings():
    """One reading scatters by s, a mean of n by s/sqrt(n); n - 1 degrees of freedom (JCGM 100:2008,
    4.2.2 and 4.2.3)."""
    readings = [20.0, 21.0, 20.0, 19.0]
    assert repeatability_of([20.0]) is None
    found = repeatability_of(readings)
    assert found.celsius == pytest.approx(np.std(readings, ddof=1))
    assert found.degrees_of_freedom == 3
    assert repeatability_of(readings, judged=4).celsius == pytest.approx(stats.sem(readings))


def test_repeated_readings_in_a_plan_widen_every_step_by_students_factor(tmp_path):
    """Three readings a degree apart: u grows, and k is that of Student's t, not 2."""
    text = (SWEEPS / "coolant-check.toml").read_text(encoding="utf-8")
    for folder in ("sensors", "modules", "benches"):
        text = text.replace(f'"{folder}/', f'"{SWEEPS}/{folder}/')
    kind = 'kind = "check"\n'
    assert kind in text
    path = tmp_path / "plan.toml"
    told = "repeated_readings_celsius = [85.0, 86.0, 87.0]\n"
    path.write_text(text.replace(kind, kind + told), encoding="utf-8")
    _, ladder, module, plain = demo("coolant-check.toml")
    wide = resolve(load_plan(path), ladder, module).steps[1]
    scatter = [one for one in wide.budget if one.name == "repeatability"]
    assert [one.celsius for one in scatter] == [pytest.approx(1.0)]
    u = math.hypot(plain.steps[1].uncertainty_celsius / 2, 1.0)
    freedom = math.floor(u**4 / (1.0**4 / 2))
    assert wide.uncertainty_celsius == pytest.approx(
        u * stats.t.ppf(stats.norm.cdf(2), freedom), rel=1e-3
    )
    once = "repeated_readings_celsius = [85.0]\n"
    path.write_text(text.replace(kind, kind + once), encoding="utf-8")
    with pytest.raises(InputError, match="shows no scatter"):
        load_plan(path)


def test_open_and_short_are_fixed_substitutes_without_an_uncertainty():
    resolved = demo("coolant-check.toml")[3]
    ends = [step for step in resolved.steps if step.kind is not StepKind.TEMPERATURE]
    assert len(ends) == 2
    assert all(step.uncertainty_celsius == 0.0 and step.budget == () for step in ends)


@pytest.mark.parametrize(
    ("within", "resolution", "width"),
    [(0.5, 1.0, 0.0), (1.0, 1.0, 1.0), (2.5, 1.0, 2.0), (0.5, 0.1, 0.5), (0.3, 0.1, 0.3)],
)
def test_a_settle_band_narrower_than_the_reports_step_is_its_rounding_again(
    within, resolution, width
):
    from dataclasses import replace

    plan, ladder, module, resolved = demo("coolant-sweep.toml")
    [budget] = step_budgets(
        ladder,
        temperature_steps(resolved)[:1],
        plan.sensor.curve,
        settle=replace(SETTLE, within_celsius=within),
        module=replace(module, resolution_celsius=resolution),
    )
    assert part(budget, "settling") == pytest.approx(width / math.sqrt(12))


def budget_of(module_change=None, **changes):
    plan, ladder, module, resolved = demo("coolant-sweep.toml")
    if module_change:
        from dataclasses import replace

        module = replace(module, **module_change)
    steps = temperature_steps(resolved)
    step = steps[len(steps) // 4]
    return step_budgets(
        ladder, [step], plan.sensor.curve, settle=plan.settle, module=module, **changes
    )[0]


def test_a_truncating_report_counts_its_deviation():
    nearest = budget_of({"rounding": Rounding.NEAREST})
    whole = budget_of({"rounding": Rounding.TRUNCATE})
    rng = np.random.default_rng(21)
    exact = rng.uniform(0, 100, 200_000)
    # What it means: root mean square of report minus truth.
    off = np.floor(exact) - exact
    assert part(whole, "report") == pytest.approx(np.sqrt(np.mean(off**2)), rel=0.01)
    assert part(nearest, "report") == pytest.approx(np.std(off), rel=0.01)


def test_insulation_matters_where_resistance_is_high():
    curve = BetaCurve(
        reference_ohms=2800.0,
        reference_celsius=25.0,
        beta_kelvin=3450.0,
        lowest_celsius=-50.0,
        highest_celsius=150.0,
    )
    _, ladder, module, _ = demo("coolant-sweep.toml")
    states = temperature_steps(demo("coolant-sweep.toml")[3])
    cold = min(states, key=lambda step: step[1])
    hot = max(states, key=lambda step: step[1])
    found = step_budgets(
        ladder, [cold, hot], curve, settle=SETTLE, module=module, surroundings=PLACE
    )
    assert part(found[0], "insulation") > 10 * part(found[1], "insulation")
    # Not stated is not unlimited: 100 megohm are taken.
    [unstated] = step_budgets(ladder, [cold], curve, settle=SETTLE, module=module)
    assert part(unstated, "insulation") == pytest.approx(part(found[0], "insulation") / 2, rel=0.01)


def calibrated_budget(ambient_celsius, **place):
    bench = load_bench(SWEEPS / "benches" / "calibrated.toml")
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    from dataclasses import replace

    return step_budgets(
        bench.nominal_ladder,
        temperature_steps(resolve_on(plan, bench))[:1],
        plan.sensor.curve,
        settle=SETTLE,
        module=bench.module,
        calibration=replace(bench.calibration, ambient_celsius=ambient_celsius),
        surroundings=Surroundings(ambient_celsius=30.0, ambient_span_kelvin=0.0, **place),
    )[0]


def test_calibrated_rungs_hold_at_the_temperature_of_the_calibration():
    """The budget's ambient part is the distance to it; unknown, it is 23 degC within 5 K."""
    assert part(calibrated_budget(30.0), "ambient") == pytest.approx(0.0, abs=1e-12)
    ten, five = (part(calibrated_budget(t), "ambient") for t in (20.0, 25.0))
    assert ten == pytest.approx(2 * five)
    unknown = part(calibrated_budget(None), "ambient")
    assert unknown == pytest.approx(five / 5.0 * math.sqrt(7.0**2 + 5.0**2 / 3.0))


def test_calibrated_rungs_may_drift_until_they_are_calibrated_again():
    """Each rung for itself, a rectangle of so many ppm to either side."""
    bench = load_bench(SWEEPS / "benches" / "calibrated.toml")
    plan = load_plan(SWEEPS / "coolant-sweep.toml")
    state, celsius = temperature_steps(resolve_on(plan, bench))[0]
    rungs = dict(zip(bench.calibration.relays, bench.calibration.rung_ohms, strict=True))
    inside = [r for relay, r in rungs.items() if not state >> relay & 1]
    slope = abs(float(plan.sensor.curve.slope_ohms_per_kelvin(celsius)))
    for ppm in (100.0, 400.0):
        expected = math.hypot(*inside) * ppm * 1e-6 / math.sqrt(3) / slope
        found = calibrated_budget(21.0, rung_drift_ppm=ppm)
        assert part(found, "drift") == pytest.approx(expected, rel=1e-3)
    assert all(one.name != "drift" for one in budget_of().parts)


def test_a_fixed_resistor_drifts_and_warms_like_a_rung():
    """The same part, once always in circuit and once as a rung: the same budget."""
    rung = Rung(relay=0, ohms=1000.0, power_watts=0.125, tempco_ppm_per_k=50)
    small = Rung(relay=1, ohms=1.0)
    relays = (Relay(index=0), Relay(index=1))
    switched = Ladder(
        name="switched",
        relay_count=2,
        relays=relays,
        groups=(Group(kind=GroupKind.SERIES, rungs=(rung, small)),),
    )
    always = Ladder(
        name="always",
        relay_count=2,
        relays=relays,
        groups=(Group(kind=GroupKind.SERIES, rungs=(small,)),),
        fixed_ohms=1000.0,
        fixed_power_watts=0.125,
        fixed_tempco_ppm_per_k=50,
    )
    plan, _, module, _ = demo("coolant-sweep.toml")
    curve = plan.sensor.curve
    celsius = float(curve.celsius(1001.0))
    budgets = [
        step_budgets(
            ladder,
            [(0, celsius)],
            curve,
            settle=SETTLE,
            module=module,
            surroundings=Surroundings(ambient_celsius=30.0),
        )[0]
        for ladder in (switched, always)
    ]
    for name in ("ambient", "self-heating"):
        assert part(budgets[0], name) > 0
        assert part(budgets[1], name) == pytest.approx(part(budgets[0], name))


def test_a_warmer_bench_is_a_wider_budget():
    near = budget_of(surroundings=Surroundings(ambient_span_kelvin=1.0))
    far = budget_of(surroundings=Surroundings(ambient_span_kelvin=20.0))
    assert part(far, "ambient") == pytest.approx(20 * part(near, "ambient"))


def test_a_ratio_under_four_to_one_is_a_warning_with_its_largest_part():
    budget = Budget(
        parts=(Contribution(name="report", celsius=0.3), Contribution(name="leads", celsius=0.1))
    )
    assert uncertainty_ratio(3.0, budget.expanded_celsius) == pytest.approx(3 / 0.632, rel=0.01)
    assert ratio_warning(3.0, budget) is None
    warning = ratio_warning(2.0, budget)
    assert warning is not None
    assert "report" in warning
    assert "4 to 1" in warning


def test_no_steps_have_no_budgets():
    plan, ladder, _, _ = demo("coolant-sweep.toml")
    assert step_budgets(ladder, [], plan.sensor.curve, settle=SETTLE) == ()


def test_without_anything_told_extra_the_parts_are_the_simple_ones():
    """The same parts, worked out by the short way of `parts`."""
    plan, ladder, module, resolved = demo("coolant-sweep.toml")
    steps = temperature_steps(resolved)
    curve = plan.sensor.curve
    budgets = step_budgets(ladder, steps, curve, settle=plan.settle, module=module)
    for (state, celsius), budget in zip(steps, budgets, strict=True):
        slope = float(curve.slope_ohms_per_kelvin(celsius))
        simple = (
            *ladder_contributions(ladder, state, slope),
            Contribution(name="curve", celsius=float(curve.uncertainty_celsius(celsius))),
            Contribution(name="report", celsius=module.resolution_celsius / math.sqrt(12)),
        )
        assert len(simple) == 5
        for one in simple:
            assert part(budget, one.name) == pytest.approx(one.celsius, rel=1e-9)


def test_what_warms_each_rung_is_the_power_that_ohms_law_gives_it():
    """Self-heating by derivatives against currents followed branch by branch: both kinds of group.

    The rise is 85 K at the rated power, as stated beside `_DERATING_KELVIN`.
    """
    ladder = load_ladder(SWEEPS / "ladders" / "bench-mixed.toml")
    module = load_bench(SWEEPS / "benches" / "simulated.toml").module
    assert module is not None
    rungs = rungs_of(ladder)
    drawn = np.random.default_rng(3).integers(0, 1 << ladder.relay_count, 300)
    states = [s for s in map(int, drawn) if math.isfinite(state_ohms(ladder, s))]
    assert len(states) > 20
    slopes = sensitivities(ladder, states, nominal_parameters(ladder))[:, : len(rungs)]
    slopes = np.column_stack([slopes, np.ones(len(states))])
    rises = budget_module._rises_kelvin(ladder, rungs, states, slopes, module)
    for state, own in zip(states, rises, strict=True):
        if ladder.short_relay is not None and contact_closed(ladder, state, ladder.short_relay):
            continue
        loading = state_loading(
            ladder,
            state,
            reference_volts=module.reference_volts,
            pullup_ohms=module.lowest_pullup_ohms,
        )
        watts = {part.relay: part.watts for part in loading.rungs}
        expected = [watts[rung.relay] * 85.0 / (rung.power_watts or 0.25) for rung in rungs]
        np.testing.assert_allclose(own[:-1], expected, rtol=1e-9, atol=1e-15)
