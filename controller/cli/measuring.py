"""Setting states one after the other while a person reads an ohm meter.

Knows: how a state is driven and held, what may be typed, that each reading is kept at once.
Must not know: how the states were chosen, what becomes of the readings.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import numpy as np

from controller.bench.files import BenchFile, load_bench
from controller.bench.opened import Bench
from controller.bench.wear import bench_wear_warnings, wear_file
from controller.cautions import METER_CAUTION
from controller.cli.confirm import confirm_cautions
from controller.cli.signals import stopping_by
from controller.cli.weighing import COLUMNS
from controller.clock import Clock, RealClock
from controller.errors import ExitCode, InputError
from controller.ladder.calibration import Instrument
from controller.ladder.electrical import state_ohms
from controller.ladder.model import Ladder, PathStep
from controller.planning.single_value import router_by_ohms
from controller.readback.lines import StdinLines
from controller.readback.typed import LineSource
from controller.run.health import require_health, require_ladder
from controller.run.intents import Intents
from controller.run.pieces import in_pieces
from controller.text import clean, ohms
from controller.units import parse_ohms

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["measure_states"]

_LOOK_EVERY_S = 0.02
_DOUBTFUL_SHARE, _DOUBTFUL_OHMS = 0.1, 2.0
"""A reading further from the expected one than this has to be confirmed."""
_HELP = "type the meter's ohms (2500, 2.5k), or skip, or stop"


def measure_states(
    output: Output,
    ladder: Ladder,
    states: Sequence[int],
    meter: Instrument,
    *,
    bench_path: Path,
    save: Path,
    yes: bool,
) -> ExitCode:
    """Set the states on a bench and keep what is typed for each in the new file `save`.

    Returns PASS when all were gone through, INTERRUPTED when the person stopped; the ladder is
    parked either way. Raises InputError before anything is driven, LinkError after.
    """
    bench = load_bench(bench_path)
    if (bench.nominal_ladder or bench.ladder) != ladder:
        raise InputError.single(
            f"this bench drives another ladder: {bench.ladder.name!r}", where=str(bench_path)
        )
    output.warn(METER_CAUTION)
    if bench.drives_hardware:
        confirm_cautions(output, amperes=None, watts=None, yes=yes)
    wear_path = wear_file(os.environ)
    for sentence in bench_wear_warnings(bench, wear_path):
        output.warn(f"Note: {sentence}")
    from controller.bench.wiring import open_bench

    clock = RealClock()
    try:
        file = save.open("x", encoding="utf-8")
    except FileExistsError:
        raise InputError.single("this file exists already", where=str(save)) from None
    except OSError as error:
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(save)) from None
    with (
        file,
        closing(open_bench(bench, clock, write=output.warn, wear_path=wear_path)) as opened,
    ):
        _keep(file, f"# {clean(ladder.name)}, typed at the bench\n{COLUMNS}\n")
        guide = _Guide(bench, opened, clock, output, file, meter)
        with stopping_by(guide.intents.stop):
            complete = guide.through(states)
        relays = opened.link.relays.value
    if complete:
        output.warn(f"Measured; {relays}. The readings are in {save}.")
        return ExitCode.PASS
    output.warn(f"Stopped; {relays}. What was measured so far is in {save}.")
    output.document({"ended": "stopped", "relays": relays, "readings": str(save)})
    return ExitCode.INTERRUPTED


class _Guide:
    """Leads a person through the states."""

    def __init__(
        self,
        bench_file: BenchFile,
        bench: Bench,
        clock: Clock,
        output: Output,
        file: TextIO,
        meter: Instrument,
    ) -> None:
        self.intents = Intents()
        self._bench = bench
        self._clock = clock
        self._output = output
        self._file = file
        self._meter = meter
        self._router = router_by_ohms(bench_file)
        self._lines: LineSource = StdinLines()
        self._ended = False

    def through(self, states: Sequence[int]) -> bool:
        """Go through all states and back; return False when somebody asked for the end."""
        bench = self._bench
        identity = bench.link.open(hold_off_ms=bench.hold_off_ms)
        require_ladder(identity, bench.ladder, port=bench.link.port)
        now = bench.ladder.park_state
        for index, state in enumerate(states):
            self._travel(self._router.path(now, state))
            now = state
            if not self.intents.is_stopped():
                self._ask(state, f"{index + 1} of {len(states)}")
            if self.intents.is_stopped():
                break
        else:
            self._travel(self._router.path(now, bench.ladder.park_state))
        bench.link.park()
        return not self.intents.is_stopped()

    def _travel(self, path: Sequence[PathStep]) -> None:
        for piece, wait_s in in_pieces(path, min(0.5, self._bench.hold_off_ms / 3000)):
            if self.intents.is_stopped():
                return
            self._bench.link.apply(piece)
            self._feed(piece[-1].state)
            self._clock.sleep_s(wait_s)

    def _feed(self, state: int) -> None:
        require_health(
            self._bench.link.feed(), state, self._bench.ladder, port=self._bench.link.port
        )

    def _ask(self, state: int, count: str) -> None:
        """Hold a state, the hold-off fed, until its ohms are typed."""
        expected = state_ohms(self._bench.ladder, state)
        name = self._bench.ladder.format_state(state)
        if sys.stdin.isatty():
            while (line := self._line()) is not None:
                self._output.warn(f"{clean(line)!r} came before this question and was dropped")
        self._output.warn(f"State {count}, {name}, about {ohms(expected)} ohm. {_HELP}")
        doubted: float | None = None
        fed_s = self._clock.now_s()
        while not self.intents.is_stopped():
            line = self._line()
            if line is not None:
                word = line.strip().lower()
                if word in ("stop", "q"):
                    self.intents.stop()
                    return
                if word in ("skip", "s"):
                    return
                doubted = self._understand(word, state, expected, doubted)
                if doubted is None:
                    return
            elif self._ended:
                self.intents.stop()
                return
            now_s = self._clock.now_s()
            if now_s - fed_s >= self._bench.hold_off_ms / 3000:
                self._feed(state)
                fed_s = now_s
            if line is None:
                self._clock.sleep_s(_LOOK_EVERY_S)

    def _understand(
        self, word: str, state: int, expected: float, doubted: float | None
    ) -> float | None:
        """Keep a reading and return None, or return what was doubted (NaN when nothing was)."""
        try:
            value = doubted if word in ("y", "yes") and doubted is not None else _parsed(word)
        except InputError as error:
            self._output.warn(f"{error.problems[0].message}; {_HELP}")
            return float("nan")
        near = abs(value - expected) <= _DOUBTFUL_SHARE * expected + _DOUBTFUL_OHMS
        if not near and value != doubted:
            self._output.warn(
                f"{ohms(value)} ohm is far from {ohms(expected)} ohm; type y to keep it, or the"
                " right value"
            )
            return value
        u = float(self._meter.uncertainty_ohms(np.array(value)))
        name = self._bench.ladder.format_state(state)
        _keep(self._file, f"{name},{value!r},{u:.3g},{expected:.6g}\n")
        return None

    def _line(self) -> str | None:
        if self._ended:
            return None
        try:
            return self._lines()
        except EOFError:
            self._ended = True
            return None


def _parsed(word: str) -> float:
    return parse_ohms(word.replace(",", "."), what="reading")


def _keep(file: TextIO, text: str) -> None:
    """Write through to the disk: nobody measures twice because of a power cut."""
    file.write(text)
    file.flush()
    os.fsync(file.fileno())
