"""`rungwise ladder design`: rungs worth buying for the sensors a box has to stand in for."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import ExitCode, InputError

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.ladder.design import Catalogue, Demand, Part
    from controller.planning.ladder_design import DesignWish

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "--serve",
        metavar=("SENSOR", "FROM", "TO"),
        nargs=3,
        action="append",
        required=True,
        help="a sensor file and the span to cover: --serve coolant.toml -30 120; again for more"
        " sensors",
    )
    parser.add_argument(
        "--relays",
        metavar="N",
        type=int,
        nargs="+",
        required=True,
        help="how many relays for rungs; several numbers are compared. An isolate and a short"
        " relay come on top, unless --bare is given",
    )
    parts = parser.add_mutually_exclusive_group()
    parts.add_argument(
        "--series", metavar="E24", default="E24", help="E12, E24, E48, E96 or E192 (default: E24)"
    )
    parts.add_argument(
        "--drawer", metavar="CSV", type=Path, help="parts at hand: ohms,count,tolerance_percent"
    )
    parser.add_argument(
        "--tolerance", metavar="PERCENT", default="0.1", help="of the series' parts (default: 0.1)"
    )
    parser.add_argument(
        "--step",
        metavar="DEGC",
        action="append",
        help="a step size that plans will take; may be repeated (default: 5 and 1)",
    )
    parser.add_argument(
        "--deviation",
        metavar="DEGC",
        default="0.3",
        help="largest deviation from a target (default: 0.3)",
    )
    parser.add_argument(
        "--plan-deviation",
        metavar="DEGC",
        help="deviation_celsius of the plans to come: any state this near its target will do"
        " (default: states about as near as the nearest)",
    )
    parser.add_argument(
        "--uncertainty",
        metavar="DEGC",
        help="largest uncertainty (k = 2) of the ladder alone (default: none)",
    )
    parser.add_argument(
        "--fixed", metavar="OHMS", help="resistor always in circuit; 0 for none (default: chosen)"
    )
    parser.add_argument("--bare", action="store_true", help="no isolate and no short relay")
    parser.add_argument(
        "--watts", metavar="W", default="0.25", help="rating of each part (default: 0.25)"
    )
    parser.add_argument(
        "--amperes", metavar="A", default="0.1", help="most current through the box (default: 0.1)"
    )
    parser.add_argument(
        "--contact",
        metavar="OHMS",
        default="0.05",
        help="resistance of a closed contact (default: 0.05)",
    )
    parser.add_argument(
        "--module", metavar="FILE", type=Path, help="say what this module's filter leaves"
    )
    parser.add_argument(
        "--seed",
        metavar="N",
        type=int,
        default=1,
        help="seed of the search; another number searches differently (default: 1)",
    )
    parser.add_argument(
        "--processes",
        metavar="N",
        type=int,
        default=min(os.cpu_count() or 1, 8),
        help="how many at once (default: one for each core)",
    )
    parser.add_argument(
        "--choice",
        metavar="N",
        type=int,
        default=1,
        help="which of the ladders found is written (default: 1, the best)",
    )
    parser.add_argument("--name", metavar="TEXT", help="the ladder's name in its file")
    parser.add_argument(
        "--out",
        metavar="FILE",
        type=Path,
        help="new ladder file; parts list (-parts.csv) and wiring (.svg) are put beside it",
    )


def run(arguments: argparse.Namespace, output: Output) -> int:
    """Find ladders, print their figures, and write one of them where that is asked for."""
    from controller.cli.ladder_design_results import document, new_files, say, write
    from controller.cli.printer import bar
    from controller.planning.ladder_design import design_ladders

    wish = _wish(arguments)
    files = new_files(arguments.out)

    def progress(done: int, of: int, what: str) -> None:
        output.progress(f"{bar(done, of)} {done} of {of} {what}")

    try:
        choices = design_ladders(wish, processes=max(arguments.processes, 1), progress=progress)
    finally:
        output.end_progress()
    if not 1 <= arguments.choice <= len(choices):
        raise InputError.single(
            f"there is no choice {arguments.choice}", where="--choice", hint=f"1 to {len(choices)}"
        )
    chosen = choices[arguments.choice - 1]
    name = arguments.name or f"Designed ladder, {len(chosen.parts)} rungs"
    if files:
        write(files, wish, chosen, name)
    output.document(document(wish, choices, files))
    say(output, wish, choices)
    for path in files:
        output.say(f"Written: {path}")
    return ExitCode.PASS


def _wish(arguments: argparse.Namespace) -> DesignWish:
    from controller.ladder.design import (
        Build,
        Part,
        catalogue_of_series,
        load_drawer,
        without_part,
    )
    from controller.module.files import load_module
    from controller.planning.ladder_design import DesignWish, best_fixed
    from controller.units import parse_ohms

    tolerance = _number(arguments.tolerance, "--tolerance", most=20.0)
    build = Build(
        contact_ohms=_number(arguments.contact, "--contact", most=10.0),
        power_watts=_number(arguments.watts, "--watts", least=1e-3),
        max_current_amperes=_number(arguments.amperes, "--amperes", least=1e-6),
        output_relays=not arguments.bare,
    )
    catalogue: Catalogue = (
        load_drawer(arguments.drawer)
        if arguments.drawer
        else catalogue_of_series(arguments.series, tolerance)
    )
    demands = tuple(_demand(*served) for served in arguments.serve)
    most = 40 if build.output_relays else 42
    if any(not 4 <= count <= most for count in arguments.relays):
        raise InputError.single(f"must be 4 to {most}", where="--relays")
    fixed: Part | None
    if arguments.fixed is None:
        fixed = best_fixed(catalogue, demands, build, max(arguments.relays))
    else:
        ohms = parse_ohms(arguments.fixed, what="--fixed")
        fixed = None
        if ohms > 0:
            at_hand = [part for part in catalogue.parts if part.ohms == ohms]
            fixed = next(iter(at_hand), Part(ohms=ohms, tolerance_percent=tolerance))
        least = min(demand.least_ohms for demand in demands)
        if ohms >= least:
            raise InputError.single(
                f"{ohms:g} ohm always in circuit leaves nothing of the {least:g} ohm to make",
                where="--fixed",
            )
    if fixed is not None:
        catalogue = without_part(catalogue, fixed)
    return DesignWish(
        counts=tuple(sorted(set(arguments.relays))),
        catalogue=catalogue,
        demands=demands,
        steps_celsius=_steps(arguments.step or ["5", "1"], demands),
        deviation_celsius=_number(arguments.deviation, "--deviation", least=0.01, most=20.0),
        build=build,
        fixed=fixed,
        plan_deviation_celsius=(
            None
            if arguments.plan_deviation is None
            else _number(arguments.plan_deviation, "--plan-deviation", least=0.01, most=5.0)
        ),
        uncertainty_celsius=(
            None
            if arguments.uncertainty is None
            else _number(arguments.uncertainty, "--uncertainty", least=1e-6)
        ),
        module=load_module(arguments.module) if arguments.module else None,
        seed=arguments.seed,
    )


def _demand(sensor: str, start: str, end: str) -> Demand:
    from controller.ladder.design import demand_of
    from controller.sensors.extension import extended_celsius
    from controller.sensors.files import load_sensor
    from controller.units import parse_temperature

    served = load_sensor(Path(sensor))
    low, high = sorted(parse_temperature(text, what="--serve") for text in (start, end))
    curve = served.curve
    if low >= high or low < curve.lowest_celsius or high > curve.highest_celsius:
        raise InputError.single(
            f"{served.name} does not cover {low:g} to {high:g} degC",
            where="--serve",
            hint=f"its curve runs from {curve.lowest_celsius:g} to {curve.highest_celsius:g} degC",
        )
    return demand_of(
        served.name, lambda celsius: float(curve.ohms(celsius)), extended_celsius(curve), low, high
    )


def _steps(texts: list[str], demands: tuple[Demand, ...]) -> tuple[float, ...]:
    widest = max(demand.high_celsius - demand.low_celsius for demand in demands)
    steps = {_number(text, "--step", least=0.1, most=widest) for text in texts}
    return tuple(sorted(steps, reverse=True))


def _number(text: str, where: str, *, least: float = 0.0, most: float = 1e6) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError.single(f"{text!r} is not a number", where=where) from None
    if not least <= value <= most:
        raise InputError.single(f"must be {least:g} to {most:g}", where=where)
    return value
