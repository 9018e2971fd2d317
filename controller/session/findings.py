"""What the readings of a run say, in sentences for whoever is to look for the fault."""

from __future__ import annotations

from controller.bench.model import BenchFile
from controller.diagnosis import explain
from controller.measurement.model import Verdict
from controller.module.model import Module
from controller.run.model import StepResult
from controller.sensors.curve import Sensor
from controller.session.evidence import evidence_of_results

__all__ = ["diagnosis_lines"]


def diagnosis_lines(
    results: tuple[StepResult, ...],
    sensor: Sensor,
    module: Module | None,
    bench: BenchFile | None = None,
    *,
    details: bool = False,
) -> tuple[str, ...]:
    """Return what the readings say and what to look at next, a sentence each.

    With `details` also what the answer was picked from.
    """
    diagnosis = evidence_of_results(results, sensor, module, bench).diagnosed()
    if diagnosis.best is None and {result.verdict for result in results} == {Verdict.PASS}:
        return ("Nothing to look for: every step passed.",)
    words = explain(diagnosis)
    found = [words.headline]
    if not words.where_to_look and words.meaning:
        found.append(words.meaning)
        if any(result.verdict is Verdict.FAIL for result in results):
            found.append(
                "Next: run a plan with three temperatures or more; then the fault can be named."
            )
    if words.where_to_look:
        found.append(f"Look first at: {words.where_to_look[0]}.")
        found.extend(f"Then at: {place}." for place in words.where_to_look[1:3])
    if words.next_step:
        found.append(words.next_step)
    found.extend(words.remarks)
    if details and words.tried:
        found.append(words.tried)
    return tuple(found)
