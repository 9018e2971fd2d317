"""Readings that were taken or written down wrong are said to be, and no fault is taken for one.

The readings are those of the benchmark's own circuit, which shares no formula with the diagnosis.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from controller.diagnosis import Readings, diagnose
from controller.diagnosis.explain import explain
from controller.diagnosis.mistaken import mistaken, standing
from controller.diagnosis.result import Reason
from controller.errors import InputError

BENCHMARKS = str(Path(__file__).resolve().parents[1] / "benchmarks")


@pytest.fixture(scope="module")
def table():
    sys.path.insert(0, BENCHMARKS)
    try:
        import diagnosis_rows
    finally:
        sys.path.remove(BENCHMARKS)
    return diagnosis_rows


@pytest.fixture
def healthy(table):
    """Resistances and what a healthy input says there, -30 to 120 degC."""
    rng = np.random.default_rng(3)
    ohms = table.sweep_ohms(rng, 12)
    return ohms, table.Input().reports(ohms, rng, 0.1)


def diagnosed(table, ohms, celsius):
    return diagnose(
        Readings(ohms=ohms, reported_celsius=celsius, reporting=table.REPORTING),
        table.plan_curve(),
        circuit=table.CIRCUIT,
    )


def later(celsius):
    return np.concatenate([celsius[:1], celsius[:-1]])


def exchanged(celsius):
    return celsius[[0, 1, 2, 4, 3, *range(5, 12)]]


def stuck(celsius):
    return np.where(np.arange(12) > 8, celsius[8], celsius)


MISTAKES = {
    "that of the step before": later,
    "that of the next step": lambda celsius: np.concatenate([celsius[1:], celsius[-1:]]),
    "readings 4 and 5 are exchanged": exchanged,
    "in the opposite order": lambda celsius: celsius[::-1],
    "the minus is missing": np.abs,
    "converted from degF": lambda celsius: np.round((celsius - 32.0) / 1.8),
    "40 too high": lambda celsius: celsius + 40.0,
    "every reading is 20 degC": lambda celsius: np.full_like(celsius, 20.0),
    "the report stands still, or ends there": stuck,
}


@pytest.mark.parametrize("words", MISTAKES)
def test_a_mistake_is_told_and_no_fault_named(table, healthy, words):
    ohms, celsius = healthy
    found = diagnosed(table, ohms, MISTAKES[words](celsius))
    assert found.best is None
    assert not found.distinguishable
    assert found.reason is Reason.MISTAKEN
    told = explain(found)
    assert words in told.headline
    assert "connector pins" not in told.as_text()


def test_a_mistake_is_numbered_as_the_readings_were_taken(table, healthy):
    """An open input before all others counts, though the diagnosis leaves it out."""
    ohms, celsius = healthy
    found = diagnosed(table, np.append(np.inf, ohms), np.append(-40.0, exchanged(celsius)))
    assert "readings 5 and 6 are exchanged" in explain(found).headline


def test_kelvin_is_another_unit(table, healthy):
    ohms, celsius = healthy
    with pytest.raises(InputError, match="kelvin"):
        diagnosed(table, ohms, celsius + 273.0)


def test_no_fault_is_taken_for_a_mistake(table):
    """Every row of the benchmark, inside the set and outside it: 600 inputs and more."""
    rng = np.random.default_rng(17)
    count = 0
    for fault in table.FAULTS:
        for size in table.COUNTS:
            for _ in range(8):
                ohms = table.sweep_ohms(rng, size)
                reported = fault.draw(rng, ohms).reports(ohms, rng, 0.5)
                expected = np.clip(table.type1_celsius()(ohms), -40.0, 130.0)
                places = np.arange(size)
                assert mistaken(reported, expected, step_celsius=1.0, places=places) is None
                count += 1
    assert count > 600


def test_an_offset_as_large_as_a_step_is_no_row_of_the_step_before():
    """Even steps of 8 degC, 8 degC too cold everywhere: a shifted row has its own first reading."""
    expected = np.arange(-30.0, 121.0, 8.0)
    places = np.arange(expected.size)
    assert mistaken(expected - 8.0, expected, step_celsius=1.0, places=places) is None


def test_a_leakage_that_holds_cold_readings_still_is_named_all_the_same(table):
    ohms = table.type1_ohms(np.arange(-30.0, 121.0, 5.0))
    celsius = table.Input(leakage_ohms=1500.0).reports(ohms, np.random.default_rng(2), 0.1)
    assert standing(celsius, table.type1_celsius()(ohms)) is not None
    assert diagnosed(table, ohms, celsius).best.kind == "leakage-to-ground"


@pytest.mark.parametrize(("offset", "lags"), [(-4.0, True), (4.0, False)])
def test_an_offset_against_the_direction_may_be_a_report_that_lags(table, healthy, offset, lags):
    ohms, celsius = healthy
    found = diagnosed(table, ohms, celsius + offset)
    assert found.best.kind == "curve-offset"
    assert found.may_lag is lags
    assert ("read too early" in explain(found).as_text()) is lags
    there_and_back = np.concatenate([ohms, ohms[::-1]])
    found = diagnosed(table, there_and_back, np.concatenate([celsius, celsius[::-1]]) + offset)
    assert not found.may_lag
