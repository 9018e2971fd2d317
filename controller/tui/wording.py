"""A run in words and columns: what stands in the status line, the table, the panels.

Numbers are written so that none is ever cut off.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.cells import cell_len

from controller.measurement.model import Verdict
from controller.planning.model import ResolvedStep, StepKind
from controller.run.model import Ending, Reason, RunSummary, StepResult
from controller.text import number, ohms
from controller.tui.parts import NO_LINK, NOTHING_DRIVEN, Part, Tone
from controller.tui.scale import Scale
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line, short_middle
from controller.tui.view import Driving, Phase, RunView
from controller.units import format_ohms

if TYPE_CHECKING:
    from controller.planning.single_value import Setting

__all__ = [
    "bar",
    "degrees",
    "difference",
    "driven_words",
    "duration",
    "ending_words",
    "facts",
    "headline",
    "live_words",
    "made_words",
    "question_words",
    "result_words",
    "status_parts",
    "step_name",
    "temperature",
    "verdict_words",
]

BIG = 99_999.0
"""Numbers from here on are written with an exponent: eight characters at most, all of them."""


_SIGNS = {
    Verdict.PASS: ("✓ pass", Tone.GOOD),
    Verdict.FAIL: ("✗ FAIL", Tone.BAD),
    Verdict.UNDECIDED: ("? undecided", Tone.DOUBT),
}


def verdict_words(verdict: Verdict) -> Part:
    """Return a verdict with its sign."""
    return Part(*_SIGNS[verdict])


def ending_words(summary: RunSummary) -> Part:
    """Return how a run ended, with its sign: a fault, or its verdict."""
    if summary.ended is Ending.FAULT:
        return Part("✗ fault", Tone.BAD)
    return verdict_words(summary.verdict)


def degrees(value: float | None, digits: int = 1, *, sign: bool = False) -> str:
    """Write a temperature or a difference so that it fits eight cells, whatever it is."""
    if value is not None and abs(value) >= BIG:
        return f"{value:{'+' if sign else ''}.0e}"
    return number(value, digits, sign=sign)


def temperature(celsius: float | None, scale: Scale) -> str:
    """Write a temperature on a scale, without its unit."""
    return degrees(None if celsius is None else scale.of(celsius))


def difference(kelvin: float | None, scale: Scale, *, sign: bool = False) -> str:
    """Write a difference of temperatures on a scale, without its unit."""
    return degrees(None if kelvin is None else scale.step(kelvin), sign=sign)


def step_name(step: ResolvedStep, scale: Scale = Scale.CELSIUS) -> str:
    """Name what a step puts at the input: ``20.0``, ``open``, ``short``."""
    if step.kind is StepKind.TEMPERATURE and step.target_celsius is not None:
        return temperature(step.target_celsius, scale)
    return step.kind.value


def duration(seconds: float | None) -> str:
    """Write a time for people: ``8 s``, ``3:05``, ``2:03:00``; a dash when it is not known."""
    if seconds is None:
        return "-"
    whole = math.ceil(seconds - 1e-6)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes}:{rest:02d}"
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def bar(share: float, width: int) -> str:
    """Return a bar of exactly `width` cells."""
    filled = round(max(0.0, min(1.0, share)) * width)
    return "━" * filled + "·" * (width - filled)


# Sentences


def result_words(
    result: StepResult, scale: Scale = Scale.CELSIUS, inputs: tuple[str, str] = ("", "")
) -> Part:
    """Say what came of a step, at both `inputs` where it has two."""
    part = verdict_words(result.whole_verdict)
    step = result.step
    name = step_name(step, scale)
    name += f" {scale.unit}" if step.kind is StepKind.TEMPERATURE else ""
    if result.second is None:
        told = _came_words(result, scale)
    else:
        first, second = (one_line(one) for one in inputs)
        told = (
            f"{first or 'first input'} {_short_words(result, scale)};"
            f" {second or 'second input'} {_short_words(result.second, scale)}"
        )
    return Part(f"{part.text}  step {step.index + 1}, {name}: {told}", part.tone)


def _came_words(result: StepResult, scale: Scale) -> str:
    """Say what came in at the one input."""
    if result.reported_celsius is None or result.error_celsius is None:
        told = (result.reason or Reason.NO_READING).value
    else:
        told = (
            f"reported {temperature(result.reported_celsius, scale)}, expected"
            f" {temperature(result.step.expected_celsius, scale)},"
            f" error {difference(result.error_celsius, scale, sign=True)}"
        )
        if result.reason:
            told += f", {result.reason.value}"
    return told + _codes_words(result)


def _short_words(result: StepResult, scale: Scale) -> str:
    """Say what came in at one of two inputs, so that both fit one line."""
    if result.reported_celsius is None or result.error_celsius is None:
        told = (result.reason or Reason.NO_READING).value
    else:
        off = difference(result.error_celsius, scale, sign=True)
        told = f"{temperature(result.reported_celsius, scale)} ({off})"
        if result.reason:
            told += f", {result.reason.value}"
    return told + _codes_words(result)


def _codes_words(result: StepResult) -> str:
    return f"; {', '.join(one_line(code) for code in result.codes)}" if result.codes else ""


def made_words(found: Setting, scale: Scale) -> str:
    """Say what a value set by hand makes, and how surely."""
    if math.isinf(found.ohms):
        return "an open circuit"
    made = f"{ohms(found.ohms)} ohm ± {ohms(found.uncertainty_ohms)}"
    if found.celsius is not None:
        made += f" = {number(scale.of(found.celsius), 2)} {scale.unit}"
        if found.uncertainty_celsius is not None:
            made += f" ± {number(scale.step(found.uncertainty_celsius), 2)}"
    return made


def question_words(view: RunView, scale: Scale) -> str | None:
    """Return the open question, with its temperature on a scale; None while there is none."""
    if view.phase is not Phase.ASKING or view.prompt is None:
        return None
    return sentence_on(view.prompt.text, scale)


def driven_words(view: RunView, scale: Scale = Scale.CELSIUS) -> str:
    """Say what is at the output now."""
    if view.driving is Driving.DRIVEN:
        if view.driven_ohms is None:
            return "relays moving"
        if math.isinf(view.driven_ohms):
            return "open circuit"
        step = view.step
        if view.nudged:
            return f"{format_ohms(view.driven_ohms)}, nudged"
        if step is not None and step.kind is StepKind.SHORT:
            return f"short circuit, {format_ohms(view.driven_ohms)}"
        celsius = None if step is None else step.achieved_celsius
        made = format_ohms(view.driven_ohms)
        return made if celsius is None else f"{made} = {temperature(celsius, scale)} {scale.unit}"
    return ""


_DRIVING = {
    Driving.NOTHING: NOTHING_DRIVEN,
    Driving.UNKNOWN: Part("✗ RELAYS UNKNOWN", Tone.BAD),
    Driving.PARKED: Part("■ parked", Tone.GOOD),
    Driving.DRIVEN: Part("▶ DRIVING", Tone.ACTIVE),
}


def status_parts(
    view: RunView,
    *,
    port: str,
    now_s: float,
    alive: bool,
    stopping: bool,
    room: int = 80,
    scale: Scale = Scale.CELSIUS,
    parks_by_itself: bool = True,
    details: bool = False,
) -> tuple[Part, ...]:
    """Return the status line: driving or parked, what, the link; with details the ladder state.

    A ladder that does not park by itself is told while it is driven. The line fits `room` cells
    from 80 up; then only the port's name is shortened.
    """
    driving = _DRIVING[view.driving]
    if stopping and alive:
        driving = Part("■ STOPPING", Tone.BAD)
    elif view.driving is Driving.PARKED and view.parks_open:
        driving = Part("■ parked (open circuit)", driving.tone)
    parts = [driving]
    if driven := driven_words(view, scale):
        parts.append(Part(driven, Tone.STRONG))
    unknown = view.plan is None or view.relay_state is None
    if view.driving is not Driving.NOTHING and (details or unknown):
        parts.append(_relays(view))
    if alive and not parks_by_itself and view.driving is Driving.DRIVEN:
        parts.append(Part("no self-park", Tone.DOUBT))
    used = sum(len(part.text) + 2 for part in parts)
    parts.append(_link(view, port=port, now_s=now_s, alive=alive, room=room - used))
    return tuple(parts)


def _relays(view: RunView) -> Part:
    if view.plan is None or view.relay_state is None:
        return Part("relays not known", Tone.BAD)
    return Part(f"ladder state {view.plan.format_state(view.relay_state)}")


def _link(view: RunView, *, port: str, now_s: float, alive: bool, room: int) -> Part:
    if not port:
        return NO_LINK
    if not alive:
        return Part(short_middle(f"link closed ({one_line(port)})", room), Tone.FAINT)
    age = view.link_age_s(now_s)
    told = "no reply yet" if age is None else f"{age:.0f} s ago"
    retries = view.link.retries if view.link is not None else 0
    if retries:
        told += f", {retries} {'retry' if retries == 1 else 'retries'}"
    late = age is not None and age > 3.0
    tone = Tone.BAD if view.fault else Tone.DOUBT if late or retries else Tone.PLAIN
    full = told if age is None else f"reply {told}"
    for words in (full, told):
        left = room - len(words) - 2
        if left >= min(8, cell_len(one_line(port))):
            return Part(f"{short_middle(port, left)}: {words}", tone)
    return Part(f"link: {told}", tone)


def headline(view: RunView, name: str, *, stopping: bool = False) -> tuple[Part, ...]:
    """Return the line above a run: its name, its phase, how far it is."""
    phase = {
        Phase.WAITING: Part("○ opening the link", Tone.FAINT),
        Phase.RUNNING: Part("▶ running", Tone.ACTIVE),
        Phase.PAUSED: Part("■ PAUSED", Tone.DOUBT),
        Phase.ASKING: Part("▶ your reading", Tone.ACTIVE),
        Phase.NUDGED: Part("▶ NUDGED", Tone.DOUBT),
        Phase.FINISHED: Part("■ finished", Tone.STRONG),
    }[view.phase]
    if view.summary is not None and view.summary.ended is not Ending.COMPLETE:
        phase = Part(
            "■ stopped" if view.summary.ended is Ending.STOPPED else "✗ ENDED BY A FAULT", Tone.BAD
        )
    elif stopping and view.phase is not Phase.FINISHED:
        phase = Part("■ STOPPING", Tone.BAD)
    what = "level" if view.searching else "step"
    step = "" if view.step is None else f"{what} {view.step.index + 1} of {view.total}"
    if view.attempt > 1 and view.phase is not Phase.FINISHED:
        step += f", attempt {view.attempt}"
    parts = [Part(one_line(name), Tone.STRONG), phase]
    return (*parts, Part(step)) if step and view.phase is not Phase.FINISHED else tuple(parts)


def live_words(view: RunView, now_s: float, scale: Scale = Scale.CELSIUS) -> tuple[Part, ...]:
    """Return the line under a run's name: the newest reading against what is expected."""
    step = view.step
    if step is None or view.phase is Phase.FINISHED:
        return ()
    if view.nudged:
        return (Part(sentence_on(view.nudged, scale), Tone.DOUBT),)
    parts = [Part(f"expected {temperature(step.expected_celsius, scale)}")]
    if view.plan is not None and view.plan.second is not None:
        parts.insert(0, Part(f"{one_line(view.plan.input) or 'first input'}:"))
    if view.reported_at_s is None:
        parts.append(Part("no reading yet", Tone.FAINT))
    else:
        parts.append(
            Part(f"reported {temperature(view.reported_celsius, scale)} {scale.unit}", Tone.STRONG)
        )
        if view.reported_celsius is not None and step.expected_celsius is not None:
            off = view.reported_celsius - step.expected_celsius
            limit = step.tolerance_celsius
            inside = limit is None or abs(off) <= limit
            parts.append(
                Part(
                    f"{difference(off, scale, sign=True)}"
                    + ("" if limit is None else (" within" if inside else " OUTSIDE"))
                    + ("" if limit is None else f" ± {difference(limit, scale)}"),
                    Tone.GOOD if inside else Tone.BAD,
                )
            )
    if view.set_at_s is None:
        parts.append(Part("relays moving", Tone.FAINT))
    elif view.plan is not None:
        waited = max(0.0, now_s - view.set_at_s)
        longest = step.dwell_s + view.plan.settle.at_most_s
        if view.prompt is not None:
            parts.append(Part(f"set {duration(waited)} ago", Tone.FAINT))
        else:
            parts.append(Part(f"settling {waited:.0f} of {longest:.0f} s", Tone.FAINT))
    if view.codes:
        parts.append(Part(", ".join(one_line(code) for code in view.codes), Tone.DOUBT))
    return tuple(parts)


def facts(view: RunView, scale: Scale = Scale.CELSIUS) -> tuple[Part, ...]:
    """Return what a bench builder watches beside the table, as two lines of at most 78 cells."""
    verdicts = [result.verdict for result in view.results if result is not None]
    counts = ", ".join(
        f"{verdicts.count(verdict)} {verdict.value}"
        for verdict in (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED)
    )
    plan, link = view.plan, view.link
    moved = "" if plan is None else f"   relays moved {view.operations} of {plan.relay_operations}"
    if view.searching:  # nothing is judged by steps, and how far it goes is known at its end
        counts, moved = "", f"relays moved {view.operations}"
    here = None if view.step is None else view.step.excursion_celsius
    worst = None if plan is None else plan.worst_excursion_celsius
    health = "" if link is None else f"   link {link.retries} retries, {link.dropped} dropped"
    return (
        Part(f"{counts}{moved}", Tone.FAINT),
        Part(
            f"excursion {difference(here, scale)} here,"
            f" worst {difference(worst, scale)} {scale.unit}{health}",
            Tone.DOUBT if link is not None and (link.retries or link.dropped) else Tone.FAINT,
        ),
    )
