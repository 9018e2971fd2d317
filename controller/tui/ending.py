"""What a run has come to: the sentences of its end, and whether a sound is due.

Knows: pictures of a run.
Must not know: Textual, how sounds are made, what is found in the readings.
"""

from __future__ import annotations

from collections.abc import Iterable

from controller.measurement.model import Verdict
from controller.run.model import Ending
from controller.tui.course import found_all, late_parts
from controller.tui.engine_thread import Picture
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.sentences import sentence_on
from controller.tui.view import Phase, RunView
from controller.tui.wording import ending_words

__all__ = ["ending_parts", "worth_a_sound"]


def worth_a_sound(view: RunView, before: RunView | None) -> bool:
    """Whether a question, a fail or the end has come."""
    if before is None:
        return view.prompt is not None
    asked = view.prompt is not None and view.prompt != before.prompt
    failed = view.results is not before.results and _fails(view) > _fails(before)
    ended = view.phase is Phase.FINISHED and before.phase is not Phase.FINISHED
    return asked or failed or ended


def _fails(view: RunView) -> int:
    return sum(one is not None and one.verdict is Verdict.FAIL for one in view.results)


def ending_parts(picture: Picture, scale: Scale) -> Iterable[Part]:
    """Say how the run ended, in the order of importance; the last part is what is known now."""
    view = picture.view
    if picture.error is not None:
        yield Part(f"✗ {sentence_on(picture.error, scale)}", Tone.BAD)
    if view.fault is not None:
        yield Part(f"✗ {sentence_on(view.fault, scale)}", Tone.BAD)
    if view.summary is not None:
        part = ending_words(view.summary)
        sentence = sentence_on(view.summary.sentence, scale)
        if view.summary.ended is Ending.COMPLETE and found_all(view.course.points):
            yield Part(f"● FOUND: {sentence}", Tone.STRONG)
        else:
            yield Part(f"{part.text.upper()}: {sentence}", part.tone)
    yield from late_parts(view)
    for warning in view.warnings:
        yield Part(f"? {sentence_on(warning, scale)}", Tone.DOUBT)
    yield Part(f"Now {picture.relays.value}.", Tone.FAINT)
