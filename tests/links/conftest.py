"""Practice boards for the links: behind a real pseudo-terminal, or in memory on a virtual clock."""

from __future__ import annotations

import random
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import pytest

from controller.bench.default import default_ladder
from controller.clock import Clock, RealClock, VirtualClock
from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import Ladder, PathStep
from controller.links.ascii_coils import AsciiCoils
from controller.links.boards import AsciiBoard, Board, ModbusBoard, coils_of
from controller.links.channel import ChannelError
from controller.links.host_timed import HostTimedLink
from controller.practice.__main__ import PracticePort
from controller.practice.board import Board as Practice
from controller.practice.board import Faults, Outputs
from controller.practice.languages import ModbusLanguage, TextLanguage

OUTPUTS = 20
QUICK = {"outputs": OUTPUTS, "step_ms": 500, "answer_s": 0.03, "wait_out_s": 0.05}
WORDS = {
    "set": "quay put {hex}",
    "set_reply": "quay took {hex}",
    "read": "quay tell",
    "read_reply": "quay has {hex}",
    "identify": "quay who",
    "identify_reply": "quay is {name}",
}


class MemoryChannel:
    """A channel to a practice board on a virtual clock; answers keep their order."""

    port = "memory"

    def __init__(self, board: Practice, clock: VirtualClock) -> None:
        self.board = board
        self._clock = clock
        self._line: deque[tuple[float, bytes]] = deque()
        self._gone = False

    def open(self) -> None:
        self._gone = False

    def write(self, data: bytes) -> None:
        self._need()
        for answer in self.board.receive(data):
            self._gone = self._gone or answer.gone
            at_s = self._clock.now_s() + 0.001 + answer.delay_s
            if answer.data:
                self._line.append((max([at_s, *(s for s, _ in self._line)]), answer.data))
        self._need()

    def read(self, timeout_s: float) -> bytes:
        self._need()
        now_s = self._clock.now_s()
        next_s = self._line[0][0] if self._line else now_s + timeout_s
        self._clock.sleep_s(min(max(next_s - now_s, 0.0), timeout_s))
        got = b""
        while self._line and self._line[0][0] <= self._clock.now_s():
            got += self._line.popleft()[1]
        return got

    def drain(self) -> None:
        self.read(0.0)

    def close(self) -> None:
        pass

    def _need(self) -> None:
        if self._gone:
            raise ChannelError("the port is gone")


@dataclass
class Rig:
    """A link and the board at its other end."""

    link: HostTimedLink
    practice: Practice
    ladder: Ladder
    clock: Clock

    def states(self, *states: int, hold_ms: int = 1) -> list[PathStep]:
        return [PathStep(state=state, hold_ms=hold_ms) for state in states]

    def wrong(self) -> bool:
        """Return whether the link believes of the relays what is not so."""
        true = self.practice.outputs.state
        if self.link.relays is RelayKnowledge.PARKED:
            return true != self.ladder.park_state
        return self.link.relays is RelayKnowledge.KNOWN and true != self.link._state


def ascii_rig(kinds=(), *, late_s=0.12, every=10, seed=1, link=HostTimedLink, coils=AsciiCoils,
              **more: Any) -> Rig:  # fmt: skip
    """Return a board of text lines in memory, on a virtual clock."""
    clock, ladder = VirtualClock(), default_ladder()
    practice = Practice(
        Outputs(OUTPUTS), TextLanguage(), Faults(kinds, every=every, seed=seed, late_s=late_s)
    )
    board = AsciiBoard(url="memory", **{**QUICK, **WORDS, **more})
    made = coils(board, clock, channel=MemoryChannel(practice, clock))
    return Rig(link(made, board, ladder, clock), practice, ladder, clock)


def exchanged(rig: Rig, count: int, seed: int = 1) -> tuple[int, int, int]:
    """Set states, feed and park at random until there were so many requests.

    Returns how many beliefs were wrong, how many faults there were, and how many sets. A board
    that has failed is opened anew, and what was stuck is freed.
    """
    chance = random.Random(seed)
    wrong = faults = sets = 0
    opened = False
    while rig.practice.handled < count:
        try:
            if not opened:
                rig.link.open()
                opened = True
            what = chance.random()
            if what < 0.7:
                state = chance.randrange(1 << rig.ladder.relay_count)
                status = rig.link.apply(rig.states(state))
                assert status.state == state
                sets += 1
            elif what < 0.9:
                rig.link.feed()
            else:
                rig.link.park()
        except LinkError:
            faults += 1
            wrong += rig.wrong()
            rig.practice.outputs.stuck = 0
            opened = chance.random() < 0.5 and opened and rig.link._is_open
        wrong += rig.wrong()
    return wrong, faults, sets


@pytest.fixture
def rigs() -> Iterator[SimpleNamespace]:
    """Make rigs: `memory(...)` on a virtual clock, `port(kind, ...)` at a pseudo-terminal."""
    served: list[tuple[PracticePort, threading.Thread]] = []
    links: list[HostTimedLink] = []

    def port(kind: str, kinds=(), *, late_s=0.12, every=10, seed=1, outputs=OUTPUTS,
             coils: Callable[[Board, Clock], Any] = coils_of, **more: Any) -> Rig:  # fmt: skip
        language = ModbusLanguage() if kind == "modbus-rtu" else TextLanguage()
        faults = Faults(kinds, every=every, seed=seed, late_s=late_s)
        practice = Practice(Outputs(outputs), language, faults)
        at = PracticePort(practice)
        thread = threading.Thread(target=at.serve, daemon=True)
        thread.start()
        served.append((at, thread))
        settings = {**QUICK, "url": at.path, "baud": 115200, **more}
        board: Board = (
            ModbusBoard(**settings) if kind == "modbus-rtu" else AsciiBoard(**{**WORDS, **settings})
        )
        clock, ladder = RealClock(), replace(default_ladder())
        link = HostTimedLink(coils(board, clock), board, ladder, clock)
        links.append(link)
        return Rig(link, practice, ladder, clock)

    yield SimpleNamespace(
        memory=ascii_rig, port=port, exchanged=exchanged, outputs=OUTPUTS, words=WORDS, quick=QUICK
    )
    for link in links:
        link._close_coils()
    for at, thread in served:
        if thread.is_alive():
            at.stop()
            thread.join(5)
