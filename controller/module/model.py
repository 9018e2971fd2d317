"""A control module's temperature input: what is known of it from outside. Data only.

Knows: the circuit, the converter, the report, the limits that set fault codes.
Must not know: files, time, ladders, how any of it is simulated.

The converter is ratiometric: its full scale is the reference that also feeds the pull-up.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.module.divider import AdcConvention, most_watts, short_circuit_amperes
from controller.module.encoding import Rounding
from controller.sensors.curve import Sensor

__all__ = ["FanOutput", "Module", "ModuleReport", "SecondPullup"]


@dataclass(frozen=True, kw_only=True)
class SecondPullup:
    """A lower pull-up that the module switches to when hot, to keep its resolution there.

    `ohms` is the pull-up that is effective while switched over (both in parallel, when both stay
    connected). It is switched in above `on_above_celsius` and out below `off_below_celsius`; the
    gap is the hysteresis. For `blanking_s` after either, the module holds its last report and
    judges nothing, while its filter settles.
    """

    ohms: float
    on_above_celsius: float
    off_below_celsius: float
    blanking_s: float


@dataclass(frozen=True, kw_only=True)
class FanOutput:
    """A cooling fan that the module switches by the temperature it measures.

    On at `on_at_celsius` and above, off below `off_below_celsius`; between the two it stays as it
    is. It also runs while the circuit counts as open or shorted, and for `after_jump_s` after a
    change faster than the module's rate limit (common practice, no source: a module that cannot
    trust its temperature cools).
    """

    on_at_celsius: float
    off_below_celsius: float
    after_jump_s: float = 60.0


@dataclass(frozen=True, kw_only=True)
class Module:
    """One input of one module.

    `sensor` is the curve the module believes in. `lowest_report_celsius` and
    `highest_report_celsius` bound the report; `open_reports_celsius` and `short_reports_celsius`
    are the fixed reports of a healthy module that has decided that its circuit is open or
    shorted: measured volts above `high_volts` or below `low_volts` for `detection_s` without a
    break, which also sets `high_code` or `low_code`. `range_code` is set when the temperature
    changes faster than `rate_limit_kelvin_per_s`, taken over `rate_window_s`; None: not judged.
    `refresh_s` is how often the report is renewed; zero: with every sample. Codes are texts of the
    file's author; the numbers used for vehicles are in SAE J2012.
    """

    name: str
    sensor: Sensor
    reference_volts: float
    pullup_ohms: float
    open_reports_celsius: float
    short_reports_celsius: float
    second_pullup: SecondPullup | None = None
    filter_time_constant_s: float = 0.0
    adc_bits: int = 12
    adc_convention: AdcConvention = AdcConvention.FLOOR
    sample_interval_s: float = 0.01
    resolution_celsius: float = 1.0
    rounding: Rounding = Rounding.NEAREST
    lowest_report_celsius: float = -40.0
    highest_report_celsius: float = 215.0
    low_volts: float = 0.1
    high_volts: float = 4.9
    detection_s: float = 2.0
    rate_limit_kelvin_per_s: float | None = None
    rate_window_s: float = 1.0
    low_code: str = "low circuit"
    high_code: str = "high circuit"
    range_code: str = "range"
    refresh_s: float = 0.0
    fan: FanOutput | None = None

    @property
    def lowest_pullup_ohms(self) -> float:
        """The pull-up that lets the most current through."""
        second = self.second_pullup
        return min(self.pullup_ohms, second.ohms) if second else self.pullup_ohms

    @property
    def short_circuit_amperes(self) -> float:
        """The current a dead short draws: Vref/Rp, with the lower pull-up when there are two."""
        return float(short_circuit_amperes(self.reference_volts, self.lowest_pullup_ohms))

    @property
    def most_watts(self) -> float:
        """The most power any resistance at the input can see: Vref^2/(4 Rp)."""
        return float(most_watts(self.reference_volts, self.lowest_pullup_ohms))


@dataclass(frozen=True, kw_only=True)
class ModuleReport:
    """What a module says of itself: reported degC, measured volts, codes in the order set.

    `fan_runs` is what its fan output does at that moment; None for a module without one.
    """

    celsius: float
    volts: float
    codes: tuple[str, ...] = ()
    fan_runs: bool | None = None
