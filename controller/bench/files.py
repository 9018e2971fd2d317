"""Bench files: TOML to a `BenchFile`.

Knows: the keys of the format rungwise-bench/1.
Must not know: how equipment is opened.

format = "rungwise-bench/1"
name = "Harbour workshop"
ladder = "../ladders/bench-16.toml"
hold_off_ms = 2000                # silence after which the ladder parks by itself
switching = "path"                # one relay at a time; or "all-at-once", see `Switching`

[link]
kind = "serial"                   # or "simulated" (in memory), "simulated-pty", or a board that the
url = "/dev/ttyUSB0"              # host times: "modbus-rtu", "ascii" (see `bench.board_link`)
baud = 115200

[readback]
kind = "typed"                    # or "simulated", or "command": a program run per reading,
                                  # or "can", "j1939": see `controller.bench.can`
unit = "C"                        # of numbers typed without one; or "F"

calibration = "../ladders/bench-16-calibration.toml"   # optional

[surroundings]                    # optional: where the ladder stands
ambient_celsius = 12
ambient_span_kelvin = 8           # to either side
insulation_ohms = 1e8             # these three have defaults (see `Surroundings`): least
contact_emf_microvolts = 10       # insulation across the terminals, most from a warm contact,
rung_drift_ppm = 100              # most that a calibrated rung moves in a year

[simulation]                      # for a simulated link or readback
module = "../modules/engine.toml"
seed = 1
reading_interval_s = 0.25
relays = "moving"                 # with times and bounce; or "ideal", which jump

[sense]                           # optional: the board's voltage input at the module's input
channel = 0
load_ohms = 1e7                   # what the tap puts across the input
volts_per_volt = 3                # a divider before the converter
scale_percent = 2                 # uncertainty (k = 1) of converter and divider

[meter]                           # optional: an ohm meter, see `controller.meters.settings`
port = "/dev/ttyUSB1"

[[fault]]                         # what is wrong with the simulated module, if anything
kind = "series-resistance"
ohms = 150

[[ladder_fault]]                  # what is wrong inside the simulated ladder, if anything
kind = "stuck-relay"
relay = 3
energised = true

[second]                          # optional: another ladder for plans with two inputs; it has the
ladder = "../ladders/air.toml"    # keys of a bench of its own, [second.link] and so on
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from controller.bench.board_link import board_of_link
from controller.bench.can import CAN_KEYS, CanSettings, asking_settings
from controller.bench.model import (
    HOST_TIMED_LINKS,
    SIMULATED_LINKS,
    BenchFile,
    LinkKind,
    ReadbackKind,
    RelayMotion,
    Switching,
)
from controller.bench.pair import pair_problems
from controller.documents import Table, read_document
from controller.errors import InputError
from controller.ladder.calibration import calibrated_ladder, load_calibration
from controller.ladder.faults_file import load_ladder_faults
from controller.ladder.files import load_ladder
from controller.ladder.model import Ladder
from controller.ladder.path import FAST_MS, switches_fast
from controller.links.boards import Board
from controller.measurement.budget import Surroundings
from controller.measurement.input_circuit import Tap
from controller.meters.settings import MeterKind, MeterSettings, load_meter
from controller.module.files import load_faults, load_module
from controller.module.model import Module

__all__ = ["BENCH_FORMAT", "load_bench"]

BENCH_FORMAT = "rungwise-bench/1"
SHORTEST_HOLD_OFF_MS = 200
LONGEST_HOLD_OFF_MS = 60_000


def load_bench(path: Path) -> BenchFile:
    """Read a bench file, and the ladder and module files it names.

    Raises InputError with every problem found in any of them.
    """
    document = read_document(path, BENCH_FORMAT)
    root = document.root
    bench = _bench(root, path, root.optional_text("name") or path.stem)
    root.optional_text("note")
    table = root.optional_table("second")
    second = None
    if table is not None:
        second = _bench(table, path, table.optional_text("name") or "second")
        pair_problems(table, bench, second)
    document.finish()
    assert bench is not None  # noqa: S101 - finish() has raised otherwise
    return bench if second is None else replace(bench, second=second)


def _bench(root: Table, path: Path, name: str) -> BenchFile | None:
    """Return what a file or its [second] says of a bench; None: it names no ladder."""
    nominal = root.file("ladder", load_ladder)
    calibration = root.optional_file("calibration", load_calibration)
    surroundings = _surroundings(root.optional_table("surroundings"))
    hold_off_ms = root.integer(
        "hold_off_ms", default=2000, least=SHORTEST_HOLD_OFF_MS, most=LONGEST_HOLD_OFF_MS
    )
    link, url, baud, board = _link(root.table("link"), nominal)
    readback_table = root.table("readback")
    readback, unit, command, timeout_s = _readback(readback_table)
    can: CanSettings | None = None
    if readback in (ReadbackKind.CAN, ReadbackKind.J1939):
        can = asking_settings(readback_table, listens=readback is ReadbackKind.J1939)
    simulation = root.optional_table("simulation")
    simulated = link in SIMULATED_LINKS or readback is ReadbackKind.SIMULATED
    module: Module | None = None
    seed, relays = 1, RelayMotion.MOVING
    interval_s = 0.25 if can is None else can.interval_s
    if simulation is not None:
        module = simulation.file("module", load_module)
        seed = simulation.integer("seed", default=1, least=0)
        stated_s = simulation.number("reading_interval_s", default=0.25, least=0.01, most=60.0)
        interval_s = stated_s if can is None else interval_s
        if not simulated:
            root.problem("simulation", "nothing is simulated on this bench", hint="remove it")
        relays = RelayMotion(
            simulation.choice("relays", [m.value for m in RelayMotion], default=relays.value)
        )
    elif simulated:
        root.problem("simulation", "is missing", hint="[simulation] names the simulated module")
    switching = _switching(root, link, nominal)
    meter = _meter(root, link)
    tap = _tap(root)
    faults = load_faults(root)
    ladder_faults = load_ladder_faults(root, nominal)
    if ladder_faults and link is LinkKind.SERIAL:
        root.problem("ladder_fault", "only a simulated ladder can be faulty", hint="remove it")
    if faults and not simulated:
        root.problem("fault", "only a simulated module can be given faults", hint="remove it")
    ladder = nominal
    if nominal is not None and calibration is not None:
        try:
            ladder = calibrated_ladder(nominal, calibration)
        except InputError as error:
            for problem in error.problems:
                root.problem("calibration", problem.message, hint=problem.hint)
    if ladder is None:
        return None
    return BenchFile(
        name=name,
        ladder=ladder,
        link=link,
        readback=readback,
        hold_off_ms=hold_off_ms,
        url=url,
        baud=baud,
        module=module,
        faults=faults,
        seed=seed,
        reading_interval_s=interval_s,
        typed_unit="F" if unit == "F" else "C",
        nominal_ladder=None if calibration is None else nominal,
        calibration=calibration,
        surroundings=surroundings,
        switching=switching,
        relays=relays,
        path=path,
        command=command,
        command_timeout_s=timeout_s,
        can=can,
        board=board,
        ladder_faults=ladder_faults,
        meter=meter,
        tap=tap,
    )


def _tap(root: Table) -> Tap | None:
    table = root.optional_table("sense")
    if table is None:
        return None
    usual = Tap()
    return Tap(
        channel=table.integer("channel", default=usual.channel, least=0, most=255),
        volts_per_volt=table.number("volts_per_volt", default=1.0, least=1.0, most=100.0),
        load_ohms=table.number("load_ohms", least=1000.0),
        scale_percent=table.number("scale_percent", default=2.0, least=0.01, most=20.0),
    )


def _meter(root: Table, link: LinkKind) -> MeterSettings | None:
    table = root.optional_table("meter")
    if table is None:
        return None
    meter = load_meter(table)
    if meter.kind is MeterKind.SIMULATED and link not in SIMULATED_LINKS:
        table.problem(
            "kind", "a simulated meter measures a simulated ladder", hint="name a port instead"
        )
    return meter


def _link(table: Table, ladder: Ladder | None) -> tuple[LinkKind, str | None, int, Board | None]:
    """Return the kind, the port and its speed, and the board where the host times one."""
    kind = LinkKind(table.choice("kind", [k.value for k in LinkKind]))
    if kind in HOST_TIMED_LINKS:
        board = board_of_link(table, kind.value, ladder)
        return kind, board.url, board.baud, board
    if kind in SIMULATED_LINKS:
        for key in ("url", "baud"):
            if table.raw(key) is not None:
                table.problem(key, 'belongs to kind = "serial"')
        return kind, None, 115_200, None
    return kind, table.text("url"), table.integer("baud", default=115_200, least=300), None


def _readback(table: Table) -> tuple[ReadbackKind, str, tuple[str, ...], float]:
    """Return the kind, the unit of typed numbers, and the command with its time limit."""
    in_files = [kind for kind in ReadbackKind if kind is not ReadbackKind.CALLED]
    kind = ReadbackKind(table.choice("kind", [k.value for k in in_files]))
    unit = table.choice("unit", ("C", "F"), default="C")
    if kind is ReadbackKind.COMMAND:
        command = table.texts("command")
        return kind, unit, tuple(command), table.number("timeout_s", default=5.0, above=0, most=60)
    for key in ("command", "timeout_s"):
        if table.raw(key) is not None:
            table.problem(key, 'belongs to kind = "command"')
    if kind not in (ReadbackKind.CAN, ReadbackKind.J1939):
        for key in CAN_KEYS:
            if table.raw(key) is not None:
                table.problem(key, 'belongs to kind = "can" or "j1939"')
    return kind, unit, (), 5.0


def _switching(root: Table, link: LinkKind, ladder: Ladder | None) -> Switching:
    switching = Switching(
        root.choice("switching", [s.value for s in Switching], default=Switching.PATH.value)
    )
    slow = ladder is not None and not switches_fast(ladder)
    if switching is Switching.ALL_AT_ONCE and link not in SIMULATED_LINKS and slow:
        root.problem(
            "switching",
            "real relays that move together may pass through a dead short",
            hint="leave it out, or use a simulated link; it is also for ladders whose [relays] take"
            f" {FAST_MS:g} ms at most, bounce included",
        )
    return switching


def _surroundings(table: Table | None) -> Surroundings | None:
    if table is None:
        return None
    usual = Surroundings()
    return Surroundings(
        reference_celsius=table.number("reference_celsius", default=usual.reference_celsius),
        ambient_celsius=table.number("ambient_celsius", default=usual.ambient_celsius),
        ambient_span_kelvin=table.number(
            "ambient_span_kelvin", default=usual.ambient_span_kelvin, least=0.0
        ),
        insulation_ohms=table.number("insulation_ohms", default=usual.insulation_ohms, least=1.0),
        contact_emf_microvolts=table.number(
            "contact_emf_microvolts", default=usual.contact_emf_microvolts, least=0.0
        ),
        rung_drift_ppm=table.number("rung_drift_ppm", default=usual.rung_drift_ppm, least=0.0),
    )
