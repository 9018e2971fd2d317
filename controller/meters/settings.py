"""How an ohm meter at the bench is reached and asked, as a bench file states it.

Knows: the keys of ``[meter]``, and which ways there are behind one name of a port.
Must not know: how a meter is opened or asked, ladders.

[meter]
kind = "scpi"                     # or "simulated", on a simulated link
port = "/dev/ttyUSB1"             # or socket://192.0.2.7:5025, or a VISA resource name
baud = 9600                       # of a serial port
wires = 4                         # 4: CONF:FRES, 2: CONF:RES
timeout_s = 10                    # the longest one reading takes
settle_s = 0.2                    # waited between the relays and the reading
setup = ["SYST:REM"]              # optional: commands sent once, before anything is measured
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from controller.documents import Table

__all__ = ["MeterKind", "MeterSettings", "Way", "load_meter", "way_to"]


class MeterKind(Enum):
    """What stands at the other end. `SIMULATED` measures the simulated ladder."""

    SCPI = "scpi"
    SIMULATED = "simulated"


class Way(Enum):
    """What opens a port."""

    PORT = "a serial port or a socket, opened by ourselves"
    VISA = "a resource that needs the extra rungwise[meter]"


@dataclass(frozen=True, kw_only=True)
class MeterSettings:
    """A meter as written down. `port` is empty for a simulated one."""

    kind: MeterKind = MeterKind.SCPI
    port: str = ""
    baud: int = 9600
    wires: int = 4
    timeout_s: float = 10.0
    settle_s: float = 0.2
    setup: tuple[str, ...] = ()


# Resource names: VPP-4.3 (The VISA Library), table 4.3.1.
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(::INSTR)?", re.IGNORECASE)
_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)
_OTHER = re.compile(r"(TCPIP|USB|GPIB)\d*::.+", re.IGNORECASE)


def way_to(port: str) -> tuple[Way, str]:
    """Return what opens a port, and the name it is opened by.

    VISA names of serial ports and raw sockets are put into our own. Raises ValueError, in words,
    for a name that says nothing to this computer.
    """
    name = port.strip()
    if match := _SOCKET.fullmatch(name):
        return Way.PORT, f"socket://{match['host']}:{match['port']}"
    if match := _SERIAL.fullmatch(name):
        inner = match["port"]
        if inner.isdigit():
            raise ValueError(f"{name!r} counts ports; write the port's path: ASRL/dev/ttyUSB0")
        return Way.PORT, inner
    if _OTHER.fullmatch(name):
        return Way.VISA, name
    if "::" in name:
        raise ValueError(
            f"{name!r} is not a VISA resource name that is known here"
            " (ASRL, TCPIP, USB and GPIB are)"
        )
    return Way.PORT, name


def load_meter(table: Table) -> MeterSettings:
    """Take the keys of ``[meter]``; problems are noted in the table's document."""
    kinds = [kind.value for kind in MeterKind]
    kind = MeterKind(table.choice("kind", kinds, default=MeterKind.SCPI.value))
    usual = MeterSettings()
    if kind is MeterKind.SIMULATED:
        for key in ("port", "baud", "setup", "timeout_s"):
            if key in table:
                table.raw(key)
                table.problem(key, 'belongs to kind = "scpi"')
        port, baud, setup, timeout_s = "", usual.baud, usual.setup, usual.timeout_s
    else:
        port = table.text("port")
        baud = table.integer("baud", default=usual.baud, least=300)
        timeout_s = table.number("timeout_s", default=usual.timeout_s, least=0.5, most=120.0)
        setup = tuple(table.texts("setup", required=False))
        _check(table, port, setup)
    wires = table.integer("wires", default=usual.wires)
    if wires not in (2, 4):
        table.problem("wires", f"{wires} is neither 2 nor 4")
    return MeterSettings(
        kind=kind,
        port=port,
        baud=baud,
        wires=wires,
        timeout_s=timeout_s,
        settle_s=table.number("settle_s", default=usual.settle_s, least=0.0, most=60.0),
        setup=setup,
    )


def _check(table: Table, port: str, setup: tuple[str, ...]) -> None:
    try:
        way_to(port)
    except ValueError as error:
        table.problem("port", str(error))
    for command in setup:
        if "?" in command or not command.isprintable() or not command.isascii():
            table.problem(
                "setup",
                f"{command!r} is a question, not a command",
                hint="questions are asked by the program itself",
            )
