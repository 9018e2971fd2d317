"""From the settings of a meter to one that can be asked.

Knows: what opens which kind of port.
Must not know: commands, ladders, bench files.
"""

from __future__ import annotations

from controller.clock import RealClock
from controller.links.channel import Channel
from controller.meters.base import Meter
from controller.meters.settings import MeterSettings, Way, way_to

__all__ = ["scpi_meter"]


def scpi_meter(settings: MeterSettings) -> Meter:
    """Return the meter, not yet opened. A real meter takes real time, whatever the run's clock."""
    from controller.meters.polled import PolledMeter
    from controller.meters.scpi import ScpiOhmMeter

    return PolledMeter(
        ScpiOhmMeter(
            _channel(settings),
            RealClock(),
            wires=settings.wires,
            setup=settings.setup,
            timeout_s=settings.timeout_s,
            settle_s=settings.settle_s,
        )
    )


def _channel(settings: MeterSettings) -> Channel:
    from controller.links.serial import SerialChannel
    from controller.meters.visa import VisaChannel

    way, name = way_to(settings.port)
    return VisaChannel(name) if way is Way.VISA else SerialChannel(name, baud=settings.baud)
