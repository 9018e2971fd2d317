"""The part of a bench file that says how a module is read over CAN.

[readback]
kind = "can"                      # asked by services; extra: rungwise[can]
interface = "slcan"               # or "socketcan" (its bit rate is set by the system)
channel = "/dev/ttyACM0"
bitrate = 500000
addressing = "11-bit"             # or "29-bit"
service = "01"                    # or "22", for modules that keep current data behind F4
quantity = "coolant"
module = "7E8"                    # only when several answer
interval_s = 0.25
codes_interval_s = 1.0            # while a search watches for a code: how often codes are read
refresh_s = 1.0                   # how often the module renews its report, where that is known
silent_bus = false                # true: ask although nothing was heard (behind a gateway)

[readback]
kind = "j1939"                    # listened to; sends nothing
interface = "slcan"
channel = "/dev/ttyACM0"
bitrate = 250000
quantity = "coolant"              # SPN 110; or "intake-air" (105), "oil" (175)
module = "00"                     # the sender's address, only when several broadcast it
interval_s = 1.0                  # how often it is broadcast
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from controller.clock import Clock
from controller.documents import Table
from controller.readback.base import Readback
from controller.readback.can.broadcast_readback import BroadcastReadback
from controller.readback.can.frames import Addressing
from controller.readback.can.j1939 import Temperature
from controller.readback.can.port import PythonCanPort
from controller.readback.can.services import Quantity, Service
from controller.readback.can.services_readback import CODES_INTERVAL_S, ServiceReadback
from controller.readback.can.shared_module import Asked, shared_module

__all__ = [
    "CAN_KEYS",
    "CanSettings",
    "asking_settings",
    "can_port",
    "can_readback",
    "shared_can_readbacks",
]

CAN_KEYS = ("interface", "channel", "bitrate", "baud", "addressing", "service", "quantity")
"""Keys that belong to these kinds alone."""

_LONGEST_REFRESH_S = 60.0


@dataclass(frozen=True, kw_only=True)
class CanSettings:
    """How a module is reached over CAN.

    `bitrate` is in bit/s, None where the system sets it; `baud` is for adapters on a serial port.
    `module` is the identifier it answers with, or the sender's address of broadcasts, in hex.
    `addressing` and `service` are None for broadcasts.
    """

    interface: str
    channel: str
    bitrate: int | None
    baud: int
    quantity: str
    module: str | None
    interval_s: float
    refresh_s: float
    addressing: Addressing | None = None
    service: Service | None = None
    silent_bus: bool = False
    codes_interval_s: float = field(default=CODES_INTERVAL_S, metadata={"later": True})


def asking_settings(table: Table, *, listens: bool) -> CanSettings:
    """Return what a readback table says; `listens` for broadcasts. Problems go to the table."""
    interface = table.text("interface")
    channel = table.text("channel")
    bitrate = table.optional_integer("bitrate", least=10_000, most=1_000_000)
    if interface == "slcan" and bitrate is None:
        table.problem("bitrate", "is missing", hint="500000 and 250000 are usual")
    if interface == "socketcan" and bitrate is not None:
        table.problem(
            "bitrate",
            "is set by the system for this interface",
            hint=f"ip link set {channel} up type can bitrate {bitrate}",
        )
    baud = table.integer("baud", default=115_200, least=300)
    kinds: type[Temperature | Quantity] = Temperature if listens else Quantity
    quantity = table.choice("quantity", [one.value for one in kinds])
    module = table.optional_text("module")
    if module is not None and not _is_hex(module):
        table.problem("module", f"{module!r} is not a hex number", hint='such as "7E8" or "00"')
        module = None
    silent_bus = False
    codes_interval_s = CODES_INTERVAL_S
    addressing: Addressing | None = None
    service: Service | None = None
    if not listens:
        addressing = Addressing(
            table.choice("addressing", [a.value for a in Addressing], default="11-bit")
        )
        service = Service(table.choice("service", [s.value for s in Service], default="01"))
        silent_bus = table.boolean("silent_bus", default=False)
        codes_interval_s = table.number(
            "codes_interval_s", default=CODES_INTERVAL_S, least=0.2, most=60.0
        )
    return CanSettings(
        interface=interface,
        channel=channel,
        bitrate=bitrate,
        baud=baud,
        quantity=quantity,
        module=module,
        interval_s=table.number(
            "interval_s", default=1.0 if listens else 0.25, least=0.02, most=60.0
        ),
        refresh_s=table.number("refresh_s", default=0.0, least=0.0, most=_LONGEST_REFRESH_S),
        addressing=addressing,
        service=service,
        silent_bus=silent_bus,
        codes_interval_s=codes_interval_s,
    )


def can_port(settings: CanSettings) -> PythonCanPort:
    """Return the way to the bus; nothing is opened yet."""
    return PythonCanPort(settings.interface, settings.channel, settings.bitrate, baud=settings.baud)


def can_readback(settings: CanSettings, clock: Clock) -> Readback:
    """Return the readback; nothing is opened yet."""
    port = can_port(settings)
    if settings.addressing is None or settings.service is None:
        module = None if settings.module is None else int(settings.module, 16)
        return BroadcastReadback(
            port, clock, quantity=Temperature(settings.quantity), module=module
        )
    return ServiceReadback(
        port,
        clock,
        quantity=Quantity(settings.quantity),
        addressing=settings.addressing,
        service=settings.service,
        module=settings.module,
        interval_s=settings.interval_s,
        codes_interval_s=settings.codes_interval_s,
        silent_bus=settings.silent_bus,
    )


def shared_can_readbacks(every: Sequence[CanSettings], clock: Clock) -> tuple[Readback, ...]:
    """Return readbacks of one module that is asked over one bus; nothing is opened yet.

    They agree in all but quantity and interval, and ask: `bench.pair` has seen to that.
    """
    first = every[0]
    assert first.addressing is not None and first.service is not None  # noqa: S101, PT018
    return shared_module(
        can_port(first),
        clock,
        [Asked(quantity=Quantity(one.quantity), interval_s=one.interval_s) for one in every],
        addressing=first.addressing,
        service=first.service,
        module=first.module,
        silent_bus=first.silent_bus,
    )


def _is_hex(text: str) -> bool:
    try:
        return 0 <= int(text, 16) < 1 << 29
    except ValueError:
        return False
