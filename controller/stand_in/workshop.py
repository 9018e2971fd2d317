"""A whole bench that is simulated, behind two ports: its ladder, and its module on a bus.

Knows: bench files, the simulated bench, where the two ports are put.
Must not know: how they are driven and read, command lines.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from controller.bench.model import BenchFile, RelayMotion
from controller.bench.simulation import Simulation
from controller.clock import RealClock
from controller.errors import InputError
from controller.links.pty_device import PtyDevice
from controller.links.simulated import SimulatedDevice
from controller.stand_in.broadcaster import BroadcastingModule
from controller.stand_in.bus_pty import BusPty, Node, Traffic
from controller.stand_in.module import DiagnosedModule

__all__ = ["Ports", "standing_in"]


@dataclass(frozen=True, kw_only=True)
class Ports:
    """Where the two can be reached, and what stands there."""

    ladder: Path
    bus: Path
    device: PtyDevice
    adapter: BusPty
    simulation: Simulation


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

    With `broadcasts` the module tells its temperature by itself instead of being asked. Raises
    InputError when the bench names no module, or when something else has the name of a port.
    """
    if bench.module is None:
        raise InputError.single(
            "names no module to simulate", where=str(bench.path), key="simulation.module"
        )
    clock = RealClock()
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
    module: Node
    if broadcasts:
        module = BroadcastingModule(simulation.report)
    else:
        module = DiagnosedModule(simulation.report, clear=simulation.clear_codes)
    with ExitStack() as stack:
        served = stack.enter_context(PtyDevice(device))
        simulation.before_sampling = served.catch_up
        nodes = [module, Traffic(traffic_per_s)]
        adapter = stack.enter_context(BusPty(nodes, clock=clock, bus_bitrate=bitrate))
        ports = Ports(
            ladder=_named(stack, folder / "ladder", served.path),
            bus=_named(stack, folder / "can", adapter.path),
            device=served,
            adapter=adapter,
            simulation=simulation,
        )
        yield ports


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
