"""Serial ports for a bench: which there are, who answers, whether a bench's own is there.

Knows: links, bench files.
Must not know: how they are shown, plans.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from controller.bench.model import BenchFile, LinkKind
from controller.errors import LinkError

__all__ = ["PortFound", "find_ports", "missing_port", "on_port"]


@dataclass(frozen=True, kw_only=True)
class PortFound:
    """A serial port. `answer` says who answered there, or why nobody did."""

    port: str
    description: str
    answer: str
    is_ladder: bool


def find_ports() -> tuple[PortFound, ...]:
    """Return every serial port of this machine after asking who is there.

    No relay is moved other than by a board that restarts when its port is opened.
    """
    from controller.links.serial import list_ports, probe

    found = []
    for one in list_ports():
        answer, is_ladder = "", False
        try:
            identity = probe(one.port)
        except LinkError as error:
            answer = error.message
        else:
            answer, is_ladder = f"{identity.name}, {identity.relay_count} relays", True
        found.append(
            PortFound(
                port=one.port, description=one.description, answer=answer, is_ladder=is_ladder
            )
        )
    # What can be used stands first.
    return tuple(sorted(found, key=lambda one: not one.is_ladder))


def on_port(bench: BenchFile, port_of: Callable[[Path | None], str | None]) -> BenchFile:
    """Return a bench with the port that was picked for it in place of the one its file names."""
    port = port_of(bench.path) if bench.link is LinkKind.SERIAL else None
    return bench if port is None else replace(bench, url=port)


def missing_port(bench: BenchFile) -> str | None:
    """Return the port of a bench that is not there; None where it is, or where none is needed.

    A URL is asked only when it is opened.
    """
    url = bench.url
    if bench.link is not LinkKind.SERIAL or not url or "://" in url:
        return None
    return None if not url.startswith("/") or Path(url).exists() else url
