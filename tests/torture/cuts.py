"""A host that dies at any instant: the ladder parks by itself, and the run can be gone on with.

As with SIGKILL nothing runs any more at the host: what it would still send is swallowed, and the
record is let go of as it stands, in a third of the cases with its last line torn. The instants are
every waiting and every sending of a whole run, taken evenly.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from torture_bench import HOLD_OFF_MS, Row, opened_by, prepared, row

from controller.clock import VirtualClock
from controller.links.simulated import Direction, SimulatedChannel, SimulatedDevice
from controller.planning import resolve
from controller.records.decode import results_of
from controller.records.reader import load_record
from controller.session.jobs import sweeping
from controller.session.session import Session

LATE_MS = 50.0
STEPS = 8


class Killed(BaseException):
    """The process is no more."""


class Death:
    """Counts the instants of a run, and ends it at one of them."""

    def __init__(self, at: int | None) -> None:
        self.at = at
        self.instants = 0
        self.spoken_s = 0.0
        self.dead = False
        self.clock = MortalClock(self)
        self.latched: list[tuple[float, int]] = []
        self.channel: SimulatedChannel | None = None
        self.device: SimulatedDevice | None = None
        self.writer: Any = None

    def pass_by(self) -> None:
        """One more instant; the last one, perhaps."""
        if self.dead:
            return
        self.instants += 1
        if self.instants == self.at:
            self.dead = True
            if self.channel is not None:
                self.channel.muted = True
            if self.writer is not None:
                self.writer.close()
            raise Killed

    def wire(self, channel: SimulatedChannel, device: SimulatedDevice) -> None:
        """Listen to what the device latches and to what reaches it."""
        self.channel, self.device = channel, device
        told = device._on_latch
        assert told is not None

        def latch(at_s: float, state: int) -> None:
            self.latched.append((at_s, state))
            told(at_s, state)

        device._on_latch = latch

    def strike(self, direction: Direction, _index: int, _data: bytes) -> None:
        """Take a sending for an instant."""
        if direction is Direction.TO_DEVICE:
            self.pass_by()
            self.spoken_s = self.clock.now_s()


class MortalClock(VirtualClock):
    """A clock whose waiting may be the last."""

    def __init__(self, death: Death) -> None:
        super().__init__()
        self._death = death

    def sleep_s(self, seconds: float) -> None:
        self._death.pass_by()
        super().sleep_s(seconds)


def ready() -> Any:
    """Return the plan of eight steps."""
    return prepared(Path(tempfile.gettempdir()) / "rungwise-torture" / "eight", STEPS)


@contextmanager
def resolving_once() -> Iterator[None]:
    """Resolve the rest of the plan once for each first step: that is not what is tried here."""
    resolve_on = resolve.resolve_on
    known: dict[int, Any] = {}

    def resolved(plan: Any, bench: Any, *, first_step: int = 0, **others: Any) -> Any:
        if first_step not in known:
            known[first_step] = resolve_on(plan, bench, first_step=first_step, **others)
        return known[first_step]

    resolve.resolve_on = resolved
    try:
        yield
    finally:
        resolve.resolve_on = resolve_on


def lived(path: Path, at: int | None, *, resume: bool = False) -> Death:
    """Run, or go on with a run, until its end or its death."""
    death = Death(at)
    with opened_by(line_faults=death.strike, on_channel=death.wire), suppress(Killed):
        death.writer = None
        setup = sweeping(ready(), record=path, pace="fast", clock=death.clock, resume=resume)
        death.writer = setup.record
        with closing(Session(setup)) as session:
            for _ in session.events():
                pass
    return death


def _numbers(path: Path) -> list[tuple[Any, ...]]:
    return [
        (r.step.index, r.step.state, r.reported_celsius, r.verdict, r.settled, r.codes)
        for r in results_of(load_record(path))
    ]


def cut(folder: Path, at: int, sound: list[tuple[Any, ...]], *, seed: int) -> list[str]:
    """Kill a run at an instant and go on with it; return what was wrong."""
    chance, wrong = random.Random(seed), []
    path = folder / f"{at}.jsonl"
    death = lived(path, at)
    if death.device is not None:
        VirtualClock.sleep_s(death.clock, HOLD_OFF_MS / 1000 + 1.0)  # the device goes on
        park = death.device.config.park_state
        if death.device.state != park:
            wrong.append("not parked")
        elif len(death.latched) > 1:
            late_ms = (death.latched[-1][0] - death.spoken_s) * 1000 - HOLD_OFF_MS
            if late_ms > LATE_MS:
                wrong.append(f"parked {late_ms:.0f} ms late")
    if not path.exists():
        return wrong
    data = path.read_bytes()
    if seed % 3 == 0:
        last = data.rfind(b"\n", 0, len(data) - 1) + 1
        if last:
            path.write_bytes(data[: chance.randrange(last, len(data))])
    before = load_record(path)
    if before.broken is not None or before.whole_bytes == 0:
        wrong.append("record not whole")
    if before.first_unfinished < STEPS:
        lived(path, None, resume=True)
    if _numbers(path) != sound:
        wrong.append("resumed to something else")
    path.unlink()
    return wrong


def killed(count: int, folder: Path) -> list[Row]:
    """Kill at so many instants of a run, evenly; where it has fewer, more than once with tears."""
    undisturbed = folder / "sound.jsonl"
    instants = lived(undisturbed, None).instants
    sound = _numbers(undisturbed)
    chosen = [1 + (number * instants) // count for number in range(count)]
    with resolving_once():
        found = [
            wrong
            for number, at in enumerate(chosen)
            for wrong in cut(folder, at, sound, seed=number)
        ]
    return [
        row(
            "host killed, virtual time, resumed",
            count,
            len(found),
            also=f"{len(set(chosen))} of {instants} instants of a run; parked within hold-off"
            f" + {LATE_MS:g} ms" + (f"; {sorted(set(found))[:3]}" if found else ""),
        )
    ]


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: killed(1000 if full else 16, folder)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
