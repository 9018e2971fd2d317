"""Serial ports: a channel over pyserial, the list of ports, and who answers there.

Knows: pyserial, and every way it fails.
Must not know: frames, messages, relays.

pyserial is imported when a port is opened or listed, so that importing this module costs nothing.
"""

from __future__ import annotations

import errno
import os
import select
import termios
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.clock import Clock, RealClock
from controller.links.attended import AttendedChannel, Attention
from controller.links.base import LinkIdentity
from controller.links.channel import Channel, ChannelError
from controller.links.session_link import SessionLink
from firmware_protocol.messages import printable

if TYPE_CHECKING:
    import serial

__all__ = [
    "URL_SCHEMES",
    "PortInfo",
    "SerialChannel",
    "list_ports",
    "open_exclusively",
    "probe",
    "serial_link",
]

BAUD = 115200
URL_SCHEMES = ("hwgrep", "loop", "rfc2217", "socket")
"""The URLs that are opened. Other handlers of pyserial write files or run a class by its name."""

READ_TIMEOUT_S = 0.05
"""How long one read blocks: short, so that a run can always be stopped."""
WRITE_TIMEOUT_S = 0.5

_CHUNK = 4096

_LIST = "`rungwise links` lists the ports"
_GONE = "plug it in again, and start again"

_BY_NUMBER: dict[int, tuple[str, str]] = {
    errno.ENOENT: ("there is no such port", _LIST),
    errno.ENXIO: ("the port is gone", _GONE),
    errno.ENODEV: ("the port is gone", _GONE),
    errno.EIO: ("the port is gone", _GONE),
    errno.EBADF: ("the port is gone", _GONE),
    errno.EPIPE: ("the connection was closed at the other end", _GONE),
    errno.ECONNRESET: ("the connection was closed at the other end", _GONE),
    errno.ECONNREFUSED: ("nothing accepts the connection there", "check the address"),
    errno.EACCES: (
        "no permission to open the port",
        "on most Linux systems: sudo usermod -aG dialout $USER, then log in again",
    ),
    errno.EPERM: ("no permission to open the port", "check who owns it"),
    errno.EBUSY: ("another program has the port open", "close the other program"),
    errno.EAGAIN: ("another program has the port open", "close the other program"),
    errno.ENOTTY: ("this is not a serial port", _LIST),
    errno.EINVAL: ("the port does not take these settings", "it has to do {baud} baud"),
    errno.EISDIR: ("this is a folder, not a serial port", _LIST),
}


class SerialChannel:
    """A serial port by its path, or by a URL of `URL_SCHEMES`; held exclusively."""

    def __init__(self, port: str, *, baud: int = BAUD) -> None:
        self._port = port
        self._baud = baud
        self._serial: serial.Serial | None = None
        self._file: int | None = None

    @property
    def port(self) -> str:
        """The path or URL."""
        return self._port

    def open(self) -> None:
        """Open the port for this process alone, and throw away what lies in it."""
        self.close()
        import serial

        self._serial = open_exclusively(self._port, baud=self._baud)
        if type(self._serial) is serial.Serial and os.name == "posix":
            self._file = self._serial.fileno()

    def write(self, data: bytes) -> None:
        """Send all of the bytes."""
        try:
            port = self._opened()
            if self._file is not None:
                data = data[_write_file(self._file, data) :]
            if data:
                port.write(data)
        except _FAILURES as error:
            raise _translated(error) from error

    def read(self, timeout_s: float) -> bytes:
        """Return what has come; waits at most READ_TIMEOUT_S, whatever longer time is asked for."""
        try:
            port = self._opened()
            if self._file is not None:
                return _read_file(self._file, min(timeout_s, READ_TIMEOUT_S))
            first = port.read(1)
            return first + port.read(port.in_waiting) if first else b""
        except _FAILURES as error:
            raise _translated(error) from error

    def drain(self) -> None:
        """Throw away what has come."""
        try:
            self._opened().reset_input_buffer()
        except _FAILURES as error:
            raise _translated(error) from error

    def close(self) -> None:
        """Let go of the port."""
        port, self._serial, self._file = self._serial, None, None
        if port is not None:
            with suppress(Exception):  # a port that is gone may fail in any way; it is gone
                port.close()

    def _opened(self) -> serial.Serial:
        if self._serial is None:
            raise ChannelError("the port is not open")
        return self._serial


def open_exclusively(
    port: str,
    *,
    baud: int,
    parity: str = "N",
    stop_bits: int = 1,
    read_timeout_s: float = READ_TIMEOUT_S,
) -> serial.Serial:
    """Return an open port that no other program can open, with nothing left in it.

    Raises ChannelError, with what to do about it.
    """
    _require_known(port)
    import serial

    opened: serial.Serial | None = None
    try:
        opened = serial.serial_for_url(
            port,
            baudrate=baud,
            parity=parity,
            stopbits=stop_bits,
            timeout=read_timeout_s,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
        opened.reset_input_buffer()
    except _FAILURES as error:
        if opened is not None:
            with suppress(Exception):
                opened.close()
        raise _translated(error, baud=baud) from error
    return opened


# Where the port is a file, bytes go in and out with one system call where pyserial needs three:
# it has to be told how many bytes to wait for, and waits after writing. That is a quarter of the
# time a request takes (tests/benchmarks/link.py).


def _write_file(file: int, data: bytes) -> int:
    """Write what goes at once; return how many bytes that was."""
    try:
        return os.write(file, data)
    except BlockingIOError:
        return 0


def _read_file(file: int, timeout_s: float) -> bytes:
    """Return what there is, waiting for the first byte; b"" when the time has passed."""
    ready, _, _ = select.select([file], [], [], timeout_s)
    if not ready:
        return b""
    data = os.read(file, _CHUNK)
    if not data:
        raise OSError(errno.EIO, "the port announces data but delivers none")
    return data


def _require_known(port: str) -> None:
    """Raise ChannelError for a URL whose handler could do more than reach a ladder."""
    scheme, separator, _ = port.partition("://")
    if separator and scheme.lower() not in URL_SCHEMES:
        raise ChannelError(
            f"this is not a port that can be opened: {scheme}:// is not a way to a ladder",
            f"name a port, or a URL of {', '.join(f'{name}://' for name in URL_SCHEMES)}",
        )


_FAILURES = (OSError, termios.error, ValueError, TypeError)
"""Every way in which pyserial fails.

SerialException is an OSError, but often without a number; ValueError is an unknown URL scheme or
speed; termios.error is neither, and has its number in args; TypeError is what reading a port that
was closed meanwhile gives.
"""


def _translated(error: Exception, *, baud: int = BAUD) -> ChannelError:
    import serial

    if isinstance(error, serial.SerialTimeoutException):
        return ChannelError("the port accepts no data", "check the cable and the adapter")
    number = _number_of(error)
    if number in _BY_NUMBER:
        message, hint = _BY_NUMBER[number]
        return ChannelError(message, hint.format(baud=baud))
    if isinstance(error, ValueError):
        return ChannelError(f"this is not a port that can be opened: {error}", _LIST)
    text = printable(str(error)) or type(error).__name__
    if "disconnected" in text or isinstance(error, TypeError):
        return ChannelError("the port is gone", _GONE)
    return ChannelError(f"the port failed: {text}")


def _number_of(error: BaseException | None) -> int | None:
    """Return the system's error number from an error, or from the one that caused it."""
    seen = 0
    while error is not None and seen < 5:
        number = getattr(error, "errno", None)
        if number is None and error.args and isinstance(error.args[0], int):
            number = error.args[0]
        if isinstance(number, int):
            return number
        error, seen = error.__context__, seen + 1
    return None


def serial_link(
    port: str,
    *,
    clock: Clock | None = None,
    baud: int = BAUD,
    attention: Attention | None = None,
) -> SessionLink:
    """Return a link over a serial port; `attention` says who is seen to while it waits."""
    real = RealClock()
    channel: Channel = SerialChannel(port, baud=baud)
    if attention is not None:
        channel = AttendedChannel(channel, attention)
    return SessionLink(channel, clock or real, line_clock=real)


@dataclass(frozen=True, kw_only=True)
class PortInfo:
    """A serial port of this machine. `description` is free of control characters."""

    port: str
    description: str


def list_ports() -> list[PortInfo]:
    """Return the serial ports of this machine, sorted by name. Opens none of them."""
    from serial.tools import list_ports as tools

    ports = [
        PortInfo(port=found.device, description=printable(found.description or ""))
        for found in tools.comports()
    ]
    return sorted(ports, key=lambda info: info.port)


def probe(port: str, *, clock: Clock | None = None, baud: int = BAUD) -> LinkIdentity:
    """Ask who answers at a port, without moving a relay. Raises LinkError when nobody does.

    Opening the port restarts some boards, which parks them.
    """
    link = serial_link(port, clock=clock, baud=baud)
    try:
        return link.identify()
    finally:
        link.close()
