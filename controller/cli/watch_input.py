"""Carrying out a run that looks at an input: what is shown on the way, and how it ends.

Knows: the events of such runs in words, the bell, the cautions.
Must not know: what a run does, how its equipment is opened.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli.confirm import confirm_cautions
from controller.cli.fault_words import fault_fields
from controller.cli.signals import stopping_by
from controller.errors import ExitCode
from controller.run.events import (
    Event,
    FaultRaised,
    Jumped,
    NoteKind,
    NoteMade,
    RelaysSet,
    RunFinished,
    Sensed,
)
from controller.run.summary import headline
from controller.session.session import Session, Setup
from controller.session.status import exit_status
from controller.text import clean, ohms

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.run.job import Job

__all__ = ["Teller", "carry_out"]


def carry_out(
    prepare: Callable[[Path | None], Setup],
    output: Output,
    *,
    record_path: Path | None,
    yes: bool,
    fields: Callable[[Job], dict[str, Any]],
    stop: Callable[[Job], None] | None = None,
    show: Callable[[Job], None] = lambda _job: None,
    bell: bool = False,
    first: tuple[str, ...] = (),
) -> tuple[Job, ExitCode]:
    """Show the cautions, carry a run out, say how it ended; return its job and the exit status.

    `prepare` gets the file of the record that is to be begun, and None before the cautions.
    `fields` are what the JSON document says of the finished job. `stop` is what Ctrl-C does, the
    end of the run unless given; `show` lays out what was found.

    Raises InputError when the cautions are not confirmed.
    """
    setup = prepare(None)
    if setup.bench.drives_hardware:
        amperes, watts = setup.plan.short_circuit_amperes, setup.plan.most_watts
        confirm_cautions(
            output,
            amperes=amperes,
            watts=watts,
            yes=yes,
            first=first,
            of_bench=setup.bench.cautions,
        )
    if record_path is not None:
        setup = prepare(record_path)
    for sentence in setup.warnings:
        output.warn(f"Note: {sentence}")
    teller = Teller(output, setup, bell=bell)
    with Session(setup, write=output.warn) as session:
        job = session.job
        ending = session.stop if stop is None else lambda: stop(job)
        with stopping_by(ending):
            for event in session.events():
                teller.take(event)
        summary = session.summary
    assert summary is not None  # noqa: S101 - a run ends with its summary
    record = session.record_path
    output.document(
        {
            "ended": summary.ended.value,
            "relays": summary.relays.value,
            "verdict": summary.verdict.value,
            "sentence": summary.sentence,
            **fields(job),
            "events": teller.told,
            "faults": teller.faults,
            "record": None if record is None else str(record),
        }
    )
    show(job)
    if record is not None:
        output.say(f"Record: {record}")
    output.say_verdict(headline(summary.verdict, summary.ended), summary.sentence)
    return job, exit_status(summary)


class Teller:
    """Says each event on standard error, and keeps it for the JSON document."""

    def __init__(self, output: Output, setup: Setup, *, bell: bool) -> None:
        self.told: list[dict[str, Any]] = []
        self._faults: list[FaultRaised] = []
        self._output = output
        self._plan = setup.plan
        self._clock = setup.clock
        self._began_s = setup.clock.now_s()
        self._bell = bell and sys.stderr.isatty()

    @property
    def faults(self) -> list[dict[str, Any]]:
        """What failed, for the JSON document."""
        return fault_fields(self._faults)

    def take(self, event: Event) -> None:
        """Say what happened."""
        match event:
            case Sensed():
                made = f"with {ohms(event.achieved_ohms)} ohm"
                if event.achieved_ohms == float("inf"):
                    made = "with nothing connected"
                self._say(event, f"{event.volts:.3f} V {made}")
                self.told.append(
                    {
                        "kind": "sensed",
                        "state": self._plan.format_state(event.state),
                        "achieved_ohms": event.achieved_ohms,
                        "volts": event.volts,
                        "spread_volts": event.spread_volts,
                    }
                )
            case Jumped():
                value = "no reading" if event.value is None else f"{event.value:.4g} {event.unit}"
                codes = f", new code {', '.join(event.codes)}" if event.codes else ""
                ring = "\a" if self._bell else ""
                self._say(
                    event, f"JUMP {event.count}: {value} from {event.level:.4g}{codes}", ring=ring
                )
                self.told.append(
                    {
                        "kind": "jump",
                        "at_s": event.at_s - self._began_s,
                        "count": event.count,
                        "value": event.value,
                        "level": event.level,
                        "unit": event.unit,
                        "codes": list(event.codes),
                    }
                )
            case RelaysSet():
                shown = event.achieved_ohms
                opened = shown == float("inf")
                self._say(event, "output open" if opened else f"{ohms(shown)} ohm set")
            case NoteMade() if event.kind is not NoteKind.WEAR:
                self._say(event, event.text)
            case FaultRaised():
                self._output.warn(f"Fault: {event.message}; {event.relays.value}")
                self._faults.append(event)
            case RunFinished():
                pass
            case _:
                pass

    def _say(self, event: Event, text: str, *, ring: str = "") -> None:
        self._output.warn(f"{event.at_s - self._began_s:7.1f} s  {clean(text)}")
        if ring:
            sys.stderr.write(ring)
            sys.stderr.flush()
