"""`rungwise links`: serial ports, and what answers there.

Knows: how ports and answers are shown.
Must not know: serial ports, the protocol.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from controller.errors import ExitCode, LinkError

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "url", metavar="URL", nargs="*", help="a port or URL to ask (default: every serial port)"
    )
    parser.add_argument(
        "--no-probe",
        action="store_true",
        help="only list: opening a port restarts some boards, and disturbs other equipment",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """List ports and ask who answers; no relay is moved other than by a board that restarts."""
    from controller.links.serial import PortInfo, list_ports

    if arguments.url:
        ports = [PortInfo(port=url, description="") for url in arguments.url]
    else:
        ports = list_ports()
    links = [_asked(port, probe=not arguments.no_probe) for port in ports]
    output.document({"links": links})
    if not links:
        output.say("No serial port was found on this machine.")
        return ExitCode.PASS
    output.say_table(
        ["port", "what it is", "what answers"],
        [[link["port"], link["description"], _words(link)] for link in links],
    )
    answering = sum(link["identity"] is not None for link in links)
    output.say(f"{answering} of {len(links)} ports answer as a ladder.")
    if arguments.url and answering < len(links):
        return ExitCode.LINK_FAULT
    return ExitCode.PASS


def _asked(port: Any, *, probe: bool) -> dict[str, Any]:
    from controller.links.serial import probe as ask

    link: dict[str, Any] = {
        "port": port.port,
        "description": port.description,
        "identity": None,
        "error": None,
    }
    if probe:
        try:
            link["identity"] = vars(ask(port.port))
        except LinkError as error:
            link["error"] = error.message
    return link


def _words(link: dict[str, Any]) -> str:
    identity = link["identity"]
    if identity is None:
        return link["error"] or "not asked"
    return f"{identity['name']}, {identity['relay_count']} relays"
