"""Keys from a terminal, whatever bytes it sends: no byte may end the program.

A byte that is not UTF-8 is read as Latin-1, the other encoding that terminals are still set to; as
a control character it becomes a question mark.
"""

from __future__ import annotations

import codecs
import os
import selectors

from textual._xterm_parser import XTermParser
from textual.driver import Driver
from textual.drivers.linux_driver import LinuxDriver

__all__ = ["PatientDriver", "patient"]

_ERRORS = "rungwise-latin-1"


def _as_latin_1(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeDecodeError):
        raise error
    # One byte at a time: what follows it may be good again.
    byte = error.object[error.start]
    return (chr(byte) if byte >= 0xA0 else "?", error.start + 1)


codecs.register_error(_ERRORS, _as_latin_1)


class PatientDriver(LinuxDriver):
    """Textual's driver for Unix terminals with a reader that survives any input."""

    def run_input_thread(self) -> None:
        """Read, decode and dispatch until the program is left."""
        selector = selectors.SelectSelector()
        selector.register(self.fileno, selectors.EVENT_READ)
        decoder = codecs.getincrementaldecoder("utf-8")(_ERRORS)
        parser = XTermParser(self._debug)
        try:
            while not self.exit_event.is_set():
                ready = bool(selector.select(0.1))
                data = os.read(self.fileno, 4096) if ready else b""
                if ready and not data:
                    return  # the terminal has gone; the guard sees to the rest
                text = decoder.decode(data)  # empty while a character is half there
                try:
                    events = list(parser.feed(text)) if text else []
                    events += parser.tick()
                except Exception:  # noqa: BLE001 - a sequence that means nothing is dropped
                    parser = XTermParser(self._debug)
                    continue
                for event in events:
                    self.process_message(event)
        except OSError:
            return  # likewise
        finally:
            selector.close()


def patient(driver: type[Driver]) -> type[Driver]:
    """Return the driver to use where Textual would use `driver`."""
    return PatientDriver if driver is LinuxDriver else driver
