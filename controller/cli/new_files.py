"""What a new file of each kind says: its text, made from flags or answers."""

from __future__ import annotations

import argparse
import json
import os
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from controller.cli.gather import gathered
from controller.cli.numbers import above_zero, at_least_zero
from controller.errors import InputError
from controller.new_file import write_new
from controller.units import parse_ohms, parse_temperature

__all__ = ["KINDS", "Ask", "Draft", "write_checked"]

Ask = Callable[[str], str]
"""Asks a question; raises InputError where there is nobody to ask."""


@dataclass(frozen=True, kw_only=True)
class Draft:
    """The text of a file, what reads it and gives notes on it, and what to do with it next."""

    text: str
    load: Callable[[Path], tuple[str, ...]]
    next_command: str


def write_checked(path: Path, draft: Draft) -> tuple[str, ...]:
    """Write a draft and read it as any other file; return the notes. Raises InputError.

    A file that turns out not to be valid is taken away again.
    """
    write_new(path, draft.text)
    try:
        return draft.load(path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def _sensor(arguments: argparse.Namespace, ask: Ask) -> Draft:
    from controller.sensors.files import load_sensor

    rows = [tuple(pair) for pair in arguments.point]
    if not rows:
        while answer := ask("point of the chart, temperature and ohm (20 2k5); empty ends"):
            parts = answer.split()
            if len(parts) != 2:
                raise InputError.single(f"{answer!r} is not a temperature and a resistance")
            rows.append((parts[0], parts[1]))
    points = gathered(
        lambda row: (parse_temperature(row[0], what="--point"), parse_ohms(row[1], what="--point")),
        rows,
    )
    reading = at_least_zero(arguments.reading, what="--reading")
    lines = "\n".join(f"  [{celsius:.6g}, {ohms:.6g}]," for celsius, ohms in sorted(points))
    text = f"""\
# A sensor, from the points of its chart: a curve is fitted through them.
format = "rungwise-sensor/1"
kind = "chart-fit"
name = {_quoted(_name(arguments))}

points = [                              # degC, ohm; text with a unit does as well: "2k5"
{lines}
]
reading_uncertainty_percent = {reading:g}         # how well a point can be read (k = 1)
# reading_uncertainty_celsius = 0.5     # the same along the temperature axis
# tolerance_celsius = 2.0               # how far a good sensor may be off its chart
"""
    return Draft(
        text=text,
        load=lambda path: load_sensor(path).warnings,
        next_command=f"rungwise new plan plan.toml --sensor {shlex.quote(str(arguments.file))}",
    )


def _ladder(arguments: argparse.Namespace, ask: Ask) -> Draft:
    from controller.ladder.files import load_ladder

    words = list(arguments.rung)
    if not words:
        while answer := ask(f"rung at relay {len(words)}, in ohm (3R9, 7.5k); empty ends"):
            words.append(answer)
    rungs = gathered(lambda word: parse_ohms(word, what="--rung"), words)
    tolerance = at_least_zero(arguments.tolerance, what="--tolerance")
    lines = "\n".join(
        f"  {{ relay = {index}, ohms = {ohms:.6g}, tolerance_percent = {tolerance:g} }},"
        for index, ohms in enumerate(rungs)
    )
    count = len(rungs)
    text = f"""\
# A ladder: rungs in series, each bypassed by its relay, and two relays at the output.
format = "rungwise-ladder/1"
name = {_quoted(_name(arguments))}
relay_count = {count + 2}
lead_ohms = 0.1                     # both leads together, to the module's plug
lead_uncertainty_ohms = 0.05
# max_current_amperes = 0.1         # what wires and terminals carry

[relays]                            # from the relay's data sheet
contact_ohms = 0.05
contact_uncertainty_ohms = 0.02
operate_ms = 5.0
release_ms = 5.0
bounce_ms = 2.0

[output]
isolate_relay = {count}                   # energised: connected
short_relay = {count + 1}                     # energised: shorted

[[group]]
kind = "series"                     # an energised relay bypasses its rung
rungs = [
{lines}
]
"""
    return Draft(
        text=text,
        load=lambda path: load_ladder(path).warnings,
        next_command=f"rungwise nearest {shlex.quote(str(arguments.file))} 2k5",
    )


def _module(arguments: argparse.Namespace, ask: Ask) -> Draft:
    from controller.module.files import load_module

    sensor = arguments.sensor or ask("sensor file")
    pullup = parse_ohms(arguments.pullup or ask("pull-up, in ohm (2k49)"), what="--pullup")
    reference = above_zero(arguments.reference, what="--reference")
    text = f"""\
# A control module's input, as seen from its plug. What the data sheet does not tell is a guess:
# look at it before it decides anything.
format = "rungwise-module/1"
name = {_quoted(_name(arguments))}
sensor = {_path(sensor, arguments.file)}

[input]
reference_volts = {reference:g}
pullup_ohms = {pullup:.6g}
filter_time_constant_s = 0.15

[adc]
bits = 10
convention = "floor"
sample_interval_s = 0.01

[report]
resolution_celsius = 1.0            # the module reports whole degrees
lowest_report_celsius = -40.0
highest_report_celsius = 215.0
open_reports_celsius = -40.0        # what it reports once it has decided that the circuit is open
short_reports_celsius = 130.0

[limits]
low_volts = {0.02 * reference:g}                     # below: short; above high_volts: open
high_volts = {0.98 * reference:g}
detection_s = 2.0
"""

    def load(path: Path) -> tuple[str, ...]:
        load_module(path)
        return ()

    file = shlex.quote(str(arguments.file))
    return Draft(
        text=text,
        load=load,
        next_command=f"rungwise new bench bench.toml --ladder LADDER --module {file}",
    )


def _bench(arguments: argparse.Namespace, ask: Ask) -> Draft:
    from controller.bench.files import load_bench

    ladder = arguments.ladder or ask("ladder file")
    if (arguments.module is None) == (arguments.port is None):
        raise InputError.single(
            "a bench is either simulated or real", hint="name --module MODULE or --port URL"
        )
    if arguments.port is None:
        rest = f"""\
[link]
kind = "simulated"                  # nothing is driven

[readback]
kind = "simulated"

[simulation]
module = {_path(arguments.module, arguments.file)}
seed = 1
"""
    else:
        rest = f"""\
[link]
kind = "serial"
url = {_quoted(arguments.port)}

[readback]
kind = "typed"                      # read from the diagnostic tool's display
unit = "C"
"""
    text = f"""\
# A bench: which ladder, how it is reached, where the readings come from.
format = "rungwise-bench/1"
name = {_quoted(_name(arguments))}
ladder = {_path(ladder, arguments.file)}
hold_off_ms = 2000                  # after this silence the ladder parks by itself

{rest}"""

    def load(path: Path) -> tuple[str, ...]:
        load_bench(path)
        return ()

    return Draft(
        text=text,
        load=load,
        next_command=f"rungwise set 2k5 --bench {shlex.quote(str(arguments.file))}",
    )


def _plan(arguments: argparse.Namespace, ask: Ask) -> Draft:
    from controller.planning.files import load_plan
    from controller.sensors.files import load_sensor

    sensor = arguments.sensor or ask("sensor file")
    curve = load_sensor(Path(sensor)).curve
    first, last = (
        default if given is None else parse_temperature(given, what=option)
        for given, default, option in (
            (arguments.first, curve.lowest_celsius, "--from"),
            (arguments.last, curve.highest_celsius, "--to"),
        )
    )
    step = above_zero(arguments.step, what="--step")
    tolerance = above_zero(arguments.tolerance, what="--tolerance")
    named = "".join(
        f"{key} = {_path(value, arguments.file)}\n"
        for key, value in (("module", arguments.module), ("bench", arguments.bench))
        if value is not None
    )
    if arguments.check:
        middle = round((first + last) / 2)
        targets = f'celsius = ["open", {middle}, "short"]\n'
    else:
        targets = f"""\
from_celsius = {first:.6g}
to_celsius = {last:.6g}
step_celsius = {step:g}
direction = "up-then-down"
"""
    text = f"""\
# A plan: which temperatures are put at the module's input, and how its report is judged.
format = "rungwise-plan/1"
name = {_quoted(_name(arguments))}
kind = "{"check" if arguments.check else "sweep"}"
sensor = {_path(sensor, arguments.file)}
{named}
tolerance_celsius = {tolerance:g}               # how far the report may be off
decision_rule = "simple"            # "guarded": pass only what is inside by the whole uncertainty

[settle]                            # when a reading counts
within_celsius = 0.5
for_s = 4
at_most_s = 30

[[targets]]
{targets}"""

    def load(path: Path) -> tuple[str, ...]:
        load_plan(path)
        return ()

    return Draft(
        text=text,
        load=load,
        next_command=f"rungwise {'check' if arguments.check else 'sweep'}"
        f" {shlex.quote(str(arguments.file))}",
    )


def _name(arguments: argparse.Namespace) -> str:
    return str(arguments.name or arguments.file.stem.replace("-", " ").replace("_", " "))


def _quoted(text: str) -> str:
    """Write a TOML string; JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False)


def _path(named: str, file: Path) -> str:
    """Write a path as seen from the new file, with slashes everywhere."""
    relative = os.path.relpath(named, file.parent) if not Path(named).is_absolute() else named
    return _quoted(Path(relative).as_posix())


KINDS: dict[str, Callable[[argparse.Namespace, Ask], Draft]] = {
    "sensor": _sensor,
    "ladder": _ladder,
    "module": _module,
    "bench": _bench,
    "plan": _plan,
}
