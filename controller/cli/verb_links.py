"""`rungwise links`: serial ports, and what answers there.

Knows: how ports and answers are shown.
Must not know: serial ports, the protocol.
"""

from __future__ import annotations

import argparse
from pathlib import Path
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
    parser.add_argument(
        "--bench",
        type=Path,
        metavar="BENCH",
        help="measure how long the board of this bench file takes for one change (its step_ms);"
        " the ladder is parked for it",
    )
    parser.add_argument(
        "--yes", action="store_true", help="the cautions for real equipment have been read"
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """List ports and ask who answers; no relay is moved other than by a board that restarts."""
    from controller.links.serial import PortInfo, list_ports

    if arguments.bench is not None:
        return _measured(arguments.bench, output, yes=arguments.yes)
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


def _measured(path: Path, output: Output, *, yes: bool) -> int:
    """Measure a board on its parked outputs, and say what to write into its bench file."""
    from controller.bench.files import load_bench
    from controller.cli.confirm import confirm_cautions
    from controller.session.step_time import measure_step_time

    bench = load_bench(path)
    if bench.drives_hardware:
        module = bench.module
        confirm_cautions(
            output,
            amperes=None if module is None else module.short_circuit_amperes,
            watts=None if module is None else module.most_watts,
            yes=yes,
            of_bench=bench.cautions,
        )
    found = measure_step_time(bench)
    output.document({**vars(found), "proposed_ms": found.proposed_ms})
    output.say(
        f"{found.count} changes on parked outputs: {found.median_ms:.1f} ms each, the slowest"
        f" {found.slowest_ms:.1f} ms; the bench file states step_ms = {found.stated_ms}."
    )
    if found.median_ms > found.stated_ms:
        output.say(
            f"That is too little: runs would be refused. Write step_ms = {found.proposed_ms}."
        )
    elif found.proposed_ms < found.stated_ms:
        output.say(f"step_ms = {found.proposed_ms} is enough, and shortens what the module sees.")
    output.say("The ladder is parked.")
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
