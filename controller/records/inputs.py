"""The input files of a run: read from disk, or from the record that kept them.

Knows: that a plan, and the bench it names or is given, are all that a run is made of.
Must not know: what is in the files, how they are carried out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from controller.bench.default import default_bench
from controller.bench.files import load_bench
from controller.bench.model import BenchFile
from controller.documents import collecting_files, supplied_files
from controller.errors import InputError, Problem
from controller.measurement.budget import Surroundings
from controller.module.model import Module
from controller.planning.files import load_plan
from controller.planning.plan import Plan
from controller.records.decode import understood
from controller.records.opening import RECORD_FOLDER, kept_files
from controller.records.reader import Record

__all__ = ["Inputs", "bench_for", "inputs_of", "load_inputs"]


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """A plan and a bench, and the text of every file that was read for them."""

    plan: Plan
    bench: BenchFile
    files: Mapping[Path, str] = field(repr=False)

    @property
    def module(self) -> Module | None:
        """The module at the other end: the one the plan names, else the bench's; None: neither."""
        return self.plan.module or self.bench.module

    @property
    def second(self) -> Inputs | None:
        """The second input as if it were the only one; None where there is one input."""
        if self.plan.second is None or self.bench.second is None:
            return None
        return Inputs(plan=self.plan.second, bench=self.bench.second, files=self.files)


def load_inputs(plan_path: Path, bench_path: Path | None = None) -> Inputs:
    """Read a plan and its bench: the one given, else the one the plan names, else a simulated one.

    Raises InputError with every problem found in any file of either.
    """
    problems: list[Problem] = []
    plan: Plan | None = None
    bench: BenchFile | None = None
    with collecting_files() as files:
        try:
            plan = load_plan(plan_path)
            bench_path = bench_path or plan.bench_path
        except InputError as error:
            problems += error.problems
        if bench_path is not None:
            try:
                bench = load_bench(bench_path)
            except InputError as error:
                problems += error.problems
    if problems or plan is None:
        raise InputError(dict.fromkeys(problems))
    return Inputs(plan=plan, bench=bench_for(plan, bench), files=files)


def bench_for(plan: Plan, bench: BenchFile | None) -> BenchFile:
    """Return a bench as a plan uses it, or the simulated one for it where none is named.

    A plan for one input leaves a second ladder alone.
    """
    if bench is None:
        bench = default_bench(plan.sensor, plan.module)
        if plan.second is not None:
            second = default_bench(plan.second.sensor, plan.second.module)
            bench = replace(bench, second=replace(second, name="second"))
    return bench if plan.second is not None else replace(bench, second=None)


def inputs_of(record: Record) -> Inputs:
    """Read a record's plan and bench again, from the texts it keeps. Raises InputError."""
    return understood(record, lambda: _inputs_of(record))


def _inputs_of(record: Record) -> Inputs:
    opening = record.opening
    if opening["plan_file"] is None:
        raise InputError.single("this record was not made from a plan file", where=str(record.path))
    bench_file = opening["bench_file"]
    with supplied_files(kept_files(opening)):
        inputs = load_inputs(
            RECORD_FOLDER / opening["plan_file"],
            RECORD_FOLDER / bench_file if bench_file is not None else None,
        )
    return replace(inputs, bench=_drifted_as_in(opening, inputs.bench))


def _drifted_as_in(opening: Mapping[str, Any], bench: BenchFile) -> BenchFile:
    """Return the bench with the drift that the record was judged with.

    It grows with the age of the calibration on the day of the run, which no file tells.
    """
    return _drifted(opening["bench"], bench)


def _drifted(fields: Mapping[str, Any], bench: BenchFile) -> BenchFile:
    if bench.second is not None and fields.get("second"):
        bench = replace(bench, second=_drifted(fields["second"], bench.second))
    recorded = (fields.get("surroundings") or {}).get("rung_drift_ppm")
    place = bench.surroundings or Surroundings()
    if recorded is None or recorded == place.rung_drift_ppm:
        return bench
    return replace(bench, surroundings=replace(place, rung_drift_ppm=float(recorded)))
