"""A run on the screen: steps, readings, plots, and the wishes that can be sent."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from datetime import timedelta
from typing import TYPE_CHECKING, ClassVar, cast

from textual import events, on, work
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widget import Widget
from textual.widgets import Input

from controller.bench.model import ReadbackKind
from controller.clock import RealClock
from controller.errors import InputError, RungwiseError
from controller.measurement.model import Verdict
from controller.planning.model import ResolvedStep, StepKind
from controller.session.handover import forget_told
from controller.session.nudges import Nudger
from controller.tui.course import left_s, look_parts, progress
from controller.tui.ending import worth_a_sound
from controller.tui.engine_thread import EngineThread, Picture
from controller.tui.parts import Part, Tone
from controller.tui.preparing import ReadyRun
from controller.tui.screens.run_end import RunEnd
from controller.tui.screens.said import AskLine
from controller.tui.view import Phase, RunView
from controller.tui.widgets.answer import AnswerBox, understood
from controller.tui.widgets.lines import PartsLine, Sentences
from controller.tui.widgets.steps_pane import StepsPane
from controller.tui.wording import (
    bar,
    duration,
    facts,
    headline,
    live_words,
    question_words,
    result_words,
)

if TYPE_CHECKING:
    from controller.run.intents import Standing
    from controller.run.sweep import SweepRun

__all__ = ["RunScreen"]


class RunScreen(RunEnd):
    """One run from its start to its sentence."""

    HELP = (
        "Where you type the readings: wait until the tool shows a steady value, type it, press"
        " Enter. A number alone is in the unit that is shown (F8 changes it); 83C and 181F are what"
        " they say; skip, redo and stop may be typed too. The F keys work while you type. F12 or"
        " Ctrl+C stops at once and parks the ladder."
    )
    ENTER = "Take it"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f2", "pause", "Pause/go", tooltip="Hold the relays as they are, or go on",
                id="run.pause"),
        Binding("f3", "skip", "Skip", tooltip="Leave this step without a reading",
                id="run.skip"),
        Binding("f4", "back", "Step back", tooltip="Return to the step before and repeat it",
                id="run.back"),
        Binding("f5", "redo", "Redo", tooltip="Begin this step again", id="run.redo"),
        Binding("f6", "view", "View", tooltip="Steps, curve, errors (at 80 columns)",
                id="run.view"),
        Binding("f7", "note", "Note", tooltip="Keep a remark about this step in the record",
                id="run.note"),
        Binding("ctrl+up", "nudge(1)", "Nudge up", show=False, id="run.nudge-up",
                tooltip="Put a slightly higher temperature there, unjudged; F5 goes back"),
        Binding("ctrl+down", "nudge(-1)", "Nudge down", show=False, id="run.nudge-down",
                tooltip="Put a slightly lower temperature there, unjudged; F5 goes back"),
        # Letters act only where no reading is typed, and none of them loses a step.
        Binding("p", "letter('pause')", "Pause/go", show=False, tooltip="As F2",
                id="run.pause-letter"),
        Binding("v", "letter('view')", "View", show=False, tooltip="As F6", id="run.view-letter"),
        Binding("f", "letter('failed')", "Next fail", show=False, id="run.failed",
                tooltip="Show the next step that failed"),
        Binding("escape", "leave", "Back", tooltip="Back, once the run is over", id="run.leave"),
    ]  # fmt: skip

    def __init__(self, run: ReadyRun, engine: EngineThread) -> None:
        super().__init__(
            run.prepared, engine, classes="-steps -typed" if run.prepared.typed else "-steps"
        )
        self._failed_at = -1
        self._nudger = Nudger(run.prepared)
        self._nudging = False
        self._shown: RunView | None = None
        self._doubted: int | None = None
        self._asked: tuple[int, int, int] | None = None
        self._moving = "The relays move; the question comes in a moment."
        if run.prepared.inputs.plan.profile is not None:
            self._moving = "The course goes on; nothing is typed while it does."

    def body(self) -> Iterable[Widget]:
        """Return the table, the plots and the panels."""
        yield PartsLine(id="live")
        yield PartsLine(id="progress")
        yield StepsPane(
            self._prepared.resolved,
            self._prepared.sensor,
            lambda: self._shown,
            lambda: self.shell.scale,
            lambda: self.shell.details,
            below=[
                PartsLine(id="counts", classes="watch"),
                PartsLine(id="health", classes="watch"),
            ],
        )
        yield PartsLine(id="newest")
        yield VerticalScroll(Sentences(id="ending"), id="endbox")
        if self._prepared.typed:
            yield AnswerBox(self.shell.scale, id="answer")

    def on_mount(self) -> None:
        """Show the plan before anything has happened."""
        if self._prepared.typed:
            # What is typed goes to the question, wherever somebody clicks.
            self.query_one(StepsPane).table.can_focus = False
            self.query_one(Input).focus()
        else:
            self.query_one(StepsPane).table.focus()
        self.show_picture(self._engine.picture)

    @property
    def _by_step(self) -> bool:
        """Whether a step can be left, repeated or nudged: not one of a course or a search."""
        kind, readback = self._prepared.inputs.plan.kind, self._prepared.bench.readback
        return kind.resumable and readback is not ReadbackKind.LATER

    def enter_words(self) -> str:
        """Say what Enter does: it takes a reading, where readings are typed."""
        return self.ENTER if self._prepared.typed and not self._ended else ""

    # Showing

    def show_picture(self, picture: Picture) -> None:
        """Bring the screen up to date; only what has changed is painted again."""
        view, before, now_s = picture.view, self._shown, self._engine.clock.now_s()
        self._shown = view
        name = self._prepared.resolved.name
        self.headline(*headline(view, name, stopping=picture.stopping))
        self.shell.warn_once(view.warnings)
        for refused in view.refusals[0 if before is None else len(before.refusals) :]:
            self.shell.say(refused, Tone.DOUBT)
        self._show_live(view, now_s)
        self._show_steps(view, before)
        if self._prepared.typed:
            self._show_question(picture)
        if not picture.alive and not self._ended:
            self._ended = True
            self._show_end(picture)
        if before is None or view.phase is not before.phase:
            self.refresh_bindings()
        if worth_a_sound(view, before):
            self.shell.ring()

    def show_scale(self) -> None:
        """Show every temperature anew; a number without a unit is in the new one from now on."""
        picture = self._engine.picture
        self.query_one(StepsPane).begin(picture.view.total)
        self.query_one(StepsPane).redraw_all()
        if self._prepared.typed:
            self.query_one(AnswerBox).use(self.shell.scale)
            self._show_question(picture)
        self._show_live(picture.view, self._engine.clock.now_s())
        if picture.view.newest is not None:
            words = result_words(picture.view.newest, self.shell.scale)
            self.query_one("#newest", PartsLine).show([words])
        if self._ended:
            self._tell_end()

    def _show_live(self, view: RunView, now_s: float) -> None:
        words = look_parts if view.searching and view.phase is not Phase.FINISHED else live_words
        self.query_one("#live", PartsLine).show(words(view, now_s, self.shell.scale))
        share, told = progress(view)
        left = left_s(view)
        if left is not None and left >= 1.0:
            told += (f"about {duration(left)} left",)
            if isinstance(self._engine.clock, RealClock) and view.phase is not Phase.PAUSED:
                ends = self._engine.clock.utc().astimezone() + timedelta(seconds=left)
                told += (f"until {ends:%H:%M}",)
        shown = [Part(one) for one in told]
        if not view.searching:
            width = 24 if self.size.width >= 80 else 6
            shown.insert(0, Part(bar(share, width), Tone.ACTIVE))
        self.query_one("#progress", PartsLine).show(shown)
        counts, health = facts(view, self.shell.scale)
        for name, part in (("#counts", counts), ("#health", health)):
            # Where there is no room for all, whole facts are left out: none is cut in two.
            whole = len(part.text) <= self.size.width - 2
            facts_shown = [part.text] if whole else part.text.split("   ")
            self.query_one(name, PartsLine).show([Part(one, part.tone) for one in facts_shown])

    def _show_steps(self, view: RunView, before: RunView | None) -> None:
        pane = self.query_one(StepsPane)
        if before is None:
            pane.begin(view.total)
            pane.redraw_plots()
            return
        pane.redraw_changes(before)
        if view.newest is not None and view.newest is not before.newest:
            self.query_one("#newest", PartsLine).show([result_words(view.newest, self.shell.scale)])

    def _show_question(self, picture: Picture) -> None:
        view = picture.view
        waiting = {
            Phase.WAITING: "Opening the link …",
            Phase.PAUSED: "Paused: the value stays as it is. F2 goes on.",
            Phase.NUDGED: "Beside the step no reading counts. F5 goes back to it.",
            Phase.FINISHED: "The run is over.",
        }.get(view.phase, self._moving)
        question = question_words(view, self.shell.scale)
        asking = question is not None
        box = self.query_one(AnswerBox)
        step = view.step
        new = box.ask(
            question,
            waiting,
            picture.said if asking else (),
            token=None if view.prompt is None else view.prompt.token,
            fixed_celsius=None
            if step is None or step.kind is StepKind.TEMPERATURE
            else step.expected_celsius,
            yes_or_no=view.prompt is not None and view.prompt.yes_or_no,
        )
        if new:
            self.query_one(Input).focus()
        if view.searching and view.prompt is not None and step is not None:
            before, self._asked = self._asked, (step.index, view.attempt, view.prompt.token)
            if before is not None and before[:2] == self._asked[:2] and before != self._asked:
                box.refuse("That was too early: a level has to stand before it counts.")
        box.display = picture.alive

    def _show_end(self, picture: Picture) -> None:
        view = picture.view
        if self._left_nothing:
            forget_told(self.shell.record_path)
        self.query_one("#endbox").add_class("-shown")
        self._tell_end()
        self.query_one("#newest", PartsLine).display = False
        table = self.query_one(StepsPane).table
        table.can_focus = True
        table.focus()
        self.refresh_bindings()
        if view.fault is None and any(result is not None for result in view.results):
            self.run_worker(self._look_further(), exit_on_error=False)

    # Wishes

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what makes sense now."""
        if action in ("skip", "back", "redo", "nudge"):
            return not self._ended and self._by_step
        if action in ("pause", "note"):
            return not self._ended
        if action == "letter":
            return self._ended or not self._prepared.typed
        if action == "leave":
            return self._ended
        return super().check_action(action, parameters)

    @property
    def _run(self) -> SweepRun | None:
        return cast("SweepRun | None", self._engine.job)

    def on_key(self, event: events.Key) -> None:
        """Give what is typed to the question, and the table's keys to the table."""
        if not self._prepared.typed or self._ended:
            return
        field, table = self.query_one(Input), self.query_one(StepsPane).table
        if event.is_printable and event.character is not None and not field.has_focus:
            event.stop()
            field.focus()
            field.insert_text_at_cursor(event.character)
        elif event.key in ("pageup", "pagedown"):
            event.stop()
            table.action_page(-1 if event.key == "pageup" else 1)

    def action_letter(self, action: str) -> None:
        """Do what a letter stands for while no reading is typed."""
        if action == "pause" and not self._ended:
            self.action_pause()
        elif action == "view":
            self.action_view()
        elif action == "failed":
            self.action_failed()

    def action_failed(self) -> None:
        """Show the next step that failed, and after the last the first again."""
        view = self._engine.picture.view
        failed = [
            index
            for index, result in enumerate(view.results)
            if result is not None and result.verdict is Verdict.FAIL
        ]
        if not failed:
            self.shell.say("No step has failed.")
            return
        self._failed_at = next((i for i in failed if i > self._failed_at), failed[0])
        self.query_one(StepsPane).table.bring(self._failed_at)
        result = view.results[self._failed_at]
        if result is not None and not self._ended:
            self.query_one("#newest", PartsLine).show([result_words(result, self.shell.scale)])

    @work(exclusive=True, group="note", exit_on_error=False)
    async def action_note(self) -> None:
        """Ask for a remark about this step; the run goes on meanwhile."""
        step = self._engine.picture.view.step
        about = "this run" if step is None else f"step {step.index + 1}"
        text = await self.shell.push_screen_wait(AskLine(f"Note on {about}", "what you saw"))
        if text is None:
            return
        if self._engine.note(f"{about}: {text}"):
            self.shell.say(f"Noted on {about}.")
        else:
            self.shell.say("The run is over: m keeps a note beside its record.", Tone.DOUBT)

    def action_pause(self) -> None:
        """Pause, or go on."""
        if self._run is not None:
            paused = self._shown is not None and self._shown.phase is Phase.PAUSED
            (self._run.resume if paused else self._run.pause)()

    def action_skip(self) -> None:
        """Leave the step."""
        self._wish(lambda run, about: run.skip(about))

    def action_back(self) -> None:
        """Return to the step before."""
        self._wish(lambda run, about: run.back(about))

    def action_redo(self) -> None:
        """Begin the step again."""
        self._wish(lambda run, about: run.redo(about))

    @work(group="nudge", exit_on_error=False)
    async def action_nudge(self, direction: int) -> None:
        """Put a value a little beside the step's at the output; nothing is judged there."""
        run = self._run
        if run is None or self._nudging:
            return
        was_paused = run.is_paused()  # the newest picture may show a pause that is over
        self._nudging = True
        try:
            run.pause()  # else the step could be over before the value is found
            step, start, about = await self._standing()
            beside = await self.in_background(lambda: self._nudger.beside(step, start, direction))
            self._wish(lambda run, _: run.nudge(beside, about))
        except RungwiseError as error:
            self.shell.say(str(error), Tone.DOUBT)
            if not was_paused:
                run.resume()
        finally:
            self._nudging = False

    async def _standing(self) -> tuple[ResolvedStep, int, Standing]:
        """Return the step under way, the state that is latched and the attempt, once it stands."""
        for _ in range(100):
            view = self._engine.picture.view
            if view.phase is Phase.PAUSED:
                if view.step is None or view.set_at_s is None or view.set_state is None:
                    break
                return view.step, view.set_state, (view.step.index, view.attempt)
            await asyncio.sleep(0.02)
        raise InputError.single(
            "the relays move", hint="go on with F2 if it is paused, and nudge once the value stands"
        )

    def _wish(self, wish: Callable[[SweepRun, Standing], bool]) -> None:
        """Ask for another step than the one on the screen; what stands half typed was for that."""
        run, view = self._run, self._shown
        if run is None or view is None or view.step is None:
            self.shell.say("No step is under way yet.", Tone.DOUBT)
            return
        if not wish(run, (view.step.index, view.attempt)):
            self.shell.say("That came too late: the run is over.", Tone.DOUBT)
        elif self._prepared.typed:
            self.query_one(AnswerBox).withdraw()

    def action_view(self) -> None:
        """Show another of steps, curve and errors."""
        self.query_one(StepsPane).next_view()

    def action_leave(self) -> None:
        """Go back, once nothing is driven."""
        self.shell.action_leave()

    @on(AnswerBox.Given)
    def _given(self, message: AnswerBox.Given) -> None:
        prompt = self._engine.picture.view.prompt
        if prompt is None or prompt.token != message.token:
            # The run has gone on while the old question was still on the screen.
            self.query_one(AnswerBox).refuse(
                f"{message.text} came after its question had gone and was not taken."
            )
            return
        if self._would_end_in_doubt(message.text):
            self.query_one(AnswerBox).doubt(
                message.text,
                "This reading ends the run, and something is out of tolerance: Enter once more"
                " takes it and parks; F4 goes back a step, F5 begins this one again.",
            )
            return
        self._engine.answer(message.text)

    def _would_end_in_doubt(self, text: str) -> bool:
        """Whether a reading would end a run in which a step may be worth repeating; asks once."""
        view, asked = self._shown, self._doubted
        if view is None or view.step is None or view.prompt is None or view.searching:
            return False
        self._doubted = view.prompt.token
        celsius = understood(text, self.shell.scale)
        last = view.step.index == view.total - 1
        if not last or celsius is None or asked == view.prompt.token:
            return False
        step = view.step
        off = step.expected_celsius is not None and abs(celsius - step.expected_celsius) > (
            step.tolerance_celsius or 0.0
        )
        return off or any(r is not None and r.verdict is not Verdict.PASS for r in view.results)
