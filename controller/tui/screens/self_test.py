"""The self-test of a ladder before a run: that it goes on, and what it has found.

Knows: the engine that tests, who wants to know of its end.
Must not know: how a ladder is tested, what refuses a run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widget import Widget

from controller.errors import RungwiseError
from controller.measurement.model import Verdict
from controller.run.model import Ending
from controller.tui.engine_thread import EngineThread, Picture
from controller.tui.parts import Part, Tone
from controller.tui.preparing import ReadyRun
from controller.tui.screens.base import BenchScreen, refusal
from controller.tui.sentences import sentence_on
from controller.tui.text import one_line
from controller.tui.widgets.lines import Sentences
from controller.tui.wording import verdict_words

if TYPE_CHECKING:
    from controller.run.model import RunSummary

__all__ = ["SelfTestScreen"]

_LOOK_S = 0.25


class SelfTestScreen(BenchScreen):
    """What has been done so far, and the sentence at the end."""

    HELP = (
        "Every relay is moved and read back, every rung measured where the bench has what it"
        " takes. Esc ends the test, parks and goes back to the plan."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Park, back", tooltip="End the test, park and go back",
                id="self-test.leave"),
    ]  # fmt: skip

    def __init__(
        self,
        run: ReadyRun,
        engine: EngineThread,
        done: Callable[[ReadyRun], None],
        *,
        replug: bool,
    ) -> None:
        super().__init__()
        self._run = run
        self._engine = engine
        self._done = done
        self._replug = replug
        self._kept = False
        self._refused: tuple[Part, ...] = ()

    def body(self) -> Iterable[Widget]:
        """Return what is watched."""
        yield VerticalScroll(Sentences(id="watched"), can_focus=False)

    def on_mount(self) -> None:
        """Look at the test now and then."""
        name = one_line(self._run.prepared.bench.ladder.name)
        self.headline(Part("Self-test", Tone.STRONG), Part(name))
        self.set_interval(_LOOK_S, self._look)
        self._look()

    def action_leave(self) -> None:
        """Park, go back."""
        self._engine.stop()
        self.shell.action_leave()

    def show_picture(self, picture: Picture) -> None:  # noqa: ARG002 - it is the engine's own
        """Show what is known now."""
        self._look()

    def show_scale(self) -> None:
        """Show every temperature anew."""
        self._look()

    def _look(self) -> None:
        picture = self._engine.picture
        summary = picture.view.summary
        if not picture.alive and not self._kept:
            self._kept = True
            self._keep(summary)
            self.shell.ring()
        told = [Part(f"· {sentence_on(note, self.shell.scale)}") for note in picture.view.notes]
        self.query_one("#watched", Sentences).show(
            [*told, *self._state(picture, summary), *self._refused]
        )

    def _keep(self, summary: RunSummary | None) -> None:
        """Keep the result for this run and for those to come."""
        from controller.session.self_test_first import self_test_note
        from controller.session.session import bench_warnings

        session = self._engine.session
        if session is None or summary is None or summary.ended is not Ending.COMPLETE:
            return
        unsound, said = self._run.unsound, None
        try:
            said = self_test_note(session, despite=False)
            if summary.verdict is Verdict.PASS:
                unsound = ""
        except RungwiseError as error:
            if summary.verdict is not Verdict.FAIL:
                self._refused = refusal(error, self.shell.scale)  # the result cannot be kept
                return
            unsound = summary.sentence
        prepared = self._run.prepared
        prepared = replace(prepared, warnings=bench_warnings(prepared.bench))
        self._done(replace(self._run, prepared=prepared, self_tested=said, unsound=unsound))

    def _state(self, picture: Picture, summary: RunSummary | None) -> Iterable[Part]:
        fault = picture.view.fault or picture.error
        if fault is not None:
            yield Part(f"✗ {sentence_on(fault, self.shell.scale)}", Tone.BAD)
            yield Part(picture.relays.value, Tone.BAD)
        if picture.alive:
            yield Part("▶ testing; the relays move", Tone.ACTIVE)
        elif summary is not None:
            yield verdict_words(summary.verdict)
            yield Part(sentence_on(summary.sentence, self.shell.scale), Tone.STRONG)
            if summary.verdict is Verdict.FAIL:
                yield Part("The run is refused: mend the ladder and test it again.", Tone.BAD)
        if not picture.alive:
            if self._replug:
                yield Part("Disconnect the meter, then plug the ladder into the module.")
            yield Part("Esc goes back to the plan.", Tone.FAINT)
