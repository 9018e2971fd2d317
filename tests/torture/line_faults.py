"""A healthy module over a line that goes wrong: no wrong verdict, movement, word, and no hang.

Each run is eight steps in virtual time. What a step may report is what the same step reports over
a sound line; which states may be latched is what is latched then, up to where the run ended, and
the park after it.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from torture_bench import Ran, Row, Wrap, prepared, row, run_on_line

from controller.errors import RelayKnowledge
from controller.links.channel import ChannelError
from controller.links.simulated import FaultKind, seeded_faults
from controller.run.events import StepFinished

KINDS = [kind for kind in FaultKind if kind is not FaultKind.RESET]


def ready() -> Any:
    """Return the plan of eight steps."""
    return prepared(Path(tempfile.gettempdir()) / "rungwise-torture" / "eight")


def wrong_verdicts(ran: Ran, sound: Ran) -> int:
    """Return how many verdicts were given on a reading that is not the step's."""
    true = {result.step.index: result.reported_celsius for result in sound.results}
    return sum(
        event.result.reported_celsius is not None
        and abs(event.result.reported_celsius - (true[event.result.step.index] or 0.0)) > 1.0
        for event in ran.events
        if isinstance(event, StepFinished)
    )


def wrong_movements(ran: Ran, sound: Ran) -> int:
    """Return 1 when the device latched what the sound run would not have latched there."""
    park = sound.changes[0]
    changes = ran.changes
    along = 0
    while along < min(len(changes), len(sound.changes)) and changes[along] == sound.changes[along]:
        along += 1
    return int(any(state != park for state in changes[along:]))


def false_words(ran: Ran) -> int:
    """Return 1 when the summary says of the relays what the device shows to be untrue."""
    park = ran.device.config.park_state
    state = ran.latched[-1][1]
    said = ran.summary.relays
    untrue = said is RelayKnowledge.PARKED and state != park
    untrue |= said is RelayKnowledge.NOT_DRIVEN and any(one != park for one in ran.changes)
    return int(untrue)


def judged(name: str, runs: Sequence[Ran], sound: Ran) -> list[Row]:
    """Return the row of some runs that may have gone wrong in three ways."""
    verdicts = sum(wrong_verdicts(ran, sound) for ran in runs)
    moves = sum(wrong_movements(ran, sound) for ran in runs)
    words = sum(false_words(ran) for ran in runs)
    whole = sum(len(ran.results) == len(sound.results) for ran in runs)
    exchanges = sum(ran.exchanges for ran in runs)
    faults = sum(ran.faults for ran in runs)
    return [
        row(
            f"line: {name}",
            len(runs),
            verdicts + moves + words,
            also=f"{exchanges} exchanges, {faults} faults, {whole} runs complete;"
            f" wrong verdicts {verdicts}, movements {moves}, words {words}",
        )
    ]


def one_kind(kind: FaultKind, runs: int) -> list[Row]:
    """Run with faults of one kind, 0.1 to 20 % of the sendings."""
    return _seeded(f"{kind.name.lower()}, 0.1 to 20 %", runs, [kind])


def mixed(runs: int) -> list[Row]:
    """Run with faults of every kind, 0.1 to 20 % of the sendings."""
    return _seeded("all kinds mixed, 0.1 to 20 %", runs, KINDS)


def _seeded(name: str, count: int, kinds: Sequence[FaultKind]) -> list[Row]:
    plan = ready()
    sound = run_on_line(plan)
    runs = []
    for seed in range(count):
        share = 10 ** random.Random(seed).uniform(-3, -0.7)
        hook = seeded_faults(seed, share, kinds=kinds)
        runs.append(run_on_line(plan, hook, told=seed % 4 != 0))
    return judged(name, runs, sound)


# --- lines on which something else happens --------------------------------------------------------


class Around:
    """A channel around another, on the same clock."""

    def __init__(self, channel: Any, device: Any, clock: Any, seed: int) -> None:
        self.channel, self.device, self.clock = channel, device, clock
        self.chance = random.Random(seed)
        self.port = channel.port

    def open(self) -> None:
        self.channel.open()

    def write(self, data: bytes) -> None:
        self.channel.write(data)

    def read(self, timeout_s: float) -> bytes:
        return bytes(self.channel.read(timeout_s))

    def drain(self) -> None:
        self.channel.drain()

    def close(self) -> None:
        self.channel.close()


class Babble(Around):
    """From some moment on the line never falls silent."""

    def __init__(self, *parts: Any) -> None:
        super().__init__(*parts)
        self.from_s = self.chance.uniform(0.0, 20.0)

    def read(self, timeout_s: float) -> bytes:
        if self.clock.now_s() < self.from_s:
            return super().read(timeout_s)
        self.clock.sleep_s(0.005)
        return self.chance.randbytes(58) + super().read(0.0)


class Echo(Around):
    """Whatever is sent comes back, before or in place of the answer."""

    def __init__(self, *parts: Any) -> None:
        super().__init__(*parts)
        self.echoed = b""
        self.alone = self.chance.random() < 0.3

    def write(self, data: bytes) -> None:
        self.echoed += data
        if not self.alone:
            super().write(data)

    def read(self, timeout_s: float) -> bytes:
        echoed, self.echoed = self.echoed, b""
        return echoed or super().read(timeout_s)

    def drain(self) -> None:
        self.echoed = b""
        super().drain()


class OtherProtocol(Around):
    """Something else answers each request, in lines of text, from some request on."""

    def __init__(self, *parts: Any) -> None:
        super().__init__(*parts)
        self.left = self.chance.randrange(0, 60)
        self.said = b""

    def write(self, data: bytes) -> None:
        self.left -= 1
        if self.left > 0:
            super().write(data)
        else:
            self.said = self.chance.choice(
                [b"ERROR\r\n", b"\x01\x03\x02\x00\x00\xb8\x44", b">OK\r"]
            )

    def read(self, timeout_s: float) -> bytes:
        said, self.said = self.said, b""
        return said or super().read(timeout_s)


class Slow(Around):
    """A line of 300 baud: 33 ms for each byte, both ways."""

    def __init__(self, *parts: Any) -> None:
        super().__init__(*parts)
        self.coming = b""

    def write(self, data: bytes) -> None:
        self.clock.sleep_s(len(data) / 30)
        super().write(data)

    def read(self, timeout_s: float) -> bytes:
        self.coming += super().read(0.0 if self.coming else timeout_s)
        if not self.coming:
            return b""
        self.clock.sleep_s(1 / 30)
        first, self.coming = self.coming[:1], self.coming[1:]
        return first

    def drain(self) -> None:
        self.coming = b""
        super().drain()


class Resets(Around):
    """The device loses its supply every few seconds."""

    def __init__(self, *parts: Any) -> None:
        super().__init__(*parts)
        self.next_s = self.chance.uniform(0.5, 15.0)

    def write(self, data: bytes) -> None:
        if self.clock.now_s() >= self.next_s:
            self.next_s += self.chance.uniform(1.0, 5.0)
            self.device.restart()
        super().write(data)


class Vanishing(Around):
    """The port is gone in the middle of a write, with some of it sent."""

    def __init__(self, *parts: Any) -> None:
        super().__init__(*parts)
        self.left = self.chance.randrange(1, 150)

    def write(self, data: bytes) -> None:
        self.left -= 1
        if self.left > 0:
            super().write(data)
            return
        if self.left == 0:
            super().write(data[: self.chance.randrange(len(data))])
        raise ChannelError("the port is gone")


LINES: dict[str, type[Around]] = {
    "endless babble": Babble,
    "echo": Echo,
    "another protocol": OtherProtocol,
    "300 baud": Slow,
    "a reset every few seconds": Resets,
    "port vanishing within a write": Vanishing,
}


def other_lines(name: str, runs: int, exchanges: int = 0) -> list[Row]:
    """Run over a line on which something else happens, until there were so many exchanges."""
    kind, plan = LINES[name], ready()
    sound = run_on_line(plan)

    def over(seed: int) -> Wrap:
        return lambda channel, device, clock: kind(channel, device, clock, seed)

    ran: list[Ran] = []
    while len(ran) < runs or sum(one.exchanges for one in ran) < exchanges:
        ran.append(run_on_line(plan, wrap=over(len(ran))))
    return judged(name, ran, sound)


def sets(full: bool) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: mixed(1000 if full else 16)
    for kind in KINDS:
        yield lambda kind=kind: one_kind(kind, 300 if full else 3)
    for name in LINES:
        yield lambda name=name: other_lines(name, 100 if full else 3, 20_000 if full else 0)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    return [one for made in sets(full) for one in made()]
