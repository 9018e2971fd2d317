"""A program's own function as the readback: paced, checked, and heard when it raises."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest

from controller.clock import VirtualClock
from controller.errors import ReadbackError
from controller.readback.base import Prompt, Readback
from controller.readback.called import CalledReadback, Input

STEPS = (
    Input(ohms=math.inf, celsius=None),
    Input(ohms=2800.0, celsius=25.0),
    Input(ohms=0.17, celsius=None),
)


def called(
    function: Callable[..., object], clock: VirtualClock, interval_s: float = 0.25
) -> CalledReadback:
    return CalledReadback(function, STEPS, clock, interval_s)  # type: ignore[arg-type]


def prompt(token: int, step_index: int) -> Prompt:
    return Prompt(token=token, step_index=step_index, text="?")


def test_it_is_a_readback_that_streams() -> None:
    readback: Readback = called(lambda ohms, celsius: 1.0, VirtualClock())
    readback.open()
    assert readback.continuous
    assert readback.codes() is None
    assert readback.poll() is None


def test_the_function_gets_what_the_step_now_set_puts_at_the_input() -> None:
    clock, asked = VirtualClock(), []
    readback = called(lambda *at_input: asked.append(at_input), clock)
    for token, step in enumerate((1, 0, 2, 1), start=1):
        readback.ask(prompt(token, step))
        reading = readback.poll()
        assert reading is not None
        assert (reading.token, reading.celsius, reading.at_s) == (token, None, clock.now_s())
        clock.sleep_s(0.25)
    assert asked == [(2800.0, 25.0), (math.inf, None), (0.17, None), (2800.0, 25.0)]


def test_it_is_asked_once_an_interval_and_not_after_the_end() -> None:
    clock, asked = VirtualClock(), []
    readback = called(lambda ohms, celsius: asked.append(ohms) or 20, clock)
    readback.ask(prompt(1, 1))
    for _ in range(100):
        readback.poll()
        clock.sleep_s(0.05)
    assert len(asked) == 20  # 5 s at one each 0.25 s
    readback.close()
    assert readback.poll() is None


@pytest.mark.parametrize("number", [25, 25.0, Fraction(25), np.float32(25), np.array(25.0)])
def test_any_kind_of_number_is_a_temperature(number: object) -> None:
    readback = called(lambda ohms, celsius: number, VirtualClock())
    readback.ask(prompt(1, 1))
    reading = readback.poll()
    assert reading is not None
    assert reading.celsius == 25.0


@pytest.mark.parametrize(
    ("returned", "kind"),
    [
        ("hot", TypeError),
        ("25", ValueError),
        ([25.0], TypeError),
        (math.nan, ValueError),
        (-math.inf, ValueError),
    ],
)
def test_what_is_no_temperature_ends_the_run_and_says_so(
    returned: object, kind: type[Exception]
) -> None:
    readback = called(lambda ohms, celsius: returned, VirtualClock())
    readback.ask(prompt(1, 1))
    with pytest.raises(ReadbackError, match="at step 2") as caught:
        readback.poll()
    assert isinstance(readback.failure, kind)
    assert repr(returned) in str(caught.value)


def test_what_the_function_raises_is_kept_for_whoever_brought_it() -> None:
    broken = LookupError("no such channel")

    def function(ohms: float, celsius: float | None) -> float:
        raise broken

    readback = called(function, VirtualClock())
    readback.ask(prompt(1, 2))
    with pytest.raises(ReadbackError, match="LookupError at step 3: no such channel"):
        readback.poll()
    assert readback.failure is broken
