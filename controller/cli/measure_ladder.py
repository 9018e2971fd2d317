"""Measuring a ladder from the command line: by the meter of the bench, or typed by a person.

Knows: what is said before and after, and that each reading is kept at once.
Must not know: how states are driven and held, what becomes of the readings.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Self

import numpy as np

from controller.cautions import METER_CAUTION
from controller.cli.confirm import confirm_cautions
from controller.cli.fault_words import fault_fields
from controller.cli.measurement_table import COLUMNS
from controller.cli.signals import stopping_by
from controller.documents import collecting_files
from controller.errors import ExitCode, InputError
from controller.ladder.calibration import Instrument
from controller.ladder.model import Ladder
from controller.new_file import refuse_existing
from controller.records.writer import RecordError
from controller.run.events import FaultRaised, Measured, NoteKind, NoteMade
from controller.session.recording import new_record
from controller.session.status import exit_status
from controller.text import clean, ohms

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["measure_states"]


def measure_states(
    output: Output,
    ladder: Ladder,
    states: Sequence[int],
    meter: Instrument,
    *,
    bench_path: Path,
    save: Path,
    yes: bool,
) -> ExitCode:
    """Set the states on a bench and keep what each measures in the new file `save`.

    Where the bench file has a meter it is asked; otherwise a person reads one and types.

    Returns PASS when all were gone through, INTERRUPTED when the person stopped, LINK_FAULT when
    the link failed; the ladder is parked or it is said that it may not be. Raises InputError
    before anything is driven, RecordError when a file could not be written on.
    """
    from controller.bench.files import load_bench
    from controller.meters.typed import TypedMeter
    from controller.readback.lines import StdinLines
    from controller.session.jobs import measuring
    from controller.session.session import Session

    with collecting_files() as files:
        bench = load_bench(bench_path)
    output.warn(METER_CAUTION)
    if bench.drives_hardware:
        confirm_cautions(output, amperes=None, watts=None, yes=yes, of_bench=bench.cautions)
    typed = (
        TypedMeter(StdinLines(), output.warn, keep_early=not sys.stdin.isatty())
        if bench.meter is None
        else None
    )
    refuse_existing(save)
    record = new_record(Path("runs"), "measure")
    setup = measuring(bench, ladder, states, typed, record=record, files=files)
    for sentence in setup.warnings:
        output.warn(f"Note: {sentence}")
    faults: list[FaultRaised] = []
    with Session(setup, write=output.warn) as session, _Kept(save) as kept:
        try:
            kept.write(f"# {clean(ladder.name)}, measured at the bench\n{COLUMNS}\n")
            with stopping_by(session.stop):
                for event in session.events():
                    if isinstance(event, Measured):
                        kept.write(_row(ladder, event, meter))
                        if typed is None:
                            output.warn(_measured_words(ladder, event))
                    elif isinstance(event, NoteMade) and event.kind is NoteKind.NOT_MEASURED:
                        output.warn(f"Note: {event.text}")
                    elif isinstance(event, FaultRaised):
                        faults.append(event)
                        output.warn(f"Fault: {event.message}; {event.relays.value}")
        except OSError as error:
            session.close()
            raise RecordError(
                f"{save}: cannot be written on: {error.strerror}; {session.relays.value}"
            ) from None
    summary = session.summary
    assert summary is not None  # noqa: S101 - a run ends with its summary
    status = exit_status(summary, judged=False)
    relays = summary.relays.value
    if status is ExitCode.PASS:
        output.warn(f"Measured; {relays}. The readings are in {save}, the record in {record}.")
        return status
    how = "Stopped" if status is ExitCode.INTERRUPTED else "Ended by a fault"
    output.warn(f"{how}; {relays}. What was measured so far is in {save}.")
    output.document(
        {
            "ended": summary.ended.value,
            "relays": relays,
            "readings": str(save),
            "record": None if session.record_path is None else str(record),
            "faults": fault_fields(faults),
        }
    )
    return status


def _row(ladder: Ladder, event: Measured, meter: Instrument) -> str:
    u = float(meter.uncertainty_ohms(np.array(event.ohms)))
    state = ladder.format_state(event.state)
    return f"{state},{event.ohms!r},{u:.3g},{event.expected_ohms:.6g}\n"


def _measured_words(ladder: Ladder, event: Measured) -> str:
    state = ladder.format_state(event.state)
    return f"{state}  {ohms(event.ohms)} ohm, expected about {ohms(event.expected_ohms)} ohm"


class _Kept:
    """A new file whose every line is on the disk: nobody measures twice because of a power cut."""

    def __init__(self, path: Path) -> None:
        try:
            self._file = path.open("xb", buffering=0)
        except FileExistsError:
            raise InputError.single("this file exists already", where=str(path)) from None
        except OSError as error:
            reason = f"cannot be written: {error.strerror}"
            raise InputError.single(reason, where=str(path)) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def write(self, text: str) -> None:
        """Write lines through to the disk. Raises OSError."""
        data = text.encode("utf-8")
        while data:
            data = data[self._file.write(data) :]
        os.fsync(self._file.fileno())
