"""The reference firmware against SPEC.md: one suite over every build of it.

The suite itself is held to the Python device in its own tests. Here it runs over the C core as a
process (with sanitizers), the ATmega328P in simavr and the STM32F405 in QEMU; with commanded time,
where nothing depends on how busy the machine is, and live, behind a line like a board's. What runs
live does so in a soak only: with commanded time the same checks hold the same core on two machines,
and the sweeps, the pins and the watchdog of the 32-bit port have tests of their own.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance import CHECKS, Bench, Endpoint, Outcome, Result, run_check
from firmware_protocol.messages import Sense, SenseReply

pytestmark = pytest.mark.toolchain

NAMES = [check.name for check in CHECKS]
NO_FAULT = {"fault-parks", "a-clear-that-is-refused-clears-nothing"}
"""Where no fault can be provoked; with commanded time it can."""
ACROSS_THE_WRAP = {
    "path-across-the-wrap",
    "hold-off-across-the-wrap",
    "silence-across-the-wrap",
}
HURRIED = {"longest-hold-off-runs-out", "replies-in-time"}
"""What takes minutes, and what takes a clock that the board keeps pace with."""
HELD_UP = {"a-device-that-was-held-up-shortens-no-hold"}
NOT_LIVE = NO_FAULT | HELD_UP | ACROSS_THE_WRAP | HURRIED
"""A live process offers no way to reach into it; with commanded time these run."""
NOT_IN_QEMU = NO_FAULT | HELD_UP | HURRIED

LIVE_AT_ONCE = 8
"""Live boards mostly wait, so a few share the time."""
ALONE_AT_MOST = 3


def _live(make: Callable[[str], Endpoint]) -> dict[str, Outcome]:
    """Run all checks, and those that failed again by themselves.

    A live board's time goes on when the machine holds the host up, which is no finding about the
    firmware; a finding stays one when the check runs alone.
    """
    with ThreadPoolExecutor(LIVE_AT_ONCE) as pool:
        outcomes = pool.map(lambda check: run_check(check, make(check.name)), CHECKS)
        found = {outcome.check.name: outcome for outcome in outcomes}
    for again in range(ALONE_AT_MOST):
        for name, outcome in found.items():
            if outcome.result is Result.FAILED:
                found[name] = run_check(outcome.check, make(f"{name}-{again}"))
    return found


def _judge(outcome: Outcome, not_applicable: set[str]) -> None:
    expected = Result.NOT_APPLICABLE if outcome.check.name in not_applicable else Result.PASSED
    assert outcome.result is expected, outcome.reason


@pytest.fixture(scope="module")
def host_commanded(builds: Any, boards: ModuleType, outcomes_of: Any) -> Mapping[str, Outcome]:
    program = builds.host()
    return outcomes_of(lambda: boards.HostBoard([program], forbidden_state=builds.FORBIDDEN))


@pytest.fixture(scope="module")
def avr_commanded(builds: Any, boards: ModuleType, outcomes_of: Any) -> Mapping[str, Outcome]:
    """The chip with its senses: it reads the chain back and watches the coils' supply."""
    command = [builds.sim(), "--relays", str(builds.RELAYS), builds.avr_guarded()]
    return outcomes_of(lambda: boards.GuardedBoard(command, forbidden_state=builds.FORBIDDEN))


@pytest.fixture(scope="module")
def host_live(builds: Any, boards: ModuleType, tmp_path_factory: Any) -> Mapping[str, Outcome]:
    program, records = builds.host(), tmp_path_factory.mktemp("records")
    return _live(
        lambda name: boards.PtyBoard([program], records / name, forbidden_state=builds.FORBIDDEN)
    )


@pytest.fixture(scope="module")
def avr_live(builds: Any, boards: ModuleType, tmp_path_factory: Any) -> Mapping[str, Outcome]:
    command = [builds.sim(), "--relays", str(builds.RELAYS), builds.avr()]
    records = tmp_path_factory.mktemp("records")
    return _live(
        lambda name: boards.PtyBoard(command, records / name, forbidden_state=builds.FORBIDDEN)
    )


@pytest.fixture(scope="module")
def arm_live(
    builds: Any, boards: ModuleType, require: Callable[..., None], tmp_path_factory: Any
) -> Mapping[str, Outcome]:
    require("qemu-system-arm")
    image = builds.arm()
    addresses = {
        "preset_at": builds.arm_address("rung_clock_preset"),
        "ticks_at": builds.arm_address("rung_ticks_ms"),
    }
    folder = tmp_path_factory.mktemp("q")

    def make(_name: str) -> Endpoint:
        own = Path(tempfile.mkdtemp(dir=folder))  # short: a socket's path has room for 107 bytes
        board = boards.QemuBoard(image, own, **addresses, forbidden_state=builds.FORBIDDEN)
        assert isinstance(board, Endpoint)
        return board

    return _live(make)


@pytest.mark.parametrize("name", NAMES)
def test_core_as_a_process_with_commanded_time(
    name: str, host_commanded: Mapping[str, Outcome]
) -> None:
    _judge(host_commanded[name], set())


def test_host_port_has_something_to_sense(builds: Any, boards: ModuleType) -> None:
    with closing(boards.HostBoard([builds.host(), "--input", "2500"])) as board:
        bench = Bench(board)
        bench.identify()
        assert bench.ask_for(Sense(channel=0), SenseReply).raw == 512  # of 1024 against 5 V
        board.command("millivolts 0 1250")
        assert bench.ask_for(Sense(channel=0), SenseReply).raw == 256


@pytest.mark.parametrize("name", NAMES)
def test_emulated_avr_with_commanded_time(name: str, avr_commanded: Mapping[str, Outcome]) -> None:
    _judge(avr_commanded[name], set())


@pytest.mark.soak
@pytest.mark.pty
@pytest.mark.parametrize("name", NAMES)
def test_core_as_a_process_behind_a_pty(name: str, host_live: Mapping[str, Outcome]) -> None:
    _judge(host_live[name], NOT_LIVE)


@pytest.mark.soak
@pytest.mark.pty
@pytest.mark.parametrize("name", NAMES)
def test_emulated_avr_behind_a_pty(name: str, avr_live: Mapping[str, Outcome]) -> None:
    _judge(avr_live[name], NOT_LIVE)


@pytest.mark.soak
@pytest.mark.parametrize("name", NAMES)
def test_stm32f4_in_qemu(name: str, arm_live: Mapping[str, Outcome]) -> None:
    _judge(arm_live[name], NOT_IN_QEMU)
