"""The ways in which speaking the protocol can go wrong.

Knows: the difference between our mistake (misuse of this package) and theirs (what came in).
Must not know: frames, messages, who is at the other end.
"""

from __future__ import annotations

__all__ = ["FrameError", "LocalProtocolError", "MessageError", "ProtocolError"]


class ProtocolError(Exception):
    """Base of everything this package raises."""


class LocalProtocolError(ProtocolError):
    """This side asked for something the protocol has no place for, such as two open requests."""


class FrameError(ProtocolError):
    """Bytes between two delimiters that are not a frame."""


class MessageError(ProtocolError):
    """A message with a field out of range, or a body that does not have the shape of its type."""
