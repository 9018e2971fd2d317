"""Events and the lines they leave in a record: both directions, in one place.

Knows: which event leaves which line, and which lines an earlier version wrote differently.
Must not know: files, hash chains, who reads the events.

The routine leaves no line (link reports, prompts, the beginning of a step), so it does not come
back from one; the beginning of a step is told from its `set` line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeAlias

from controller.errors import RelayKnowledge
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedPlan
from controller.records.course_lines import COURSE_TYPES, course_event, course_line
from controller.records.decode import path_of, result_of
from controller.records.encode import path_fields, result_fields, summary_fields
from controller.records.values import codes_of, number_of, ohms_of, state_of, state_text
from controller.run.events import (
    CodesCleared,
    CodesRead,
    Event,
    FaultRaised,
    Jumped,
    Measured,
    Moment,
    NoteKind,
    NoteMade,
    Parked,
    ReadingSeen,
    RelaysSet,
    RelayTimed,
    RunFinished,
    RunStarted,
    Sensed,
    StepFinished,
    StepStarted,
    StepStood,
)
from controller.run.model import Ending, RunSummary

__all__ = [
    "Line",
    "begins_step",
    "event_count",
    "events_of_line",
    "line_of_event",
    "may_wait",
    "was_interrupted",
    "was_resumed",
]

_OWN_TYPES = frozenset({
    "note", "set", "reading", "step", "stood", "fault", "codes", "cleared", "measured", "sensed",
    "relay-time", "jump", "closing",
})  # fmt: skip

Line: TypeAlias = tuple[str, dict[str, Any]]
"""The type of a line and what it says."""


def line_of_event(event: Event, state_digits: int) -> Line | None:
    """Return the line an event leaves; None for the routine. Values are not yet plain."""
    match event:
        case RunStarted():
            content = {"device": event.device_name, "first_step": event.first_step}
            return "note", {"text": "started", **content}
        case RelaysSet():
            return "set", {
                "step": event.step_index,
                "parked": False,
                "path": path_fields(event.path, state_digits),
                "achieved_ohms": event.achieved_ohms,
                **_input_field(event.input),
            }
        case Parked():
            return "set", {"step": None, "parked": True, **_input_field(event.input)}
        case ReadingSeen():
            return "reading", {
                "step": event.step_index,
                "attempt": event.attempt,
                "celsius": event.celsius,
                "volts": event.volts,
                "codes": event.codes,
                "final": event.final,
                **_input_field(event.input),
            }
        case StepFinished():
            return "step", result_fields(event.result, state_digits)
        case StepStood():
            return "stood", {"step": event.step_index, "stood_s": event.stood_s}
        case FaultRaised():
            return "fault", {"message": event.message, "relays": event.relays}
        case NoteMade():
            return "note", {"text": event.text, "kind": event.kind}
        case CodesRead():
            return "codes", {"moment": event.moment, "codes": event.codes}
        case CodesCleared():
            return "cleared", {
                "module": event.module,
                "by": event.by,
                "before": event.before,
                "after": event.after,
            }
        case Measured():
            return "measured", {
                "state": state_text(event.state, state_digits),
                "ohms": event.ohms,
                "expected_ohms": event.expected_ohms,
            }
        case Sensed():
            return "sensed", {
                "state": state_text(event.state, state_digits),
                "achieved_ohms": event.achieved_ohms,
                "volts": event.volts,
                "spread_volts": event.spread_volts,
            }
        case RelayTimed():
            return "relay-time", {
                "relay": event.relay,
                "energised": event.energised,
                "least_ms": event.least_ms,
                "most_ms": event.most_ms,
                "bounce_ms": event.bounce_ms,
                "resolution_ms": event.resolution_ms,
                "slow": event.slow,
            }
        case Jumped():
            return "jump", {
                "count": event.count,
                "value": event.value,
                "level": event.level,
                "unit": event.unit,
                "codes": event.codes,
            }
        case RunFinished():
            return "closing", summary_fields(event.summary)
        case _:
            return course_line(event)


def may_wait(event: Event) -> bool:
    """Return whether the line of an event may share one with the next of its kind.

    Only what nothing follows from by itself: a reading on the way to the one that is judged.
    """
    return isinstance(event, ReadingSeen) and not event.final


def events_of_line(
    line: Mapping[str, Any], plan: ResolvedPlan, attempts: dict[int, int]
) -> Iterator[Event]:
    """Yield the events behind a line, at the time of the line.

    `attempts` counts how often each step was begun and is kept up to date. Unknown types yield
    nothing. Raises KeyError, TypeError, ValueError or IndexError for a line that is not one of
    ours.
    """
    at_s = float(line["elapsed_s"])
    match line["type"]:
        case "note" if line["text"] == "started" and "kind" not in line:
            yield RunStarted(
                at_s=at_s,
                plan=plan,
                device_name=str(line.get("device", "")),
                first_step=int(line.get("first_step", 0)),
            )
        case "note":
            yield NoteMade(at_s=at_s, text=str(line["text"]), kind=_kind(line))
        case "set" if line["parked"]:
            yield Parked(at_s=at_s, input=_input(line))
        case "set":
            yield from _set(line, at_s, plan, attempts)
        case "reading":
            yield ReadingSeen(
                at_s=at_s,
                step_index=int(line["step"]),
                attempt=int(line["attempt"]),
                celsius=line["celsius"],
                volts=line["volts"],
                codes=codes_of(line["codes"]),
                final=bool(line["final"]),
                input=_input(line),
            )
        case "step":
            yield StepFinished(at_s=at_s, result=result_of(line))
        case "stood":
            stood_s = float(line["stood_s"])
            yield StepStood(at_s=at_s, step_index=int(line["step"]), stood_s=stood_s)
        case "fault":
            relays = RelayKnowledge(line["relays"])
            yield FaultRaised(at_s=at_s, message=str(line["message"]), relays=relays)
        case "codes":
            codes = codes_of(line["codes"])
            yield CodesRead(at_s=at_s, moment=Moment(line["moment"]), codes=codes)
        case "cleared":
            yield CodesCleared(
                at_s=at_s,
                module=str(line["module"]),
                by=str(line["by"]),
                before=tuple(str(code) for code in line["before"]),
                after=tuple(str(code) for code in line["after"]),
            )
        case "measured":
            yield Measured(
                at_s=at_s,
                state=state_of(line["state"]),
                ohms=float(line["ohms"]),
                expected_ohms=ohms_of(line["expected_ohms"]),
            )
        case "sensed":
            yield Sensed(
                at_s=at_s,
                state=state_of(line["state"]),
                achieved_ohms=ohms_of(line["achieved_ohms"]),
                volts=float(line["volts"]),
                spread_volts=float(line["spread_volts"]),
            )
        case "relay-time":
            yield RelayTimed(
                at_s=at_s,
                relay=int(line["relay"]),
                energised=bool(line["energised"]),
                least_ms=float(line["least_ms"]),
                most_ms=float(line["most_ms"]),
                bounce_ms=float(line["bounce_ms"]),
                resolution_ms=float(line["resolution_ms"]),
                slow=bool(line["slow"]),
            )
        case "jump":
            yield Jumped(
                at_s=at_s,
                count=int(line["count"]),
                value=number_of(line["value"]),
                level=float(line["level"]),
                unit=str(line["unit"]),
                codes=codes_of(line["codes"]),
            )
        case "closing":
            yield RunFinished(at_s=at_s, summary=_summary(line))
        case _:
            event = course_event(line, at_s)
            if event is not None:
                yield event


def begins_step(line: Mapping[str, Any]) -> bool:
    """Return whether a step begins with a line."""
    return (
        line["type"] == "set"
        and not line["parked"]
        and line["step"] is not None
        and _input(line) == 1
    )


def event_count(line: Mapping[str, Any]) -> int:
    """Return how many events `events_of_line` yields for a line, which need not be complete."""
    if begins_step(line):
        return 2
    return int(line["type"] in _OWN_TYPES or line["type"] in COURSE_TYPES)


def was_interrupted(line: Mapping[str, Any]) -> bool:
    """Return whether a line says that the run was held still, or cut short and gone on with."""
    return was_resumed(line) or (line["type"] == "note" and _kind(line) is NoteKind.PAUSED)


def was_resumed(line: Mapping[str, Any]) -> bool:
    """Return whether from this line on a record was gone on with."""
    return line["type"] == "note" and line.get("text") == "resumed" and "first_step" in line


def _kind(line: Mapping[str, Any]) -> NoteKind:
    """Return what a note is about; records of the first version say it in words only."""
    if "kind" in line:
        return NoteKind(line["kind"])
    text = str(line["text"])
    if text == "paused":
        return NoteKind.PAUSED
    # "resumed" with a first step is a record that was gone on with, not the end of a pause.
    if text == "resumed" and "first_step" not in line:
        return NoteKind.RESUMED
    return NoteKind.REMARK


def _set(
    line: Mapping[str, Any], at_s: float, plan: ResolvedPlan, attempts: dict[int, int]
) -> Iterator[Event]:
    index = line["step"]
    if index is not None and _input(line) == 1:
        attempts[index] = attempts.get(index, 0) + 1
        yield StepStarted(at_s=at_s, step=plan.steps[index], attempt=attempts[index])
    ohms = ohms_of(line["achieved_ohms"])
    yield RelaysSet(
        at_s=at_s,
        step_index=index,
        path=path_of(line["path"]),
        achieved_ohms=ohms,
        input=_input(line),
    )


def _input_field(number: int) -> dict[str, int]:
    """Return which input a line is about, where that is not the first."""
    return {} if number == 1 else {"input": number}


def _input(line: Mapping[str, Any]) -> int:
    return int(line.get("input", 1))


def _summary(line: Mapping[str, Any]) -> RunSummary:
    return RunSummary(
        verdict=Verdict(line["verdict"]),
        ended=Ending(line["ended"]),
        passed=int(line["passed"]),
        failed=int(line["failed"]),
        undecided=int(line["undecided"]),
        unsettled=int(line["unsettled"]),
        not_run=int(line["not_run"]),
        relays=RelayKnowledge(line["relays"]),
        sentence=str(line["sentence"]),
        new_codes=codes_of(line.get("new_codes", ())),
        relays_of=tuple(RelayKnowledge(known) for known in line.get("relays_of", ())),
    )
