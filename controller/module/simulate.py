"""A module that exists only in numbers, on injected time.

Knows: how a module of `model` answers, in time, to the resistance at its input.
Must not know: ladders, clocks, sweeps, files.

How it runs. Between two changes of the input the filter's voltage is known in closed form,
`v(t) = vin + (v0 - vin) exp(-(t - t0)/tau)`, and is always evaluated from the last change, never
from the last call: so the answers do not depend on how often anybody asks. Samples are taken at
`start_s + k * sample_interval_s` and see the input as it was just before. Runs of samples are
computed as arrays. After 64 time constants what is left of a step (1.6e-28 of it) is below the
spacing of floating-point numbers next to it and is dropped, so that the voltage is constant from
there on; once it has also been constant over the rate window, all later samples are equal, and
time is skipped to the end: only the detection time can still run out, and that is an integer
comparison. With noise nothing is skipped. Noise is a function of seed and sample number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.module.conversion import Conversion
from controller.module.divider import adc_code, divider_volts
from controller.module.faults import (
    CurveOffset,
    Fault,
    Noise,
    StuckReport,
    WrongCurve,
    seen_ohms,
)
from controller.module.model import Module, ModuleReport

__all__ = ["SimulatedModule"]

FORGOTTEN_AFTER_TIME_CONSTANTS: Final = 64.0
RATE_HOLD_BACK_TIME_CONSTANTS: Final = 10.0
"""After power-up, a switch-over or a value out of range, rates are judged again after this."""
BLOCK: Final = 4096
"""How many samples are computed at once, and share one draw of noise."""


class SimulatedModule:
    """One module input, powered up at `start_s` with `start_ohms` connected and settled.

    Times are seconds on the caller's clock and never go back (ValueError).
    """

    def __init__(
        self,
        module: Module,
        faults: Iterable[Fault] = (),
        seed: int = 0,
        *,
        start_s: float = 0.0,
        start_ohms: float = math.inf,
    ) -> None:
        self.module = module
        self.faults = tuple(faults)
        self._seed = seed
        self._start_s = start_s
        self._noise_volts = math.hypot(*(f.volts for f in self.faults if isinstance(f, Noise)))
        self._stuck = [f.celsius for f in self.faults if isinstance(f, StuckReport)]
        self._cold, self._hot = _conversions(module, self.faults)
        self._conversion = self._cold

        interval = module.sample_interval_s
        self._detect_samples = math.ceil(module.detection_s / interval - 1e-9)
        self._rate_samples = max(1, round(module.rate_window_s / interval))
        hold_back = RATE_HOLD_BACK_TIME_CONSTANTS * module.filter_time_constant_s
        self._hold_back_samples = math.ceil(hold_back / interval)

        self._ohms = seen_ohms(start_ohms, self.faults)
        self._now_s = start_s
        self._next = 0
        self._blank_until = 0
        self._side = 0
        self._run_start = 0
        self._history = np.full(self._rate_samples, np.nan)
        self._reported_celsius = math.nan
        self._volts = math.nan
        self._codes: dict[str, None] = {}
        self._fan_on = False
        self._jumped = -1
        self._renewal = -1
        self._renewed: ModuleReport | None = None
        self._noise_block: tuple[int, npt.NDArray[np.float64]] = (-1, np.empty(0))
        self._input_volts = self._divider()
        self._anchor_s = start_s
        self._anchor_volts = self._input_volts
        self._steady_from = self._rate_samples + 2

    def expose(self, at_s: float, ohms: float) -> None:
        """Put a resistance (zero to math.inf) at the input from `at_s` on."""
        if not ohms >= 0.0:
            raise ValueError(f"a resistance is zero or more, not {ohms}")
        self._pass(at_s)
        seen = seen_ohms(ohms, self.faults)
        if seen != self._ohms:
            self._ohms = seen
            self._re_anchor(at_s)

    def report(self, at_s: float) -> ModuleReport:
        """Return what the module says at a time: from its last sample at or before it.

        A module that renews its report now and then says what it did at the last renewal.
        """
        self._pass(at_s)
        if self._renewed is None:
            return self._reported()
        return replace(self._renewed, fan_runs=self._fan_runs())  # an output, not a report

    def _pass(self, at_s: float) -> None:
        """Let time pass up to a moment, a renewal of the report included."""
        refresh_s = self.module.refresh_s
        if refresh_s > 0 and at_s >= self._now_s:
            renewal = math.floor((at_s - self._start_s) / refresh_s)
            if renewal != self._renewal:
                self._renewal = renewal
                self._advance(max(self._now_s, self._start_s + renewal * refresh_s))
                self._renewed = self._reported()
        self._advance(at_s)

    def _reported(self) -> ModuleReport:
        module = self.module
        decided = self._decided()
        if self._stuck:
            celsius = self._stuck[-1]
        elif decided:
            shorted = self._side < 0
            celsius = module.short_reports_celsius if shorted else module.open_reports_celsius
        else:
            celsius = self._reported_celsius
        return ModuleReport(
            celsius=celsius,
            volts=self._volts,
            codes=tuple(self._codes),
            fan_runs=self._fan_runs(),
        )

    def _decided(self) -> bool:
        """Return whether the circuit counts as open or shorted now."""
        return self._side != 0 and self._next - 1 - self._run_start >= self._detect_samples

    def _fan_runs(self) -> bool | None:
        fan = self.module.fan
        if fan is None:
            return None
        since_s = (self._next - 1 - self._jumped) * self.module.sample_interval_s
        jumped = self._jumped >= 0 and since_s <= fan.after_jump_s
        return self._fan_on or jumped or self._decided()

    def input_volts(self, at_s: float) -> float:
        """Return the voltage on the input's wire, before the module's filter and converter."""
        self._advance(at_s)
        return self._input_volts

    def clear_codes(self, at_s: float) -> None:
        """Clear all codes; a fault that is still there has to last its detection time again."""
        self._advance(at_s)
        self._codes.clear()
        self._run_start = max(self._run_start, self._next)

    # Time

    def _advance(self, at_s: float) -> None:
        """Take every sample up to and including `at_s`."""
        if not at_s >= self._now_s:
            raise ValueError(f"time went back from {self._now_s} s to {at_s} s")
        self._now_s = at_s
        last = self._index_at(at_s)
        while self._next <= last:
            if self._next < self._blank_until:
                self._skip(min(last, self._blank_until - 1))
            elif self._next >= self._steady_from and not self._noise_volts:
                self._skip(last)
            else:
                end = (self._next // BLOCK + 1) * BLOCK
                if not self._noise_volts:
                    end = min(end, self._steady_from)
                self._convert(min(last, end - 1))

    def _time_of(self, index: int) -> float:
        return self._start_s + index * self.module.sample_interval_s

    def _index_at(self, at_s: float) -> int:
        """Return the last sample at or before a time, exactly as `_time_of` has it."""
        index = math.floor((at_s - self._start_s) / self.module.sample_interval_s)
        while self._time_of(index + 1) <= at_s:
            index += 1
        while self._time_of(index) > at_s:
            index -= 1
        return index

    # The circuit

    def _divider(self) -> float:
        pullup = self._conversion.pullup_ohms
        return float(divider_volts(self.module.reference_volts, pullup, self._ohms))

    def _filtered(self, at_s: npt.ArrayLike) -> npt.NDArray[np.float64]:
        tau = self.module.filter_time_constant_s
        since = np.asarray(at_s, dtype=np.float64) - self._anchor_s
        if tau == 0.0:
            return np.full(since.shape, self._input_volts)
        constants = since / tau
        left = np.where(constants < FORGOTTEN_AFTER_TIME_CONSTANTS, np.exp(-constants), 0.0)
        return np.asarray(self._input_volts + (self._anchor_volts - self._input_volts) * left)

    def _re_anchor(self, at_s: float) -> None:
        """Start a new exponential from the voltage of this moment."""
        self._anchor_volts = float(self._filtered(at_s))
        self._anchor_s = at_s
        self._input_volts = self._divider()
        tau = self.module.filter_time_constant_s
        settled = self._index_at(at_s + FORGOTTEN_AFTER_TIME_CONSTANTS * tau) + 1
        self._steady_from = max(settled, self._blank_until) + self._rate_samples + 1

    def _noise(self, first: int, last: int) -> npt.NDArray[np.float64]:
        """Return the noise of samples of one block."""
        block = first // BLOCK
        if self._noise_block[0] != block:
            draws = np.random.default_rng([self._seed, block]).standard_normal(BLOCK)
            self._noise_block = (block, draws * self._noise_volts)
        return self._noise_block[1][first - block * BLOCK : last + 1 - block * BLOCK]

    # Samples

    def _convert(self, last: int) -> None:
        """Take the samples up to `last`, or up to the one that switches the pull-up over."""
        module, first = self.module, self._next
        index = np.arange(first, last + 1)
        volts = self._filtered(self._start_s + index * module.sample_interval_s)
        if self._noise_volts:
            volts = volts + self._noise(first, last)
        code = adc_code(volts / module.reference_volts, module.adc_bits, module.adc_convention)
        celsius = self._conversion.celsius[code]
        switches = self._switches(celsius)
        if switches is not None:
            taken = slice(switches + 1)
            index, code, celsius = index[taken], code[taken], celsius[taken]
        measured = self._conversion.volts[code]
        side = np.where(
            measured < module.low_volts, -1, np.where(measured > module.high_volts, 1, 0)
        )
        self._judge(index, side, celsius)
        self._volts = float(measured[-1])
        self._reported_celsius = float(self._conversion.reported_celsius[code[-1]])
        self._next = int(index[-1]) + 1
        if switches is not None:
            self._switch_over()

    def _switches(self, celsius: npt.NDArray[np.float64]) -> int | None:
        """Return the first of these samples that asks for the other pull-up."""
        second = self.module.second_pullup
        if second is None:
            return None
        if self._conversion is self._cold:
            asks = celsius > second.on_above_celsius
        else:
            asks = celsius < second.off_below_celsius
        return int(np.argmax(asks)) if asks.any() else None

    def _switch_over(self) -> None:
        """Change the pull-up at the sample just taken; all judgement starts anew after it."""
        second = self.module.second_pullup
        assert second is not None  # noqa: S101 - only a module with two gets here
        at_s = self._time_of(self._next - 1)
        self._conversion = self._hot if self._conversion is self._cold else self._cold
        self._blank_until = self._index_at(at_s + second.blanking_s) + 1
        self._side, self._run_start = 0, self._blank_until
        self._re_anchor(at_s)

    def _judge(
        self,
        index: npt.NDArray[np.int64],
        side: npt.NDArray[np.int64],
        celsius: npt.NDArray[np.float64],
    ) -> None:
        """Set the codes these samples call for, and remember what the next ones need."""
        module = self.module
        changed = side != np.concatenate(([self._side], side[:-1]))
        run_start = np.maximum.accumulate(np.where(changed, index, self._run_start))
        decided = index - run_start >= self._detect_samples
        found = [
            (module.low_code, decided & (side < 0)),
            (module.high_code, decided & (side > 0)),
        ]
        window = self._rate_samples
        known = np.concatenate((self._history, celsius))
        if module.rate_limit_kelvin_per_s is not None:
            change = np.abs(known[window:] - known[:-window])
            most = module.rate_limit_kelvin_per_s * window * module.sample_interval_s
            judged = (side == 0) & (index - window - self._hold_back_samples >= run_start)
            jumps = judged & (change > most)
            found.append((module.range_code, jumps))
            if jumps.any():
                self._jumped = int(index[np.nonzero(jumps)[0][-1]])
        for _, code in sorted((int(np.argmax(at)), code) for code, at in found if at.any()):
            self._codes.setdefault(code)
        self._turn_fan(side, celsius)
        self._history = known[-window:]
        self._side, self._run_start = int(side[-1]), int(run_start[-1])

    def _turn_fan(self, side: npt.NDArray[np.int64], celsius: npt.NDArray[np.float64]) -> None:
        """Let the last sample that says on or off decide; open and short say neither."""
        fan = self.module.fan
        if fan is None:
            return
        on = (side == 0) & (celsius >= fan.on_at_celsius)
        says = on | ((side == 0) & (celsius < fan.off_below_celsius))
        if says.any():
            self._fan_on = bool(on[np.nonzero(says)[0][-1]])

    def _skip(self, last: int) -> None:
        """Pass over samples that are all equal to the last one, or are not looked at.

        The rate window needs no filling: settled, it is full of the same value already, and after
        a switch-over it is not looked at before it holds new samples alone.
        """
        if self._side != 0 and last - self._run_start >= self._detect_samples:
            code = self.module.low_code if self._side < 0 else self.module.high_code
            self._codes.setdefault(code)
        self._next = last + 1


def _conversions(module: Module, faults: tuple[Fault, ...]) -> tuple[Conversion, Conversion]:
    """Return the module's conversion with its first and with its second pull-up."""
    sensor = module.sensor
    offset = 0.0
    for fault in faults:
        if isinstance(fault, WrongCurve):
            sensor = fault.sensor
        elif isinstance(fault, CurveOffset):
            offset += fault.kelvin
    cold = Conversion.of(module, module.pullup_ohms, sensor.curve, offset)
    if module.second_pullup is None:
        return cold, cold
    return cold, Conversion.of(module, module.second_pullup.ohms, sensor.curve, offset)
