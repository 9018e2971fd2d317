"""A fault of a run as the JSON documents of the verbs tell it: one form for all of them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from controller.run.events import FaultRaised

__all__ = ["fault_fields"]


def fault_fields(faults: Iterable[FaultRaised]) -> list[dict[str, Any]]:
    """Return each fault: when, what failed with its cause, what is known of the relays then."""
    return [
        {"at_s": one.at_s, "message": one.message, "relays": one.relays.value} for one in faults
    ]
