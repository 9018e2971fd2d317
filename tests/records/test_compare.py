"""Replayed numbers, JUnit XML, CSV and the report."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.cautions import CAUTIONS
from controller.errors import InputError
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.records.compare import (
    EXACT,
    Difference,
    Tolerances,
    compare_results,
    compare_steps,
    rejudge,
    verdict_of,
)
from controller.records.decode import plan_of, results_of
from controller.records.reader import load_record
from controller.reports.csv import COLUMNS, csv_text
from controller.reports.junit import junit_xml
from controller.reports.text import report_text
from controller.run.model import StepResult


def test_a_record_gives_back_the_plan_and_the_results(
    record_path: Path, plan: ResolvedPlan, results: list[StepResult]
) -> None:
    record = load_record(record_path)
    assert plan_of(record) == plan
    assert list(results_of(record)) == results


def test_a_record_of_another_version_is_refused(record_path: Path) -> None:
    record = load_record(record_path)
    del record.opening["plan"]["settle"]
    with pytest.raises(InputError, match="version"):
        plan_of(record)


def test_equal_runs_have_no_difference(plan: ResolvedPlan, results: list[StepResult]) -> None:
    assert rejudge(plan, results) == []
    assert compare_steps(plan.steps, plan.steps, EXACT) == []
    assert compare_results(results, results, EXACT) == []


@pytest.mark.parametrize(
    "change",
    [
        {"state": 9},
        {"achieved_ohms": 2500.01},
        {"target_celsius": 20.001},
        {"expected_celsius": None},
        {"uncertainty_celsius": 0.51},
        {"excursion_celsius": 0.1},
        {"path": ()},
    ],
)
def test_every_number_of_a_step_is_compared(plan: ResolvedPlan, change: dict[str, object]) -> None:
    moved = (replace(plan.steps[0], **change), *plan.steps[1:])  # type: ignore[arg-type]
    (difference,) = compare_steps(plan.steps, moved, EXACT)
    assert difference.step == 0
    assert difference.field == next(iter(change))
    assert str(difference).startswith("step 1: ")


@pytest.mark.parametrize(
    "change",
    [
        {"reported_celsius": 21.0},
        {"error_celsius": 1.0},
        {"verdict": Verdict.FAIL},
        {"settled": False},
        {"codes": ("circuit-low",)},
        {"settle_s": 4.1},
    ],
)
def test_every_number_of_a_result_is_compared(
    results: list[StepResult], change: dict[str, object]
) -> None:
    moved = [replace(results[0], **change), *results[1:]]  # type: ignore[arg-type]
    (difference,) = compare_results(results, moved, EXACT)
    assert difference.field == next(iter(change))


def test_a_missing_or_additional_step_is_a_difference(
    plan: ResolvedPlan, results: list[StepResult]
) -> None:
    assert compare_steps(plan.steps, plan.steps[:2], EXACT) != []
    (missing,) = compare_results(results, results[:2], EXACT)
    assert (missing.step, missing.replayed) == (2, "not run")


@given(st.floats(-5, 5, allow_nan=False))
def test_the_tolerance_decides(shift: float) -> None:
    tolerances = Tolerances(reported_celsius=2.0, timing_s=None)
    result = _result(20.0)
    moved = replace(result, reported_celsius=20.0 + shift)
    found = compare_results([result], [moved], tolerances)
    assert bool(found) == (abs((20.0 + shift) - 20.0) > 2.0)


def _result(reported: float) -> StepResult:
    from controller.planning.model import ResolvedStep, StepKind

    step = ResolvedStep(
        index=0,
        kind=StepKind.TEMPERATURE,
        target_celsius=20.0,
        target_ohms=2500.0,
        state=1,
        achieved_ohms=2500.0,
        achieved_celsius=20.0,
        expected_celsius=20.0,
        tolerance_celsius=2.0,
        uncertainty_celsius=0.5,
        excursion_celsius=None,
        path=(),
    )
    return StepResult(
        step=step,
        attempt=1,
        reported_celsius=reported,
        error_celsius=reported - 20.0,
        verdict=Verdict.PASS,
        settled=True,
        settle_s=1.0,
    )


def test_a_reading_that_was_judged_wrongly_is_found(
    plan: ResolvedPlan, results: list[StepResult]
) -> None:
    forged = [results[0], replace(results[1], verdict=Verdict.PASS), results[2]]
    (difference,) = rejudge(plan, forged)
    assert difference.step == 1
    assert (difference.recorded, difference.replayed) == ("pass", "fail")


def test_a_run_without_all_its_steps_never_passes(
    plan: ResolvedPlan, results: list[StepResult]
) -> None:
    assert verdict_of(plan, results) is Verdict.FAIL
    assert verdict_of(plan, [results[0], results[2]]) is Verdict.UNDECIDED
    passed = replace(results[1], verdict=Verdict.PASS)
    assert verdict_of(plan, [results[0], passed, results[2]]) is Verdict.PASS


# The schema of Apache Ant's JUnit task (JUnit.xsd): a `testsuite` has the attributes below, then
# properties, testcase*, system-out, system-err in this order; a `testcase` has name, classname,
# time and at most one child.
def test_the_junit_file_follows_the_schema(results: list[StepResult]) -> None:
    differences = [
        Difference(step=1, field="verdict", recorded="fail", replayed="pass"),
        Difference(step=1, field="reported_celsius", recorded=85.0, replayed=80.0, tolerance=1e-6),
        Difference(step=None, field="name \x00 \x1b", recorded="a<b", replayed="]]>"),
    ]
    data = junit_xml(
        "Plan & \x07 co", results, differences, timestamp="2026-01-01T00:00:00", seconds=1.5
    )
    suite = ET.fromstring(data)
    assert suite.tag == "testsuite"
    assert set(suite.attrib) == {
        "name",
        "timestamp",
        "hostname",
        "tests",
        "failures",
        "errors",
        "time",
    }
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", suite.attrib["timestamp"])
    assert [child.tag for child in suite] == [
        "properties",
        *["testcase"] * 4,
        "system-out",
        "system-err",
    ]
    assert suite.attrib["tests"] == "4"
    assert suite.attrib["failures"] == "2"
    for case in suite.iter("testcase"):
        assert set(case.attrib) == {"name", "classname", "time"}
        assert len(case) <= 1
        for failure in case:
            assert failure.tag == "failure"
            assert set(failure.attrib) == {"message", "type"}
    failed = [case.attrib["name"] for case in suite.iter("testcase") if len(case)]
    assert failed == ["run", "step 2: 80 degC"]


def test_the_csv_reads_back_to_the_same_numbers(
    record_path: Path, results: list[StepResult]
) -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text(load_record(record_path)))))
    assert tuple(rows[0]) == COLUMNS
    assert [float(row["reported_celsius"]) for row in rows] == [20.0, 85.0, -40.0]
    assert [row["verdict"] for row in rows] == ["pass", "fail", "pass"]
    assert rows[2]["achieved_ohms"] == ""
    assert rows[2]["codes"] == "circuit-high"
    assert rows[0]["state"] == "0x0001"


def test_the_report_has_results_cautions_and_proof(record_path: Path) -> None:
    record = load_record(record_path)
    text = report_text(record)
    joined = " ".join(text.split())
    assert "Verdict: FAIL" in text
    assert "1 of 3 steps is outside its tolerance." in joined
    for caution in CAUTIONS:
        assert caution in joined
    assert record.tail_hash in text
    assert "circuit-high" in text
    assert "\x1b" not in text
    assert max(len(line) for line in text.splitlines()) <= 110
    assert "185.00" in report_text(record, fahrenheit=True)  # 85 degC


def test_the_report_of_a_run_that_was_cut_off_says_so(record_path: Path) -> None:
    whole = record_path.read_bytes()
    path = record_path.with_name("cut.jsonl")
    path.write_bytes(whole[: whole.index(b'"type":"closing"') - 5])
    text = report_text(load_record(path))
    assert "cut off" in text
    assert "Verdict: FAIL" in text
