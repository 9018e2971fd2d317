"""What a device's status says about a run under way.

Knows: link status, which state the run has set.
Must not know: how the status was asked for, what the run does next.
"""

from __future__ import annotations

from controller.errors import LinkError, RelayKnowledge
from controller.ladder.model import Ladder
from controller.links.base import LinkIdentity, LinkStatus

__all__ = ["require_health", "require_ladder"]


def require_ladder(identity: LinkIdentity, ladder: Ladder, *, port: str) -> None:
    """Raise LinkError when the device that answered is not the ladder of the bench file.

    A device that says nothing of itself cannot be told apart from the right one.
    """
    if identity.relay_count is None or identity.park_state is None:
        return
    if (identity.relay_count, identity.park_state) == (ladder.relay_count, ladder.park_state):
        return
    raise LinkError(
        f"the device has {identity.relay_count} relays and parks at"
        f" {ladder.format_state(identity.park_state)}; the ladder {ladder.name!r} has"
        f" {ladder.relay_count} and parks at {ladder.format_state(ladder.park_state)}",
        port=port,
        relays=RelayKnowledge.PARKED,
        hint="is this the ladder that the bench file names?",
    )


def require_health(status: LinkStatus, expected: int, ladder: Ladder, *, port: str) -> None:
    """Raise LinkError when a status in mid-run is not that of a ladder at the expected state."""
    trouble = _trouble(status, expected, ladder)
    if trouble is not None:
        relays = RelayKnowledge.PARKED if status.parked else RelayKnowledge.KNOWN
        raise LinkError(trouble, port=port, relays=relays)


def _trouble(status: LinkStatus, expected: int, ladder: Ladder) -> str | None:
    if status.restarted:
        return "the device has restarted in mid-run and parked"
    if status.hold_off_expired:
        return "the hold-off ran out: the device heard nothing for too long and parked"
    if status.fault:
        return "the board reports a fault of its own and parked"
    if status.state != expected:
        show = ladder.format_state
        return f"the relays are at {show(status.state)} where {show(expected)} was set"
    return None
