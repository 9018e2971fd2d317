"""From a bench file to an open bench: which link, which readback, what is simulated behind them.

The simulated bench is the protocol's own device behind a channel: requests are framed, checked
and carried out as over a wire, and the module sees only what that device latches.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from controller.bench.can import can_readback, shared_can_readbacks
from controller.bench.exposing import ExposingLink
from controller.bench.model import BenchFile, LinkKind, ReadbackKind, RelayMotion
from controller.bench.opened import Bench
from controller.bench.simulation import Simulation
from controller.clock import Clock, RealClock
from controller.errors import InputError
from controller.ladder.electrical import state_ohms
from controller.ladder.wear import add_operations
from controller.links.attended import AttendedChannel, Attention
from controller.links.base import Link
from controller.links.channel import Channel
from controller.links.coils import Coils
from controller.links.counted import CountedLink
from controller.links.session_link import SessionLink
from controller.links.simulated import FaultHook, SimulatedChannel, SimulatedDevice
from controller.meters.base import Meter
from controller.meters.opening import scpi_meter
from controller.meters.settings import MeterKind
from controller.meters.simulated import SimulatedMeter
from controller.module.model import Module, ModuleReport
from controller.module.simulate import SimulatedModule
from controller.readback.base import Readback
from controller.readback.command import CommandReadback
from controller.readback.lines import LineSource, StdinLines
from controller.readback.none import NoReadback
from controller.readback.simulated import SimulatedReadback
from controller.readback.typed import TypedReadback

__all__ = ["open_bench"]


def open_bench(
    bench: BenchFile,
    clock: Clock,
    *,
    lines: LineSource | None = None,
    write: Callable[[str], None] | None = None,
    line_faults: FaultHook | None = None,
    on_channel: Callable[[SimulatedChannel, SimulatedDevice], None] | None = None,
    wear_path: Path | None = None,
    keep_early: bool = False,
    reads_back: bool = True,
    readback: Readback | None = None,
    second_line_faults: FaultHook | None = None,
    paired: bool = False,
) -> Bench:
    """Return the bench with its parts wired up; the link itself is opened by the run.

    `lines` and `write` are where typed readings come from and questions go to: standard input
    and standard error unless given. `line_faults` makes the line of a link that is simulated in
    memory go wrong; `on_channel` is handed that line and its device. `wear_path` is the file in
    which the operations of real relays are counted, when the bench is closed; without it they are
    not. `keep_early` says that typed lines come from a script; with `reads_back` False the bench
    gets no readback at all. `readback` takes the place of the bench's own.

    A bench with a second ladder is returned with that one wired up as `second`; `on_channel` is
    called for each, and `second_line_faults` strikes its line. Where a person types the readings of
    both, it is one readback that is asked for either; where both are asked of one module over one
    bus, two that ask in turn. `paired` says that a bench is one of two.

    Raises InputError when what is simulated has no module, or when a link that takes real time is
    asked to run on a clock that does not; ValueError when the bench's readback is a function's and
    none is given.
    """
    if bench.link is not LinkKind.SIMULATED and not isinstance(clock, RealClock):
        raise InputError.single(
            f'a link of kind "{bench.link.value}" takes real time',
            where=str(bench.path or bench.name),
            key="link.kind",
            hint='leave --pace fast out, or use kind = "simulated"',
        )
    of_second: Readback | None = None
    if bench.second is not None and reads_back and readback is None and _one_module(bench):
        assert bench.can is not None and bench.second.can is not None  # noqa: S101, PT018
        readback, of_second = shared_can_readbacks((bench.can, bench.second.can), clock)
    attention = Attention() if paired or bench.second is not None else None
    ways = _Ways(bench, clock, attention)
    match bench.link:
        case LinkKind.SIMULATED:
            link, sample, release = ways.in_memory(line_faults, on_channel)
        case LinkKind.SIMULATED_PTY:
            link, sample, release = ways.over_pty()
        case LinkKind.SERIAL | LinkKind.MODBUS_RTU | LinkKind.ASCII:
            link, sample, release = ways.over_port()
            if wear_path is not None:
                link, release = _counted(bench, link, wear_path, write or _to_standard_error)
    if not reads_back:
        readback = NoReadback()
    elif readback is None:
        match bench.readback:
            case ReadbackKind.SIMULATED:
                readback = SimulatedReadback(
                    f"simulated module {ways.module.name!r}",
                    sample,
                    clock,
                    bench.reading_interval_s,
                    clear=ways.clear_codes,
                )
            case ReadbackKind.TYPED:
                readback = TypedReadback(
                    lines or StdinLines(),
                    write or _to_standard_error,
                    clock,
                    bench.typed_unit,
                    keep_early=keep_early,
                )
            case ReadbackKind.COMMAND:
                readback = CommandReadback(
                    bench.command,
                    clock,
                    folder=bench.path.parent if bench.path else Path(),
                    timeout_s=bench.command_timeout_s,
                    interval_s=bench.reading_interval_s,
                )
            case ReadbackKind.CAN | ReadbackKind.J1939:
                assert bench.can is not None  # noqa: S101 - the loader requires it
                readback = can_readback(bench.can, clock)
            case ReadbackKind.LATER:
                readback = NoReadback()
            case ReadbackKind.CALLED:
                raise ValueError("the readback of this bench has to be handed over with it")
    opened = Bench(
        name=bench.name,
        ladder=bench.ladder,
        link=link,
        readback=readback,
        hold_off_ms=bench.hold_off_ms,
        drives_hardware=bench.drives_hardware,
        step_ms=bench.step_ms,
        parks_by_itself=bench.parks_by_itself,
        release=release,
        meter=ways.meter(),
        attention=attention or Attention(),
    )
    if bench.second is None:
        return opened
    if bench.readback is bench.second.readback is ReadbackKind.TYPED:
        of_second = readback
    second = open_bench(
        bench.second,
        clock,
        lines=lines,
        write=write,
        line_faults=second_line_faults,
        on_channel=on_channel,
        wear_path=wear_path,
        keep_early=keep_early,
        reads_back=reads_back,
        readback=of_second,
        paired=True,
    )
    return replace(opened, second=second)


def _one_module(bench: BenchFile) -> bool:
    """Whether both inputs are asked of one module, over one bus."""
    if bench.second is None or not bench.readback is bench.second.readback is ReadbackKind.CAN:
        return False
    first, other = bench.can, bench.second.can
    return first is not None and other is not None and first.channel == other.channel


def _counted(
    bench: BenchFile, link: Link, path: Path, write: Callable[[str], None]
) -> tuple[Link, Callable[[], None]]:
    """Return a link that counts, and what adds the counts to the file in the end."""
    ladder = bench.ladder
    counted = CountedLink(link, relay_count=ladder.relay_count, park_state=ladder.park_state)

    def keep() -> None:
        if any(counted.counts):
            try:
                add_operations(path, ladder, counted.counts)
            except InputError as error:
                write(f"Note: the relays' operations could not be counted: {error}")
            counted.counts[:] = [0] * ladder.relay_count

    return counted, keep


def _to_standard_error(line: str) -> None:
    sys.stderr.write(line + "\n")
    sys.stderr.flush()


def _nothing() -> None:
    return None


def _nothing_to_sample() -> ModuleReport:
    raise AssertionError("no simulated module is wired up")


_Wired = tuple[Link, Callable[[], ModuleReport], Callable[[], None]]
"""A link, a way to read the module, and what to let go of in the end."""


class _Ways:
    """The ways to a ladder, for one bench file and one clock."""

    def __init__(self, bench: BenchFile, clock: Clock, attention: Attention | None) -> None:
        self._bench = bench
        self._clock = clock
        self._attention = attention
        self.clear_codes: Callable[[], None] = _nothing
        """Clears the codes of the simulated module."""
        self._terminal_ohms: Callable[[], float] | None = None

    @property
    def module(self) -> Module:
        """The module to simulate. Raises InputError when the bench names none."""
        if self._bench.module is None:
            raise InputError.single(
                "names no module to simulate",
                where=str(self._bench.path or self._bench.name),
                key="simulation.module",
            )
        return self._bench.module

    def in_memory(
        self,
        faults: FaultHook | None,
        on_channel: Callable[[SimulatedChannel, SimulatedDevice], None] | None,
    ) -> _Wired:
        """Return the device in this process, behind a channel in memory."""
        simulation, device = self._simulated()
        channel = SimulatedChannel(device, faults=faults)
        simulation.before_sampling = device.catch_up
        if on_channel is not None:
            on_channel(channel, device)
        line: Channel = channel
        if self._attention is not None:
            line = AttendedChannel(channel, self._attention)
        return SessionLink(line, self._clock), simulation.report, _nothing

    def over_pty(self) -> _Wired:
        """Return the same device behind a real pseudo-terminal, reached with pyserial."""
        from controller.links.pty_device import PtyDevice
        from controller.links.serial import serial_link

        simulation, device = self._simulated()
        served = PtyDevice(device)
        served.__enter__()
        simulation.before_sampling = served.catch_up
        link = serial_link(
            served.path, clock=self._clock, baud=self._bench.baud, attention=self._attention
        )
        return link, simulation.report, lambda: served.__exit__(None, None, None)

    def over_port(self) -> _Wired:
        """Return the ladder at a port. A simulated module there sees what the device says it has.

        That is for trying a board with nothing wired to it: the module is told of every state that
        the device acknowledges, and each reading asks the device for its state.
        """
        bench = self._bench
        link = self._at_port()
        if bench.readback is not ReadbackKind.SIMULATED:
            return link, _nothing_to_sample, _nothing
        module = SimulatedModule(
            self.module,
            bench.faults,
            bench.seed,
            start_s=self._clock.now_s(),
            start_ohms=state_ohms(bench.ladder, bench.ladder.park_state),
        )

        def expose(at_s: float, state: int) -> None:
            module.expose(at_s, state_ohms(bench.ladder, state))

        exposing = ExposingLink(link, self._clock, expose, park_state=bench.ladder.park_state)

        def sample() -> ModuleReport:
            exposing.feed()
            return module.report(self._clock.now_s())

        self.clear_codes = lambda: module.clear_codes(self._clock.now_s())
        return exposing, sample, _nothing

    def _at_port(self) -> Link:
        """Return the link to the device at the bench's port."""
        bench = self._bench
        if bench.board is None:
            from controller.links.serial import serial_link

            assert bench.url is not None  # noqa: S101 - the loader requires it
            return serial_link(
                bench.url, clock=self._clock, baud=bench.baud, attention=self._attention
            )
        from controller.links.boards import coils_of
        from controller.links.guarded_coils import GuardedCoils
        from controller.links.host_timed import HostTimedLink

        coils: Coils = coils_of(bench.board, self._clock)
        if bench.board.guardian:
            coils = GuardedCoils(
                bench.board, park_state=bench.ladder.park_state, hold_off_ms=bench.hold_off_ms
            )
        return HostTimedLink(coils, bench.board, bench.ladder, self._clock)

    def meter(self) -> Meter | None:
        """Return the bench's ohm meter, not yet opened."""
        settings = self._bench.meter
        if settings is None:
            return None
        if settings.kind is not MeterKind.SIMULATED:
            return scpi_meter(settings)
        assert self._terminal_ohms is not None  # noqa: S101 - the loader requires a simulated link
        return SimulatedMeter(
            self._terminal_ohms,
            self._clock,
            settle_s=settings.settle_s,
            seed=self._bench.seed,
        )

    def _simulated(self) -> tuple[Simulation, SimulatedDevice]:
        bench = self._bench
        simulation = Simulation(
            bench.ladder,
            self.module,
            self._clock,
            faults=bench.faults,
            seed=bench.seed,
            moving=bench.relays is RelayMotion.MOVING,
            tap=bench.tap,
            ladder_faults=bench.ladder_faults,
        )
        device = SimulatedDevice(
            relay_count=bench.ladder.relay_count,
            park_state=bench.ladder.park_state,
            clock=self._clock,
            on_latch=simulation.latched,
            input_volts=simulation.input_volts,
        )
        self.clear_codes = simulation.clear_codes
        self._terminal_ohms = simulation.terminal_ohms
        return simulation, device
