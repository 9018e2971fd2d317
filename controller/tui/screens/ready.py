"""Before the start: what will be driven, what a healthy module reports, and the question."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar

from textual import on, work
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.widget import Widget
from textual.widgets import Button

from controller.cautions import SEARCH_CAUTION, short_circuit_sentence
from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
from controller.tui.hookup import hookup_parts
from controller.tui.parts import Part, Tone
from controller.tui.preparing import PACES, ReadyRun
from controller.tui.scale import Scale
from controller.tui.screens.base import BenchScreen
from controller.tui.screens.said import SaidForm, said_words
from controller.tui.sentences import sentence_on
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


def ready_parts(
    run: ReadyRun, scale: Scale = Scale.CELSIUS, *, details: bool = False, pace: str = ""
) -> tuple[Part, ...]:
    """Say everything a person should know before the start: what to plug where comes first."""
    prepared = run.prepared
    plan, bench = prepared.resolved, prepared.bench
    real = bench.drives_hardware
    where = "REAL RELAYS" if real else "simulated, nothing real moves"
    link = f", {one_line(bench.url)}" if bench.url and real else ""
    parts: list[Part] = []
    if real or prepared.typed:
        parts += hookup_parts(plan.steps, scale, typed=prepared.typed, real=real)
    parts += [
        *([Part(SEARCH_CAUTION, Tone.DOUBT)] if prepared.inputs.plan.search is not None else ()),
        *extreme_parts(plan, scale),
        Part(f"bench     {one_line(bench.name)}: {where}{link}", Tone.DOUBT if real else Tone.GOOD),
        Part(f"sensor    {one_line(prepared.sensor.name)}"),
        Part(f"readings  {_readings(run, scale)}"),
        Part(f"steps     {_steps(run)}"),
        Part(f"relays    {_relays(plan, scale)}"),
        Part(f"record    {one_line(str(run.record))}"),
    ]
    if pace:
        parts.append(Part(f"pace      {pace}   (v changes it)"))
    if details:
        parts += [
            Part(f"ladder    {one_line(bench.ladder.name)}, {bench.ladder.relay_count} relays"),
            Part(f"link      {bench.link.value}"),
            Part(f"judged    decision rule {plan.decision_rule.value}, uncertainties with k=2"),
        ]
    if run.unsound:
        parts.append(Part(f"✗ self-test {sentence_on(run.unsound, scale)}", Tone.BAD))
    else:
        tested = run.self_tested or "not made for this run   (t makes it)"
        parts.append(Part(f"self-test {sentence_on(tested, scale)}", Tone.FAINT))
    parts.append(Part(f"about     {said_words(run.told).text}   (m writes it)", Tone.FAINT))
    parts += [
        Part(f"? {sentence_on(warning, scale)}", Tone.DOUBT)
        for warning in (*plan.warnings, *prepared.warnings)
    ]
    return tuple(parts)


def _steps(run: ReadyRun) -> str:
    search, count = run.prepared.inputs.plan.search, len(run.prepared.resolved.steps)
    if search is not None:
        way = "one way" if search.one_way else "there and back"
        return f"{count} levels, searched {way}; each look takes {duration(search.wait_s)} or more"
    return f"{count}, at least {duration(run.seconds)}"


def _relays(plan: ResolvedPlan, scale: Scale) -> str:
    worst = difference(plan.worst_excursion_celsius, scale)
    told = f"{plan.relay_operations} operations, worst excursion {worst} {scale.unit}"
    if plan.lower_bound_celsius is not None and plan.worst_excursion_celsius:
        told += f" (no order could keep below {difference(plan.lower_bound_celsius, scale)})"
    return told


def _readings(run: ReadyRun, scale: Scale) -> str:
    if not run.prepared.typed:
        return run.prepared.bench.readback.value
    return f"you type them; a number alone is {scale.unit}"


def extreme_parts(plan: ResolvedPlan, scale: Scale = Scale.CELSIUS) -> tuple[Part, ...]:
    """Say what a short circuit draws, and what a healthy module reports on open and short."""
    short = short_circuit_sentence(plan.short_circuit_amperes, plan.most_watts)
    return (Part(short, Tone.STRONG), *_end_readings(plan.steps, scale))


def _end_readings(steps: Sequence[ResolvedStep], scale: Scale) -> Iterable[Part]:
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
        " plan with an open or a short circuit asks once more. The default answer is no. t tests"
        " the ladder first: one that failed its last self-test is not run."
    )
    ENTER = "Press"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "start(False)", "Start", tooltip="Start the run from its first step",
                id="ready.start"),
        Binding("g", "start(True)", "Go on", tooltip="Go on with the unfinished record",
                id="ready.resume"),
        Binding("v", "pace", "Pace", tooltip="Real or virtual time (simulated benches)",
                id="ready.pace"),
        Binding("m", "said", "Machine, codes", id="ready.said",
                tooltip="Write down machine, codes before and a note; all may stay empty"),
        Binding("t", "self_test", "Self-test", id="ready.self-test",
                tooltip="Move every relay and measure the ladder before the run"),
        Binding("pageup", "scroll(-1)", "Up", show=False, tooltip="Scroll what is said"),
        Binding("pagedown", "scroll(1)", "Down", show=False, tooltip="Scroll what is said"),
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
        pace = _PACE_WORDS[self.pace] if self._prepared.simulated else ""
        parts = ready_parts(self._run, self.shell.scale, details=self.shell.details, pace=pace)
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

    def action_scroll(self, pages: int) -> None:
        """Scroll what is said."""
        facts = self.query_one("#ready", VerticalScroll)
        (facts.scroll_page_down if pages > 0 else facts.scroll_page_up)(animate=False)

    @work(exclusive=True, group="said", exit_on_error=False)
    async def action_said(self) -> None:
        """Ask for what only a person knows."""
        told = await self.shell.push_screen_wait(SaidForm(self._run.told))
        if told is not None:
            self._run = replace(self._run, told=told)
            self._show()

    def action_self_test(self) -> None:
        """Ask what has to be asked, then test the ladder."""
        self.shell.self_test(self._run, self._tested)

    def _tested(self, run: ReadyRun) -> None:
        self._run = replace(run, told=self._run.told)
        self._prepared = run.prepared
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
