"""A bus through an adapter, by way of python-can; loaded when a bus is opened.

Knows: python-can, and what adapters that speak the serial-line CAN text do wrong.
Must not know: services, messages of more than one frame, modules.

Such an adapter (slcan) sends each frame as a line of text. A line that is torn, or glued to the
next, is dropped; BEL says that a frame could not be sent and is kept for the sentence that ends
the run.
"""

from __future__ import annotations

import errno
import re
import select
from typing import TYPE_CHECKING, Any

from controller.errors import InputError, ReadbackError
from controller.readback.can.frames import Frame

if TYPE_CHECKING:
    import can

__all__ = ["SILENT_ADAPTER_S", "WAKE_UP_S", "PythonCanPort"]

WAKE_UP_S = 2.0
"""Adapters that start anew when their port is opened need so long to listen to it."""

SILENT_ADAPTER_S = 0.5
"""How long a frame may take to leave for the adapter."""

_BUS_OFF = 0x40
"""In an error frame's identifier: the controller has left the bus (SocketCAN's numbering)."""

_LINE_END = re.compile(rb"[\r\a]")

_MISSING = (errno.ENOENT, errno.ENODEV, errno.ENXIO)
_FORBIDDEN = (errno.EACCES, errno.EPERM)


class PythonCanPort:
    """A bus of python-can, by the names of its interface and channel.

    `bitrate` is in bit/s; None where the system sets it. `baud` is for adapters on a serial port.
    """

    def __init__(
        self, interface: str, channel: str, bitrate: int | None, *, baud: int = 115_200
    ) -> None:
        self.name = f"{interface} adapter at {channel}"
        self.close_error = ""
        """Why closing went wrong, for whoever looks."""
        self.refused = 0
        """How often the adapter has said that a frame could not be sent."""
        self.torn = 0
        """How many lines of the adapter could not be read."""
        self._interface = interface
        self._channel = channel
        self._bitrate = bitrate
        self._baud = baud
        self._bus: can.BusABC | None = None

    @property
    def complaint(self) -> str:
        """What the adapter has said of frames that it could not send."""
        if not self.refused:
            return ""
        return f"; the adapter could not send {self.refused} of our frames (BEL)"

    def open(self) -> None:
        """Open the bus, listening only where the adapter can.

        Raises InputError when python-can is not installed or does not know the interface,
        ReadbackError when the adapter is not there or may not be used.
        """
        try:
            import can
        except ModuleNotFoundError as missing:
            if missing.name != "can":
                raise
            raise InputError.single(
                "reading over CAN needs python-can, which is not installed",
                where="readback.kind",
                hint="install the extra: pip install 'rungwise[can]'",
            ) from None
        try:
            self._bus = self._opened()
        except NotImplementedError:
            raise InputError.single(
                f"python-can knows no interface {self._interface!r}",
                where="readback.interface",
                hint='"slcan" for adapters on a serial port, "socketcan" for those of the system',
            ) from None
        except (can.CanError, OSError, ValueError) as error:
            raise self._unopened(error) from None

    def _opened(self) -> can.BusABC:
        if self._interface == "slcan":
            return _serial_line_bus(self, self._channel, self._bitrate, self._baud)
        import can

        settings: dict[str, Any] = {} if self._bitrate is None else {"bitrate": self._bitrate}
        return can.Bus(
            interface=self._interface, channel=self._channel, ignore_config=True, **settings
        )

    def _unopened(self, error: Exception) -> ReadbackError:
        number = _error_number(error)
        if number in _FORBIDDEN:
            return ReadbackError(
                "there is no permission to use the adapter",
                source=self.name,
                hint="on Debian the group dialout may use serial ports: log in again after joining",
            )
        if number in _MISSING or number == errno.EAFNOSUPPORT:
            return ReadbackError(
                "there is no such adapter",
                source=self.name,
                hint="is it plugged in, and is the channel right? `ls /dev/tty*`, `ip link`",
            )
        return ReadbackError(f"the adapter cannot be opened: {error}", source=self.name)

    def go_active(self) -> None:
        """Take part in the bus: acknowledge frames, and send."""
        if self._bus is not None and hasattr(self._bus, "go_active"):
            with self._failing():
                self._bus.go_active()

    def send(self, frame: Frame) -> None:
        """Send a frame. Raises ReadbackError when the adapter is gone."""
        import can

        assert self._bus is not None  # noqa: S101 - open() comes first
        message = can.Message(
            arbitration_id=frame.identifier, is_extended_id=frame.extended, data=frame.data
        )
        with self._failing():
            self._bus.send(message, timeout=SILENT_ADAPTER_S)

    def receive(self, timeout_s: float) -> Frame | None:
        """Return the next data frame. Raises ReadbackError when the adapter is gone or bus-off."""
        assert self._bus is not None  # noqa: S101 - open() comes first
        with self._failing():
            try:
                message = self._bus.recv(timeout_s)
            except (ValueError, IndexError):  # python-can on a line that is torn
                self.torn += 1
                return None
        if message is None or message.is_remote_frame:
            return None
        if message.is_error_frame:
            self._error_frame(message.arbitration_id)
            return None
        if len(message.data) != message.dlc:
            self.torn += 1
            return None
        return Frame(message.arbitration_id, bytes(message.data), message.is_extended_id)

    def close(self) -> None:
        """Close the bus."""
        bus, self._bus = self._bus, None
        if bus is not None:
            # It must never raise: an adapter that has gone makes every call fail in its own way.
            try:
                bus.shutdown()
            except Exception as error:  # noqa: BLE001
                self.close_error = str(error)

    def _error_frame(self, flags: int) -> None:
        if flags & _BUS_OFF:
            raise ReadbackError(
                "the adapter has left the bus after too many errors (bus-off)",
                source=self.name,
                hint="wrong bit rate, wires swapped, or no terminating resistors?",
            )

    def _failing(self) -> _Failing:
        return _Failing(self.name)


class _Failing:
    """Turns what python-can raises in mid-run into one sentence."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, _kind: type[BaseException] | None, error: BaseException | None, _trace: object
    ) -> None:
        import can

        if isinstance(error, can.CanError | OSError):
            raise ReadbackError(
                f"the adapter does not answer any more: {error}",
                source=self._name,
                hint="was it unplugged?",
            ) from None


def _error_number(error: BaseException) -> int | None:
    """Return the number of the operating system's error behind an exception."""
    seen: BaseException | None = error
    while seen is not None:
        number = getattr(seen, "errno", None)
        if isinstance(number, int):
            return number
        seen = seen.__cause__ or seen.__context__
    code = getattr(error, "error_code", None)
    return code if isinstance(code, int) else None


def _serial_line_bus(
    port: PythonCanPort, channel: str, bitrate: int | None, baud: int
) -> can.BusABC:
    """Return python-can's bus for such adapters, listening only until `go_active`."""
    import can
    from can.exceptions import error_check
    from can.interfaces.slcan import slcanBus

    class SerialLineBus(slcanBus):
        """Listens first, hears BEL, which python-can passes over, reads all there is at once."""

        def go_active(self) -> None:
            self.close()
            self._listen_only = False
            self.open()

        def shutdown(self) -> None:
            # An adapter that has gone cannot be told; python-can would then leave the port open.
            try:
                super().shutdown()
            except can.CanError as error:
                self._is_shutdown = True
                port.close_error = str(error)
            finally:
                self.serialPortOrig.close()

        def _read(self, timeout: float | None) -> str | None:
            # python-can reads byte by byte, which costs more than all the rest on a busy bus.
            line = self._finished()
            if line is None:
                ready, _, _ = select.select([self.serialPortOrig.fileno()], [], [], timeout)
                if ready:
                    with error_check("Could not read from serial device"):
                        waiting = max(1, self.serialPortOrig.in_waiting)
                        self._buffer += self.serialPortOrig.read(waiting)
                    line = self._finished()
            if line is None:
                return None
            if line.endswith(b"\a"):
                port.refused += 1
                return None
            return line.decode("ascii")  # ValueError for bytes of no text, as for any torn line

        def _finished(self) -> bytes | None:
            found = _LINE_END.search(self._buffer)
            if found is None:
                return None
            line = bytes(self._buffer[: found.end()])
            del self._buffer[: found.end()]
            return line

    return SerialLineBus(
        channel,
        tty_baudrate=baud,
        bitrate=bitrate,
        listen_only=True,
        sleep_after_open=WAKE_UP_S,
    )
