"""A channel to what only a VISA library reaches: USB-TMC, VXI-11, GPIB.

Knows: pyvisa with the backend pyvisa-py, and how it fails. Both are the extra rungwise[meter].
Must not know: commands, answers, ladders.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from controller.links.channel import ChannelError
from controller.text import clean

__all__ = ["VisaChannel"]

_WRITE_MS = 2000


class VisaChannel:
    """A resource by its VISA name. A read waits as long as it is asked to, in one piece:
    ending a transfer early leaves some instruments confused.
    """

    def __init__(self, resource: str, *, backend: str = "@py") -> None:
        self.port = resource
        self._backend = backend
        self._manager: Any = None
        self._resource: Any = None

    def open(self) -> None:
        """Open the resource, cleared (IEEE 488.2 device clear) where it can be."""
        try:
            import pyvisa
        except ModuleNotFoundError:
            raise ChannelError(
                "this kind of resource needs pyvisa", "install it: pip install 'rungwise[meter]'"
            ) from None
        self.close()
        try:
            self._manager = pyvisa.ResourceManager(self._backend)
            self._resource = self._manager.open_resource(self.port)
            self._resource.timeout = _WRITE_MS
        except Exception as error:
            self.close()
            raise _translated(error) from error
        with suppress(Exception):  # not every kind of resource knows it
            self._resource.clear()

    def write(self, data: bytes) -> None:
        """Send all of the bytes."""
        try:
            self._opened().write_raw(data)
        except ChannelError:
            raise
        except Exception as error:
            raise _translated(error) from error

    def read(self, timeout_s: float) -> bytes:
        """Return the next piece of an answer; b"" when none came in time."""
        resource = self._opened()
        if timeout_s <= 0:
            return b""  # asking an instrument that has nothing to say is an error of its own
        try:
            resource.timeout = max(1, round(1000 * timeout_s))
            return bytes(resource.read_raw())
        except Exception as error:
            if "VI_ERROR_TMO" in str(error):
                return b""
            raise _translated(error) from error
        finally:
            with suppress(Exception):
                resource.timeout = _WRITE_MS

    def drain(self) -> None:
        """Do nothing: opening has cleared the resource."""

    def close(self) -> None:
        """Let go."""
        for held in (self._resource, self._manager):
            if held is not None:
                with suppress(Exception):
                    held.close()
        self._resource = self._manager = None

    def _opened(self) -> Any:
        if self._resource is None:
            raise ChannelError("the meter is not open")
        return self._resource


def _translated(error: Exception) -> ChannelError:
    text = clean(str(error)).strip() or type(error).__name__
    return ChannelError(
        f"the VISA library says: {text[:200]}",
        "see whether the resource name is right and its backend is installed",
    )
