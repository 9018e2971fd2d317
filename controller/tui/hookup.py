"""The hook-up before the first question: what is plugged where, and what will be driven in order.

Knows: steps of a plan, who reads what the module reports.
Must not know: Textual, links.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.planning.model import ResolvedStep
from controller.tui.parts import Part, Tone
from controller.tui.scale import Scale
from controller.tui.wording import step_name

__all__ = ["hookup_parts", "order_words"]

_PICTURE = (
    "  sensor ──╳   unplugged, left off",
    "              ┌────────┐",
    "  module ─────┤ ladder ├───── sensor's ground pin",
    "              └────────┘",
)
_TOOL = "  tool ─────── diagnostic socket, shows the reading"


def hookup_parts(
    steps: Sequence[ResolvedStep], scale: Scale, *, typed: bool, real: bool
) -> tuple[Part, ...]:
    """Return the hook-up in a picture and in words."""
    practice = "" if real else " (for practice: this ladder is simulated)"
    told = [
        Part(f"Hook-up{practice}", Tone.STRONG),
        *(Part(line) for line in _PICTURE),
    ]
    if typed:
        told.append(Part(_TOOL))
    told.append(Part("1. Unplug the sensor; plug the ladder into the harness in its place."))
    if typed:
        told.append(Part("2. Connect the tool; you type what it shows at each step."))
    told.append(Part(f"{2 + typed}. Driven, in this order: {order_words(steps, scale)}."))
    return tuple(told)


def order_words(steps: Sequence[ResolvedStep], scale: Scale, most: int = 8) -> str:
    """Return what is driven in which order."""
    names = [
        f"{step_name(step, scale)} {scale.unit if step.target_celsius is not None else 'circuit'}"
        for step in steps[:most]
    ]
    more = f", and {len(steps) - most} more, the last {step_name(steps[-1], scale)}"
    return ", ".join(names) + (more if steps[most:] else "")
