"""The simulated bench that is there when no file names one.

Knows: a made-up ladder, a healthy module for a sensor.
Must not know: files, how equipment is opened.
"""

from __future__ import annotations

from controller.bench.model import BenchFile
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung
from controller.module.model import Module
from controller.sensors.curve import Sensor

__all__ = ["default_bench", "default_ladder"]


def default_bench(sensor: Sensor, module: Module | None = None) -> BenchFile:
    """Return the simulated bench that needs no file: a made-up ladder, a healthy module.

    The module is the one given, or one that reads `sensor` through a pull-up of the sensor's
    resistance in the middle of its span.
    """
    if module is None:
        curve = sensor.curve
        middle = float(curve.ohms((curve.lowest_celsius + curve.highest_celsius) / 2))
        module = Module(
            name=f"simulated module for {sensor.name}",
            sensor=sensor,
            reference_volts=5.0,
            pullup_ohms=middle,
            open_reports_celsius=-40.0 if not curve.rising else 130.0,
            short_reports_celsius=130.0 if not curve.rising else -40.0,
            filter_time_constant_s=0.15,
            low_volts=0.02,
            high_volts=4.98,
        )
    return BenchFile(name="simulated bench", ladder=default_ladder(), module=module)


def default_ladder() -> Ladder:
    """Return a made-up ladder: 18 rungs in series that grow by 1.8, isolate and short relays.

    From about 1 ohm to 98 kohm. Growing by less than two leaves a choice of states nearly
    everywhere, and with it quieter paths.
    """
    rungs = 18
    values = [float(f"{2.0 * 1.8**index:.3g}") for index in range(rungs)]
    return Ladder(
        name="simulated ladder",
        relay_count=rungs + 2,
        relays=tuple(
            Relay(
                index=index,
                contact_ohms=0.05,
                contact_uncertainty_ohms=0.02,
                operate_ms=4.0,
                release_ms=2.0,
                bounce_ms=1.0,
            )
            for index in range(rungs + 2)
        ),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(
                    # 0.1 % tolerance, rectangular: divided by the root of three.
                    Rung(relay=index, ohms=ohms, uncertainty_ohms=ohms * 0.001 / 3**0.5)
                    for index, ohms in enumerate(values)
                ),
            ),
        ),
        lead_ohms=0.1,
        lead_uncertainty_ohms=0.02,
        isolate_relay=rungs,
        short_relay=rungs + 1,
    )
