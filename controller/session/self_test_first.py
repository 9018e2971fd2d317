"""The self-test before a run: by what, what it leaves in the run's record, when it refuses.

Knows: a run that is prepared, the result kept of the last self-test.
Must not know: who asks, terminals.

A caller shows `caution_before`, runs `begin_self_test` like any other run, and hands its end to
`self_test_note`: that refuses the run, or returns what `Setup.self_tested` is to say.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from controller.bench.model import BenchFile
from controller.bench.self_tests import self_test_file, self_test_warnings
from controller.cautions import METER_CAUTION, SENSE_CAUTION
from controller.errors import InputError, LinkError
from controller.measurement.model import Verdict
from controller.meters.settings import MeterKind
from controller.run.model import Ending
from controller.session.prepared import Prepared
from controller.session.self_testing import (
    TestedBy,
    keep_result,
    self_testing,
    tested_of,
    usual_way,
)
from controller.session.session import Session, Setup

__all__ = [
    "DESPITE",
    "begin_self_test",
    "caution_before",
    "require_no_failed_self_test",
    "self_test_note",
    "unplugs_module",
    "way_before",
]

DESPITE = "--despite-self-test"
"""How a person lets a run go on; the record says that it did."""

_WAYS_ON = f"--self-test tests it before the run; {DESPITE} runs all the same"
_GOES_ON = f"the run goes on all the same ({DESPITE})"


def way_before(prepared: Prepared) -> TestedBy:
    """Return what tests the ladder before a run: first what leaves the module plugged in."""
    bench = prepared.bench
    sensed = usual_way(replace(bench, meter=None), prepared.module)
    return sensed if sensed is TestedBy.SENSE else usual_way(bench, prepared.module)


def unplugs_module(prepared: Prepared) -> bool:
    """Return whether somebody has to unplug the module for the test, and plug it in after it."""
    meter = prepared.bench.meter
    real = meter is not None and meter.kind is not MeterKind.SIMULATED
    return real and way_before(prepared) is TestedBy.METER


def caution_before(prepared: Prepared) -> str | None:
    """Return what people must know before the test; None where no output is connected to much."""
    return {TestedBy.METER: METER_CAUTION, TestedBy.SENSE: SENSE_CAUTION}.get(way_before(prepared))


def begin_self_test(prepared: Prepared, *, record: Path) -> Setup:
    """Begin the test, with a record of its own beside that of the run. Raises InputError."""
    names = (f"{record.stem}-self-test{tail}.jsonl" for tail in ("", *range(2, 1000)))
    path = next(one for name in names if not (one := record.with_name(name)).exists())
    return self_testing(
        prepared.bench, by=way_before(prepared), module=prepared.module, record=path, files={}
    )


def self_test_note(session: Session, *, despite: bool) -> str:
    """Return what the run's record is to say of a test that has ended; keep its result.

    Raises LinkError where the run is refused: the ladder is not sound, unless `despite` says that
    it is to go on, or the test itself ended by a fault.
    """
    summary, bench = session.summary, session.setup.bench
    assert summary is not None  # noqa: S101 - a run ends with its summary
    if summary.ended is Ending.FAULT:
        raise LinkError(
            "the self-test did not come to its end, and the run was not begun",
            port=session.bench.link.port,
            relays=summary.relays,
            hint="see the fault above",
        )
    keep_result(bench, session.job)
    said = f"self-test before this run, {summary.verdict.value}: {summary.sentence}"
    if (path := session.record_path) is not None:
        said += f" Its record: {path.name}, closing hash {session.record_hash}"
    if summary.verdict is not Verdict.FAIL:
        return said
    if not despite:
        raise LinkError(
            f"{tested_of(session.job).found}; the run was not begun",
            port=session.bench.link.port,
            relays=summary.relays,
            hint=f"mend it; {DESPITE} runs all the same, and the record says so",
        )
    return f"{said}; {_GOES_ON}"


def require_no_failed_self_test(
    bench: BenchFile, *, despite: bool, hint: str = _WAYS_ON
) -> str | None:
    """Refuse a run on a real ladder whose last self-test failed; return what its record is to say.

    None where there is nothing to say. `hint` says how to go on where it is refused. Raises
    InputError.
    """
    kept = self_test_file(os.environ)
    warnings = [text for one in bench.inputs for text in self_test_warnings(one, kept)]
    if not warnings:
        return None
    if not despite:
        raise InputError.single(
            warnings[0],
            where=str(bench.path or bench.name),
            hint=hint,
        )
    return f"{warnings[0]}; {_GOES_ON}"
