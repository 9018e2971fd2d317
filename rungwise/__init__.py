"""Rungwise for programs: run a plan, judge what a module reports, in a few lines.

    import rungwise

    result = rungwise.run("sweeps/coolant-sweep.toml", bench="sweeps/benches/simulated.toml")
    assert result.verdict == "pass", result.sentence

With a module of your own, which is called in place of a bench's readback:

    rungwise.run(plan, readback=lambda ohms, celsius: my_module.report(ohms))

Files; each raises InputError with everything that is wrong with them:

    load_plan         read a plan, with the sensor and the module it names
    load_bench        read a bench, with the ladder and the module it names
    load_ladder       read a ladder
    load_sensor       read a sensor
    load_module       read a module
    read_record       read a record and prove its lines

What to do with them:

    resolve           decide states, paths and uncertainties of a plan; nothing is driven
    run               carry out a plan: set, settle, read, judge, park
    judge             judge readings that were taken elsewhere, one for each step
    result_of         what came of a recorded run
    replay            judge a record again and run it again, number by number
    diagnose          which electrical fault explains the deviations
    explain           a diagnosis in words: what it means, where to look
    describe          one step's result in words, for a log
    steps             pytest: one case for each step of a plan

What comes out:

    Result            a run: verdict, sentence, steps, record
    StepResult        a step: reported, error, verdict, settled, codes
    ResolvedPlan      a plan with everything decided
    ResolvedStep      a step with everything decided
    Plan              a plan file
    BenchFile         a bench file
    Ladder            a ladder file
    Sensor            a sensor file
    Module            a module file
    Record            the proven lines of a record
    Replay            a replay: its differences
    Diagnosis         the explanations tried, the best one, what cannot be told apart
    Words             a diagnosis in words
    Verdict           "pass", "fail" or "undecided"; compares equal to these
    Ending            "complete", "stopped" or "fault"; compares equal to these
    StepKind          "temperature", "open" or "short"; compares equal to these
    ReadbackFunction  the type of a function that gives readings

What may be raised, all of them a RungwiseError whose text says what to do:

    RungwiseError     any of these
    InputError        a file or an argument was refused; nothing was driven
    LinkError         the way to the ladder failed; says what is known of the relays
    ReadbackError     the way to the readings failed
    RecordError       a record could not be written on
    ReplayError       a replay did not get through its plan

Temperatures are degC, resistances ohm, times seconds; uncertainties are expanded ones (k = 2).
Everything is loaded when it is first used. From then on the names `controller` and
`firmware_protocol` belong to Rungwise in this process, wherever else the path has packages of
these names; when one of those has been imported before, the first use raises ImportError.
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from controller import __version__
    from controller.bench.model import BenchFile
    from controller.diagnosis import Diagnosis, Words
    from controller.errors import InputError, LinkError, ReadbackError, RungwiseError
    from controller.ladder.model import Ladder
    from controller.measurement.model import Verdict
    from controller.module.model import Module
    from controller.planning.model import ResolvedPlan, ResolvedStep, StepKind
    from controller.planning.plan import Plan
    from controller.readback.called import ReadbackFunction
    from controller.records.reader import Record
    from controller.records.replay import Replay, ReplayError
    from controller.records.writer import RecordError
    from controller.run.model import Ending, StepResult
    from controller.sensors.curve import Sensor
    from rungwise._files import (
        load_bench,
        load_ladder,
        load_module,
        load_plan,
        load_sensor,
        read_record,
    )
    from rungwise._results import Result, describe, result_of
    from rungwise._verbs import diagnose, explain, judge, replay, resolve, run
    from rungwise.pytest_plugin import steps

__all__ = [
    "BenchFile",
    "Diagnosis",
    "Ending",
    "InputError",
    "Ladder",
    "LinkError",
    "Module",
    "Plan",
    "ReadbackError",
    "ReadbackFunction",
    "Record",
    "RecordError",
    "Replay",
    "ReplayError",
    "ResolvedPlan",
    "ResolvedStep",
    "Result",
    "RungwiseError",
    "Sensor",
    "StepKind",
    "StepResult",
    "Verdict",
    "Words",
    "__version__",
    "describe",
    "diagnose",
    "explain",
    "judge",
    "load_bench",
    "load_ladder",
    "load_module",
    "load_plan",
    "load_sensor",
    "read_record",
    "replay",
    "resolve",
    "result_of",
    "run",
    "steps",
]

_HOMES = {
    "controller": ("__version__",),
    "controller.bench.model": ("BenchFile",),
    "controller.diagnosis": ("Diagnosis", "Words"),
    "controller.errors": ("InputError", "LinkError", "ReadbackError", "RungwiseError"),
    "controller.ladder.model": ("Ladder",),
    "controller.measurement.model": ("Verdict",),
    "controller.module.model": ("Module",),
    "controller.planning.model": ("ResolvedPlan", "ResolvedStep", "StepKind"),
    "controller.planning.plan": ("Plan",),
    "controller.readback.called": ("ReadbackFunction",),
    "controller.records.reader": ("Record",),
    "controller.records.replay": ("Replay", "ReplayError"),
    "controller.records.writer": ("RecordError",),
    "controller.run.model": ("Ending", "StepResult"),
    "controller.sensors.curve": ("Sensor",),
    "rungwise._files": (
        "load_bench",
        "load_ladder",
        "load_module",
        "load_plan",
        "load_sensor",
        "read_record",
    ),
    "rungwise._results": ("Result", "describe", "result_of"),
    "rungwise._verbs": ("diagnose", "explain", "judge", "replay", "resolve", "run"),
    "rungwise.pytest_plugin": ("steps",),
}
"""Where each public name lives."""


def __getattr__(name: str) -> object:
    """Load a public name when it is first asked for."""
    home = next((home for home, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    from rungwise._house import claim

    claim()
    found: object = getattr(import_module(home), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
