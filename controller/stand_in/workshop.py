"""A whole bench that is simulated, behind ports: its ladder or ladders, and its module on a bus.

Knows: bench files, the simulated bench, where the ports are put.
Must not know: how they are driven and read, command lines.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from controller.bench.model import BenchFile, RelayMotion
from controller.bench.simulation import Simulation
from controller.clock import RealClock
from controller.errors import InputError
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from controller.module.model import ModuleReport
from controller.stand_in.broadcaster import BroadcastingModule
from controller.stand_in.bus_pty import BusPty, Node, Traffic
from controller.stand_in.module import DiagnosedModule

__all__ = ["Ports", "standing_in"]


AIR_PARAMETER = 0x0F
"""What the module reports of its second input by: the intake air (SAE J1979, from memory)."""


@dataclass(frozen=True, kw_only=True)
class Ports:
    """Where they can be reached, and what stands there. `second` is the port of a second ladder."""

    ladder: Path
    bus: Path
    device: PtyDevice
    adapter: BusPty
    simulation: Simulation
    second: Path | None = None


@contextmanager
def standing_in(
    bench: BenchFile,
    folder: Path,
    *,
    broadcasts: bool = False,
    traffic_per_s: float = 20.0,
    bitrate: int = 500_000,
) -> Iterator[Ports]:
    """Keep ladder and module of a simulated bench at `folder`/ladder and `folder`/can.

    With `broadcasts` the module tells its temperature by itself instead of being asked. The second
    ladder of a bench that has two is at `folder`/second-ladder; the one module that is asked
    reports its input as intake air. Raises InputError when the bench names no module, when
    something else has the name of a port, or when two inputs are to be broadcast.
    """
    if broadcasts and bench.second is not None:
        raise InputError.single(
            "the stand-in module broadcasts one temperature, and this bench has two inputs",
            where=str(bench.path),
            hint="leave --broadcasts out, or name a bench with one ladder",
        )
    clock = RealClock()
    with ExitStack() as stack:
        simulation, device, ladder = _ladder(stack, bench, clock, folder / "ladder")
        second: Path | None = None
        module: Node
        if broadcasts:
            module = BroadcastingModule(simulation.report)
        elif bench.second is None:
            module = DiagnosedModule(simulation.report, clear=simulation.clear_codes)
        else:
            other, _, second = _ladder(stack, bench.second, clock, folder / "second-ladder")
            module = _of_two_inputs(simulation, other)
        nodes = [module, Traffic(traffic_per_s)]
        adapter = stack.enter_context(BusPty(nodes, clock=clock, bus_bitrate=bitrate))
        yield Ports(
            ladder=ladder,
            bus=_named(stack, folder / "can", adapter.path),
            device=device,
            adapter=adapter,
            simulation=simulation,
            second=second,
        )


def _ladder(
    stack: ExitStack, bench: BenchFile, clock: RealClock, name: Path
) -> tuple[Simulation, PtyDevice, Path]:
    """Serve a simulated ladder at a port until the end; return what the module sees of it too."""
    if bench.module is None:
        raise InputError.single(
            "names no module to simulate", where=str(bench.path), key="simulation.module"
        )
    simulation = Simulation(
        bench.ladder,
        bench.module,
        clock,
        faults=bench.faults,
        seed=bench.seed,
        moving=bench.relays is RelayMotion.MOVING,
    )
    device = SimulatedDevice(
        relay_count=bench.ladder.relay_count,
        park_state=bench.ladder.park_state,
        clock=clock,
        on_latch=simulation.latched,
        input_volts=simulation.input_volts,
        name="stand-in ladder",
    )
    served = stack.enter_context(PtyDevice(device))
    simulation.before_sampling = served.catch_up
    return simulation, served, _named(stack, name, served.path)


def _of_two_inputs(first: Simulation, other: Simulation) -> DiagnosedModule:
    """Return one module with two inputs: it reports both, and holds the codes of both."""

    def report() -> ModuleReport:
        one, two = first.report(), other.report()
        return replace(one, codes=(*one.codes, *(c for c in two.codes if c not in one.codes)))

    def clear() -> None:
        first.clear_codes()
        other.clear_codes()

    def air() -> bytes:
        return bytes([min(max(round(other.report().celsius) + 40, 0), 255)])

    return DiagnosedModule(report, clear=clear, extra={AIR_PARAMETER: air})


def _named(stack: ExitStack, name: Path, path: str) -> Path:
    """Let a name lead to a port until the end. Replaces nothing but another such name."""
    try:
        name.parent.mkdir(parents=True, exist_ok=True)
        if name.is_symlink():
            name.unlink()
        name.symlink_to(path)
    except OSError as error:
        raise InputError.single(
            f"cannot be made: {error.strerror}", where=str(name), hint="--folder FOLDER"
        ) from None
    stack.callback(_forget, name)
    return name


def _forget(name: Path) -> None:
    name.unlink(missing_ok=True)
    with suppress(OSError):  # somebody else's files are in it
        name.parent.rmdir()
