"""Reading module files, and the fault tables of bench files.

Knows: the keys of ``rungwise-module/1`` and of ``[[fault]]``.
Must not know: how a module or a fault acts.
"""

from __future__ import annotations

from pathlib import Path

from controller.documents import Table, read_document
from controller.module.divider import AdcConvention
from controller.module.encoding import ENCODINGS, Rounding
from controller.module.faults import (
    CurveOffset,
    Fault,
    Gain,
    LeakageToGround,
    Noise,
    SeriesResistance,
    StuckReport,
    WrongCurve,
)
from controller.module.model import FanOutput, Module, SecondPullup
from controller.sensors.files import load_sensor
from controller.units import KELVIN_AT_ZERO_CELSIUS

__all__ = ["FAULT_KINDS", "load_faults", "load_module"]

FORMAT = "rungwise-module/1"
COLDEST = -KELVIN_AT_ZERO_CELSIUS
FAULT_KINDS = (
    "series-resistance",
    "leakage-to-ground",
    "gain",
    "wrong-curve",
    "curve-offset",
    "stuck-report",
    "noise",
)


def load_module(path: Path) -> Module:
    """Read a module file and the sensor file it names.

    Raises InputError with every problem of both.
    """
    document = read_document(path, FORMAT)
    root = document.root
    name = root.text("name")
    sensor = root.file("sensor", load_sensor)

    circuit = root.table("input")
    reference_volts = circuit.number("reference_volts", above=0.0, most=60.0)
    pullup_ohms = circuit.number("pullup_ohms", above=0.0)
    time_constant_s = circuit.number("filter_time_constant_s", least=0.0)
    second = _second_pullup(circuit, pullup_ohms, time_constant_s)

    adc = root.table("adc")
    bits = adc.integer("bits", least=6, most=16)
    convention = adc.choice("convention", [c.value for c in AdcConvention])
    interval_s = adc.number("sample_interval_s", least=0.0001, most=60.0)

    report = root.table("report")
    resolution, lowest, highest = _report_steps(report)
    rounding = report.choice(
        "rounding", [r.value for r in Rounding], default=Rounding.NEAREST.value
    )
    open_celsius = report.number("open_reports_celsius", least=COLDEST)
    short_celsius = report.number("short_reports_celsius", least=COLDEST)

    refresh_s = report.number("refresh_s", default=0.0, least=0.0, most=60.0)

    limits = root.table("limits")
    low_volts = limits.number("low_volts", least=0.0)
    high_volts = limits.number("high_volts", above=0.0)
    if high_volts <= low_volts:
        limits.problem("high_volts", f"must be more than low_volts, which is {low_volts:g}")
    if high_volts >= reference_volts:
        limits.problem(
            "high_volts", f"must be less than reference_volts, which is {reference_volts:g}"
        )
    detection_s = limits.number("detection_s", least=0.0)
    rate = limits.optional_number("rate_limit_kelvin_per_s", above=0.0)
    rate_window_s = limits.number("rate_window_s", default=1.0, above=0.0, most=3600.0)
    low_code = limits.text("low_code", default="low circuit")
    high_code = limits.text("high_code", default="high circuit")
    range_code = limits.text("range_code", default="range")
    fan = _fan(root)
    document.finish()
    assert sensor is not None  # noqa: S101 - finish has raised otherwise
    return Module(
        name=name,
        sensor=sensor,
        reference_volts=reference_volts,
        pullup_ohms=pullup_ohms,
        second_pullup=second,
        filter_time_constant_s=time_constant_s,
        adc_bits=bits,
        adc_convention=AdcConvention(convention),
        sample_interval_s=interval_s,
        resolution_celsius=resolution,
        rounding=Rounding(rounding),
        lowest_report_celsius=lowest,
        highest_report_celsius=highest,
        open_reports_celsius=open_celsius,
        short_reports_celsius=short_celsius,
        low_volts=low_volts,
        high_volts=high_volts,
        detection_s=detection_s,
        rate_limit_kelvin_per_s=rate,
        rate_window_s=rate_window_s,
        low_code=low_code,
        high_code=high_code,
        range_code=range_code,
        refresh_s=refresh_s,
        fan=fan,
    )


def _fan(root: Table) -> FanOutput | None:
    table = root.optional_table("fan")
    if table is None:
        return None
    on_at = table.number("on_at_celsius", least=COLDEST)
    off_below = table.number("off_below_celsius", least=COLDEST)
    if off_below > on_at:
        table.problem("off_below_celsius", f"must not be above on_at_celsius, {on_at:g}")
    after_jump_s = table.number("after_jump_s", default=60.0, least=0.0, most=3600.0)
    return FanOutput(on_at_celsius=on_at, off_below_celsius=off_below, after_jump_s=after_jump_s)


def load_faults(table: Table, key: str = "fault") -> tuple[Fault, ...]:
    """Take the array of fault tables under a key; problems are noted in the table's document.

    Each has a `kind` out of FAULT_KINDS and that kind's one value.
    """
    faults = [_fault(entry) for entry in table.tables(key)]
    return tuple(fault for fault in faults if fault is not None)


def _fault(entry: Table) -> Fault | None:
    kind = entry.choice("kind", FAULT_KINDS)
    match kind:
        case "series-resistance":
            return SeriesResistance(ohms=entry.number("ohms", least=0.0))
        case "leakage-to-ground":
            return LeakageToGround(ohms=entry.number("ohms", above=0.0))
        case "gain":
            return Gain(factor=entry.number("factor", above=0.0))
        case "wrong-curve":
            sensor = entry.file("sensor", load_sensor)
            return WrongCurve(sensor=sensor) if sensor else None
        case "curve-offset":
            return CurveOffset(kelvin=entry.number("offset_kelvin"))
        case "stuck-report":
            return StuckReport(celsius=entry.number("reports_celsius", least=COLDEST))
        case _:
            return Noise(volts=entry.number("noise_volts", least=0.0))


def _second_pullup(
    circuit: Table, pullup_ohms: float, time_constant_s: float
) -> SecondPullup | None:
    table = circuit.optional_table("second_pullup")
    if table is None:
        return None
    ohms = table.number("pullup_ohms", above=0.0)
    if ohms >= pullup_ohms:
        table.problem("pullup_ohms", "must be less than the first pull-up")
    on_above = table.number("on_above_celsius", least=COLDEST)
    off_below = table.number("off_below_celsius", least=COLDEST)
    if off_below >= on_above:
        table.problem("off_below_celsius", f"must be less than on_above_celsius, {on_above:g}")
    # Ten time constants leave 0.005 % of the step.
    blanking_s = table.number("blanking_s", default=10.0 * time_constant_s, least=0.0)
    return SecondPullup(
        ohms=ohms, on_above_celsius=on_above, off_below_celsius=off_below, blanking_s=blanking_s
    )


def _report_steps(report: Table) -> tuple[float, float, float]:
    """Return resolution, lowest and highest report: stated, or those of a named encoding."""
    lowest, highest = -40.0, 215.0
    resolution: float | None = None
    if "encoding" in report:
        encoding = ENCODINGS[report.choice("encoding", sorted(ENCODINGS))]
        resolution = encoding.resolution_celsius
        lowest, highest = encoding.lowest_celsius, encoding.highest_celsius
    else:
        report.optional_text("encoding")
    resolution = report.number("resolution_celsius", default=resolution, above=0.0)
    lowest = report.number("lowest_report_celsius", default=lowest, least=COLDEST)
    highest = report.number("highest_report_celsius", default=highest, least=COLDEST)
    if highest <= lowest:
        report.problem("highest_report_celsius", f"must be more than the lowest, {lowest:g}")
    return resolution, lowest, highest
