"""Two ladders on one bench: what they may share, and whether one may wait for the other.

Knows: bench files of two ladders, how long a link may wait for an answer.
Must not know: plans, how a run feeds its ladders.
"""

from __future__ import annotations

import math

from controller.bench.can import CanSettings
from controller.bench.model import BenchFile
from controller.documents import Table
from controller.errors import InputError
from controller.links.session_link import LONGEST_EXCHANGE_S

__all__ = ["bench_of_input", "least_hold_off_ms", "pair_problems"]

_FED_AFTER = 1 / 3
"""The share of a hold-off after which a run feeds it (`controller.run.ends`)."""


def bench_of_input(bench: BenchFile, number: int) -> BenchFile:
    """Return a bench with the ladder of one input alone: 1, or 2 for that of its [second].

    Input 1 keeps the other ladder, which a run for one input leaves alone. Raises InputError when
    the bench has no second ladder.
    """
    if number == 1:
        return bench
    if bench.second is None:
        raise InputError.single(
            f"{str(bench.path or bench.name)!r} has one ladder only",
            where="--input",
            hint="leave it out, or describe the other ladder in [second] of the bench file",
        )
    return bench.second


def least_hold_off_ms() -> int:
    """Return the shortest hold-off that lasts while the other ladder answers to its last try.

    It is fed when a third of it has passed; just then the other link may begin to wait. Where both
    links fail to answer at once it may run out: then both ladders park, and the run ends.
    """
    return math.ceil(LONGEST_EXCHANGE_S * 1000 / (1 - _FED_AFTER))


def pair_problems(second: Table, first: BenchFile | None, other: BenchFile | None) -> None:
    """Note why two ladders cannot be driven in one run. None: a bench that could not be read."""
    if first is None or other is None:
        return
    root = second.document
    for bench, place in ((first, ""), (other, "second.")):
        if bench.board is not None:
            root.problem(
                f"{place}link.kind",
                "the host times every change of this board, which leaves no time for a second"
                " ladder",
                hint="both ladders of a bench need the firmware, or a simulated link",
            )
        elif bench.hold_off_ms < (least_ms := least_hold_off_ms()):
            root.problem(
                f"{place}hold_off_ms",
                f"{bench.hold_off_ms} ms may run out while the other ladder's link waits: it gives"
                f" an answer up to {LONGEST_EXCHANGE_S * 1000:.0f} ms, begun when a third of the"
                " hold-off has passed",
                hint=f"write {least_ms} or more",
            )
    if first.url is not None and first.url == other.url:
        root.problem(
            "second.link.url",
            f"both ladders cannot stand at one port, {first.url}",
            hint="`rungwise links` lists the ports",
        )
    if first.can is not None and other.can is not None:
        _one_bus_problems(second, first.can, other.can)


def _one_bus_problems(second: Table, first: CanSettings, other: CanSettings) -> None:
    """Note why two readbacks on one bus cannot ask one module in turn."""
    if first.channel != other.channel:
        return
    root = second.document
    if first.service is None or other.service is None:
        root.problem(
            "second.readback.channel",
            f"what a module broadcasts is heard for one input only on a bus: {first.channel}",
            hint='kind = "can" for both, where the module can be asked; another adapter; or'
            ' kind = "typed" for one of the two',
        )
        return
    for key in ("interface", "bitrate", "baud", "addressing", "service", "module", "silent_bus"):
        if getattr(first, key) != getattr(other, key):
            root.problem(
                f"second.readback.{key}",
                "both inputs are asked of one module on one bus: this has to be the same as in"
                " [readback]",
            )
    if first.quantity == other.quantity:
        root.problem(
            "second.readback.quantity",
            f"both inputs would be read as {first.quantity}",
            hint="name the temperature that the second input reports, such as"
            ' quantity = "intake-air"',
        )
