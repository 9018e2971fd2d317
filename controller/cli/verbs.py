"""Which verbs there are, what each is for, and lines to try it with.

Knows: names and sentences.
Must not know: arguments, anything that takes time to import.
"""

from __future__ import annotations

__all__ = ["EXAMPLES", "GROUPS", "VERBS", "document_format", "module_name"]

VERBS = {
    "init": "write a small example workshop into a folder",
    "new": "write one file of your own: a sensor, ladder, module, bench or plan",
    "validate": "check files of any kind; nothing is driven",
    "ui": "open the terminal UI on a folder; rungwise alone opens it too",
    "curve": "convert between temperature and resistance, or print a sensor's table",
    "nearest": "find the nearest resistance a ladder can make",
    "plan": "show what a plan would set, step by step; nothing is driven",
    "sweep": "run a plan: set, settle, read, judge, record",
    "readings": "judge a sweep from the log that a diagnostic tool kept meanwhile",
    "seek": "find where something switches, a fan for example, and back: raise, lower, bisect",
    "check": "run the open / short / mid check",
    "set": "put one value at the output and hold it",
    "replay": "judge a record again and re-run it on the simulated bench",
    "diagnose": "say which electrical fault explains the deviations",
    "compare": "compare records of one module, or warming with cooling within one record",
    "links": "list the serial ports, and what answers there",
    "stand-in": "act as a ladder and a module on a CAN bus, to try a run without hardware",
    "export": "turn a record into a CSV table",
    "report": "turn records into a report, plain text or an HTML page",
    "input check": "see what is behind a module's input, before anything drives it",
    "input timing": "measure how often a module renews its report, and how soon it shows a change",
    "input wiggle": "hold one value, and count the jumps while connector and harness are moved",
    "archive add": "collect records in an archive: each verified, each run once",
    "archive ask": "ask an archive: failure rates, drift, wear, or a question in SQL",
    "archive judge": "judge every run again with another tolerance, rule or chart",
    "ladder design": "find rungs worth buying for some sensors, and write the ladder's files",
    "ladder calibrate": "find the rungs' true values from measured states",
    "ladder self-test": "move every relay and read it back, measure every rung",
    "ladder check": "see whether a ladder's calibration still holds",
    "sensor check": "judge a sensor by itself, from what it measured in baths",
}

GROUPS = {
    "input": "look at a module's input: its circuit, its timing, its connector",
    "archive": "collect many records, query them, judge them again (needs the extra [archive])",
    "ladder": "design a ladder, calibrate it with an ohm meter, check its calibration, or test it",
    "sensor": "judge a sensor that has been unplugged, by itself",
}
"""Verbs of two words; the first word alone shows what there is."""

EXAMPLES = {
    "init": ("rungwise init tern", "rungwise check tern/coolant-check.toml"),
    "new": (
        "rungwise new sensor mine.toml --point 0 5k9 --point 20 2k5 --point 40 1k18 --point 80 320",
        "rungwise new ladder ladder.toml --rung 2 --rung 3R9 --rung 7R5",
        "rungwise new plan sweep.toml --sensor mine.toml --from 0 --to 80 --step 20",
    ),
    "validate": ("rungwise validate *.toml sensors/*.toml runs/*.jsonl",),
    "ui": ("rungwise ui tern --light", "rungwise tern"),
    "curve": (
        "rungwise curve sensors/tern-coolant.toml --at 20 --at 176degF",
        "rungwise curve sensors/tern-coolant.toml --ohms 2k5",
    ),
    "nearest": ("rungwise nearest ladders/bench-16.toml 2k5 320ohm",),
    "plan": (
        "rungwise plan coolant-sweep.toml --paths",
        "rungwise plan coolant-sweep.toml --svg step.svg --step 4",
    ),
    "sweep": (
        "rungwise sweep coolant-sweep.toml",
        "rungwise sweep coolant-sweep.toml --bench benches/serial-example.toml --record a.jsonl",
        "rungwise sweep coolant-sweep.toml --record a.jsonl --resume",
    ),
    "readings": (
        "rungwise readings runs/later.jsonl log.csv --value coolant --unit F",
        "rungwise sweep coolant-sweep.toml --readings later --record runs/later.jsonl",
    ),
    "check": (
        "rungwise check coolant-check.toml",
        "rungwise check coolant-check.toml --junit check.xml",
    ),
    "set": (
        "rungwise set 20degC --bench benches/simulated.toml",
        "rungwise set 2k5 --bench benches/serial-example.toml --hold 30",
        "rungwise set relay 3",
        "rungwise set 2k5 --bench pair.toml --input 2",
    ),
    "replay": ("rungwise replay recorded/coolant-corroded.jsonl --junit replay.xml",),
    "diagnose": ("rungwise diagnose recorded/coolant-corroded.jsonl",),
    "compare": (
        "rungwise compare before.jsonl after.jsonl",
        "rungwise compare recorded/coolant-corroded.jsonl",
    ),
    "export": ("rungwise export recorded/coolant-corroded.jsonl > table.csv",),
    "report": ("rungwise report recorded/coolant-corroded.jsonl",),
    "links": ("rungwise links", "rungwise links /dev/ttyUSB0"),
    "seek": ("rungwise seek fan-seek.toml --record fan.jsonl",),
    "ladder design": (
        "rungwise ladder design --serve sensors/tern-coolant.toml 0 120 --relays 16 --out box.toml",
    ),
    "ladder calibrate": (
        "rungwise ladder calibrate ladders/bench-16.toml --propose 32 --out readings.csv",
        "rungwise ladder calibrate ladders/bench-16.toml --readings readings.csv --out mine.toml",
    ),
    "ladder check": (
        "rungwise ladder check ladders/bench-16.toml --calibration mine.toml",
        "rungwise ladder check ladders/bench-16.toml --calibration mine.toml --readings spot.csv",
    ),
    "ladder self-test": ("rungwise ladder self-test --bench bench.toml",),
    "stand-in": (
        "rungwise stand-in benches/simulated.toml",
        "rungwise stand-in benches/simulated.toml --run check coolant-check.toml --bench can.toml",
    ),
    "input check": (
        "rungwise input check --bench bench.toml",
        "rungwise input check --bench bench.toml --module module.toml --out measured.toml",
    ),
    "input timing": ("rungwise input timing --bench bench.toml",),
    "input wiggle": ("rungwise input wiggle 20degC --bench bench.toml --for 120",),
    "archive add": ("rungwise archive add runs",),
    "archive ask": (
        "rungwise archive ask failures",
        'rungwise archive ask --sql "SELECT verdict, count(*) FROM runs GROUP BY verdict"',
    ),
    "archive judge": ("rungwise archive judge --tolerance 2",),
    "sensor check": ("rungwise sensor check sensors/tern-coolant.toml bath.toml",),
}
"""What a verb's help ends with: lines for the folder that `rungwise init` writes.

Files that it does not write are the user's own.
"""


def document_format(verb: str) -> str:
    """Return what stands under `format` in the documents of a verb."""
    return f"rungwise-{verb.replace(' ', '-')}-output/1"


def module_name(verb: str) -> str:
    """Return the module of `controller.cli` that has the verb."""
    return f"verb_{verb.replace(' ', '_').replace('-', '_')}"
