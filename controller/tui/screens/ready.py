"""Before the start: what will be driven, what a healthy module reports, and the question."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual import on
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widget import Widget
from textual.widgets import Button

from controller.cautions import short_circuit_sentence
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.tui.parts import Part, Tone
from controller.tui.preparing import PACES, ReadyRun
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.widgets.picks import SignButton
from controller.tui.wording import difference, duration, step_name, temperature

__all__ = ["ReadyScreen", "extreme_parts", "ready_parts"]

_PACE_WORDS = {
    "real": "real time",
    "20x": "20 times faster (virtual time)",
    "at once": "at once (virtual time)",
}


def ready_parts(run: ReadyRun, scale: Scale = Scale.CELSIUS) -> tuple[Part, ...]:
    """Say everything a person should know before the start."""
    prepared = run.prepared
    plan, bench = prepared.resolved, prepared.bench
    where = "REAL RELAYS" if bench.drives_hardware else "simulated, nothing real moves"
    tone = Tone.DOUBT if bench.drives_hardware else Tone.GOOD
    parts = [
        Part(f"bench     {one_line(bench.name)}: {where}", tone),
        Part(f"ladder    {one_line(bench.ladder.name)}, {bench.ladder.relay_count} relays"),
        Part(f"link      {bench.link.value}{f' {one_line(bench.url)}' if bench.url else ''}"),
        Part(f"readings  {_readings(run, scale)}"),
        Part(f"sensor    {one_line(prepared.sensor.name)}"),
        Part(
            f"steps     {len(plan.steps)}, at least {duration(run.seconds)},"
            f" decision rule {plan.decision_rule.value}"
        ),
        Part(
            f"relays    {plan.relay_operations} operations, worst excursion"
            f" {difference(plan.worst_excursion_celsius, scale)} {scale.unit}"
        ),
        Part(f"record    {one_line(str(run.record))}"),
        Part(""),
        *extreme_parts(plan, scale),
        *(
            Part(f"? {one_line(warning)}", Tone.DOUBT)
            for warning in (*plan.warnings, *prepared.warnings)
        ),
    ]
    return tuple(parts)


def _readings(run: ReadyRun, scale: Scale) -> str:
    if not run.prepared.typed:
        return run.prepared.bench.readback.value
    return f"you type them, in {scale.unit} unless you write C or F"


def extreme_parts(plan: ResolvedPlan, scale: Scale = Scale.CELSIUS) -> tuple[Part, ...]:
    """Say what a short circuit draws, and what a healthy module reports on open and short."""
    short = short_circuit_sentence(plan.short_circuit_amperes, plan.most_watts)
    return (Part(short, Tone.STRONG), *_end_readings(plan.steps, scale))


def _end_readings(steps: tuple[ResolvedStep, ...], scale: Scale) -> Iterable[Part]:
    seen: set[StepKind] = set()
    for step in steps:
        if step.kind is StepKind.TEMPERATURE or step.kind in seen:
            continue
        seen.add(step.kind)
        reported = f"{temperature(step.expected_celsius, scale)} {scale.unit}"
        told = (
            f"a healthy module then reports {reported}"
            if step.expected_celsius is not None
            else "what a healthy module then reports is not known"
        )
        yield Part(f"Step {step.index + 1} puts {_article(step)} at the input; {told}.")


def _article(step: ResolvedStep) -> str:
    name = step_name(step)
    return f"an {name} circuit" if name == "open" else f"a {name} circuit"


class ReadyScreen(BenchScreen):
    """Facts and two or three buttons."""

    HELP = (
        "Read what will be driven, then start. On real equipment the cautions come first, and a"
        " plan with an open or a short circuit asks once more. The default answer is no."
    )
    ENTER = "Press the marked button"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "start(False)", "Start", tooltip="Start the run from its first step",
                id="ready.start"),
        Binding("g", "start(True)", "Go on", tooltip="Go on with the unfinished record",
                id="ready.resume"),
        Binding("v", "pace", "Pace", tooltip="Real or virtual time (simulated benches)",
                id="ready.pace"),
        Binding("escape", "app.leave", "Back", tooltip="Back to the plans", id="ready.back"),
    ]  # fmt: skip

    def __init__(self, run: ReadyRun) -> None:
        super().__init__()
        self._run = run
        self._prepared = run.prepared
        self._pace = 0

    def body(self) -> Iterable[Widget]:
        """Return the facts and the buttons."""
        yield VerticalScroll(Sentences(id="facts"), id="ready", can_focus=False)
        buttons = [
            SignButton("Back (Esc)", id="back"),
            SignButton("Start (s)", id="start", variant="primary"),
        ]
        if self._run.unfinished is not None:
            step = self._run.unfinished.first_step + 1
            buttons.append(SignButton(f"Go on at step {step} (g)", id="resume"))
        yield Horizontal(*buttons, id="buttons")

    def on_mount(self) -> None:
        """Show the facts; the safe button has the focus where real relays move."""
        self._show()
        safe = self._prepared.bench.drives_hardware
        self.query_one("#back" if safe else "#start", Button).focus()

    def _show(self) -> None:
        name = one_line(self._prepared.resolved.name)
        self.headline(Part(name, Tone.STRONG), Part("ready; nothing is driven yet", Tone.FAINT))
        parts = list(ready_parts(self._run, self.shell.scale))
        if self._prepared.simulated:
            parts.insert(8, Part(f"pace      {_PACE_WORDS[self.pace]}   (v changes it)"))
        self.query_one("#facts", Sentences).show(parts)

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self._show()

    @property
    def pace(self) -> str:
        """The pace that is picked."""
        return PACES[self._pace] if self._prepared.simulated else "real"

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Hide what there is not."""
        if action == "pace":
            return self._prepared.simulated
        if action == "start" and parameters == (True,):
            return self._run.unfinished is not None
        return True

    def action_pace(self) -> None:
        """Pick the next pace."""
        self._pace = (self._pace + 1) % len(PACES)
        self._show()

    def action_start(self, resume: bool) -> None:
        """Ask what has to be asked, then start."""
        self.shell.start_run(self._run, pace=self.pace, resume=resume)

    @on(Button.Pressed)
    def _pressed(self, event: Button.Pressed) -> None:
        if event.button.id == "back":
            self.shell.action_leave()
        else:
            self.action_start(event.button.id == "resume")
