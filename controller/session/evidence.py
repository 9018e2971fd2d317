"""What a diagnosis is made from: a record, a CSV file with its plan, a folder of sensor files."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from controller.bench.model import BenchFile
from controller.diagnosis import (
    Diagnosis,
    InputCircuit,
    Readings,
    Reporting,
    diagnose,
    readings_from_csv,
    readings_of,
    with_tolerance,
)
from controller.diagnosis.step_volts import StepVolts, measured_pullup, told_by_volts
from controller.errors import InputError
from controller.module.model import Module
from controller.planning.files import load_plan
from controller.planning.plan import Plan
from controller.records.decode import results_of
from controller.records.inputs import inputs_of
from controller.records.reader import Record, load_record
from controller.run.model import StepResult
from controller.sensors.curve import Sensor

__all__ = ["Evidence", "evidence_in", "evidence_of_record", "evidence_of_results", "sensor_files"]


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Readings, and the sensor and the module they belong to; volts at the input, where known."""

    readings: Readings
    sensor: Sensor
    module: Module | None
    volts: StepVolts | None = None

    def diagnosed(self, candidates: Iterable[Sensor] = ()) -> Diagnosis:
        """Return which fault explains the readings; `candidates` may be the module's curve."""
        found = diagnose(
            self.readings,
            self.sensor.curve,
            candidates=tuple(candidates),
            circuit=None if self.module is None else InputCircuit.of(self.module),
        )
        if self.volts is None or self.module is None:
            return found
        measured = measured_pullup(self.volts, reference_volts=self.module.reference_volts)
        return told_by_volts(found, measured, stated_ohms=self.module.pullup_ohms)


def evidence_of_results(
    results: Iterable[StepResult],
    sensor: Sensor,
    module: Module | None,
    bench: BenchFile | None = None,
) -> Evidence:
    """Return the evidence in the results of a run; the `bench` says how sure its states are."""
    readings = readings_of(results, reporting=_reporting(module), bench=bench)
    return Evidence(readings=readings, sensor=sensor, module=module)


def evidence_of_record(record: Record) -> Evidence:
    """Return the evidence in a record. Raises InputError when its files cannot be used."""
    inputs = inputs_of(record)
    results = results_of(record)
    evidence = evidence_of_results(results, inputs.plan.sensor, inputs.module, inputs.bench)
    return replace(evidence, volts=_volts_in(record, results, evidence.readings))


def _volts_in(
    record: Record, results: Sequence[StepResult], readings: Readings
) -> StepVolts | None:
    """Return the volts that came with the readings that were judged, if any did."""
    made = {result.step.index: result.step.achieved_ohms for result in results}
    volts = {
        line["step"]: line["volts"]
        for line in record.lines
        if line["type"] == "reading" and line["final"] and line["volts"] is not None
    }
    steps = [index for index in volts if index in made]
    if not steps:
        return None
    relative = 0.0
    if readings.covariance_ohms2 is not None:
        known = np.isfinite(readings.ohms) & (readings.ohms > 0)
        own = np.sqrt(np.diag(readings.covariance_ohms2)[known])
        relative = float(np.max(own / readings.ohms[known], initial=0.0))
    return StepVolts(
        ohms=np.array([made[index] for index in steps], dtype=np.float64),
        volts=np.array([volts[index] for index in steps], dtype=np.float64),
        ohms_relative=relative,
    )


def evidence_in(path: Path, plan: Plan | Path | None = None) -> Evidence:
    """Return the evidence in a record, or in a CSV file that belongs to a plan.

    A record has a plan of its own: another one is passed over.
    Raises InputError for a file that cannot be used, and for a CSV file without its plan.
    """
    if _is_record(path):
        return evidence_of_record(load_record(path))
    if plan is None:
        raise InputError.single(
            "this is not a record; a CSV file needs the plan its readings belong to",
            where=str(path),
            hint="add --plan PLAN",
        )
    if isinstance(plan, Path):
        plan = load_plan(plan)
    readings = with_tolerance(
        readings_from_csv(path, reporting=_reporting(plan.module)),
        plan.sensor.curve,
        plan.tolerance_at,
    )
    return Evidence(readings=readings, sensor=plan.sensor, module=plan.module)


def sensor_files(named: Iterable[Path]) -> list[Path]:
    """Return the files named, each folder replaced by the sensor files in it."""
    found: list[Path] = []
    for path in named:
        inside = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        if not inside:
            raise InputError.single("there are no sensor files in this folder", where=str(path))
        found += inside
    return list(dict.fromkeys(found))


def _reporting(module: Module | None) -> Reporting:
    return Reporting() if module is None else Reporting.of(module)


def _is_record(path: Path) -> bool:
    """Tell a record from a CSV file; a file that cannot be opened is left to its reader."""
    try:
        if not path.is_file():  # a pipe would be waited on
            return True
        with path.open("rb") as file:
            return file.read(1) in (b"{", b"")
    except (OSError, ValueError):
        return True
