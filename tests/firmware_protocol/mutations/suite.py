"""The conformance checks over boards with a fault in them: which check finds it first."""

from __future__ import annotations

import importlib
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from fault import Fault, read_faults
from virtual_port import VirtualPort

import firmware_protocol
from firmware_protocol.conformance import CHECKS, Check, Endpoint, Result, run_check
from firmware_protocol.conformance.in_memory import DeviceEndpoint
from firmware_protocol.device import SenseSample
from firmware_protocol.errors import ProtocolError

HERE = Path(__file__).parent
PYTHON = Path(firmware_protocol.__file__).parent
_PATCHABLE = ("framing", "bodies", "device")
"""In the order in which they import one another."""

FORBIDDEN = 0x00006


def _sense(channel: int) -> SenseSample | None:
    return SenseSample(raw=700, full_scale=1023, reference_mv=5000) if channel < 2 else None


# The longest apply leaves room for one state more, so that a device that takes one can be seen.
BOARD: dict[str, Any] = {
    "relay_count": 18,
    "park_state": 0x20000,
    "name": "Harbour",
    "boots": 7,
    "max_payload": 100,
    "sense": _sense,
    "forbidden": lambda state: state & FORBIDDEN == FORBIDDEN,
}
BARE_BOARD: dict[str, Any] = {"relay_count": 12}
"""Without an input to read, and with bits to spare in its masks."""


class Crashed(Exception):  # noqa: N818 - as good as found
    """The board raised, ended or hung."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """Which check found a fault, and why; `check` is empty for a fault that none finds."""

    name: str
    check: str = ""
    reason: str = ""

    @property
    def found(self) -> bool:
        return bool(self.check)


def faulty_device(fault: Fault) -> ModuleType:
    """Return the module of the device with a fault in it, or in what it stands on."""
    names = [f"firmware_protocol.{stem}" for stem in _PATCHABLE]
    before = {name: importlib.import_module(name) for name in names}
    try:
        for stem, name in zip(_PATCHABLE, names, strict=True):
            path = PYTHON / f"{stem}.py"
            source = fault.apply(path.name, path.read_text("utf-8"))
            module = ModuleType(name)
            module.__file__ = str(path)
            sys.modules[name] = module
            exec(compile(source, f"{stem} with {fault.name}", "exec"), module.__dict__)
        return sys.modules["firmware_protocol.device"]
    finally:
        sys.modules.update(before)


def boards_with(fault: Fault) -> list[Callable[[], Endpoint]]:
    """Return makers of the endpoints at which a fault of the device is to be found."""
    module = faulty_device(fault)
    board, bare = module.DeviceConfig(**BOARD), module.DeviceConfig(**BARE_BOARD)
    make = module.Device
    if fault.full_only:
        return [lambda: DeviceEndpoint(board, forbidden_state=FORBIDDEN, make=make)]
    return [
        lambda: VirtualPort(board, forbidden_state=FORBIDDEN, make=make),
        lambda: VirtualPort(bare, make=make),
    ]


def first_to_find(
    name: str, make: Callable[[], Endpoint], checks: Iterable[Check] = CHECKS
) -> Verdict:
    """Run checks until one fails; each gets an endpoint of its own."""
    for check in checks:
        try:
            with time_limit():
                outcome = run_check(check, make())
        except (ProtocolError, ArithmeticError, LookupError, ValueError, TypeError) as error:
            return Verdict(name=name, check=check.name, reason=f"raised {error!r}")
        except (Crashed, OSError, RuntimeError) as error:
            return Verdict(name=name, check=check.name, reason=f"ended: {error}")
        if outcome.result is Result.FAILED:
            return Verdict(name=name, check=check.name, reason=outcome.reason)
    return Verdict(name=name)


@contextmanager
def time_limit(seconds: float = 120.0) -> Iterator[None]:
    """Raise Crashed where a fault hangs this process. Does nothing outside the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def ended(_number: int, _frame: object) -> None:
        raise Crashed("hangs")

    before = signal.signal(signal.SIGALRM, ended)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def cheap_first(wanted: str = "") -> list[Check]:
    """Return the checks, the one that ought to find the fault first, those with minutes last."""
    last = "longest-hold-off-runs-out"
    return sorted(CHECKS, key=lambda check: (check.name != wanted, check.name == last))


def device_faults() -> list[Fault]:
    """Return the faults of the device in Python."""
    return read_faults(HERE / "device.faults")


def judge_device(fault: Fault, checks: Iterable[Check] | None = None) -> Verdict:
    """Run the checks at each board with a fault of the device in it until one finds it."""
    verdict = Verdict(name=fault.name)
    for make in boards_with(fault):
        verdict = first_to_find(fault.name, make, CHECKS if checks is None else checks)
        if verdict.found:
            break
    return verdict


def named(name: str) -> Check:
    """Return a check by its name."""
    with suppress(StopIteration):
        return next(check for check in CHECKS if check.name == name)
    raise LookupError(f"there is no check {name!r}")
