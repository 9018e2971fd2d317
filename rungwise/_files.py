"""Files for programs: the loaders, taking a path in any form. Reached through `rungwise` alone."""

from __future__ import annotations

import os
from typing import TypeAlias

from controller.bench.model import BenchFile
from controller.ladder.model import Ladder
from controller.module.model import Module
from controller.planning.plan import Plan
from controller.records.reader import Record
from controller.sensors.curve import Sensor
from rungwise._given import path_given

__all__ = [
    "AnyPath",
    "load_bench",
    "load_ladder",
    "load_module",
    "load_plan",
    "load_sensor",
    "read_record",
]

AnyPath: TypeAlias = str | os.PathLike[str]
"""A path, relative to the current folder unless absolute."""


def load_plan(path: AnyPath) -> Plan:
    """Read a plan, and the sensor and the module it names.

    Raises InputError with every problem found in any of these files.
    """
    from controller.planning.files import load_plan

    return load_plan(path_given(path, "path"))


def load_bench(path: AnyPath) -> BenchFile:
    """Read a bench, and the ladder, its calibration and the module it names.

    Raises InputError with every problem found in any of these files.
    """
    from controller.bench.files import load_bench

    return load_bench(path_given(path, "path"))


def load_ladder(path: AnyPath) -> Ladder:
    """Read a ladder. Raises InputError with every problem found."""
    from controller.ladder.files import load_ladder

    return load_ladder(path_given(path, "path"))


def load_sensor(path: AnyPath) -> Sensor:
    """Read a sensor; `sensor.curve` converts both ways. Raises InputError with every problem."""
    from controller.sensors.files import load_sensor

    return load_sensor(path_given(path, "path"))


def load_module(path: AnyPath) -> Module:
    """Read a module, and the sensor it names. Raises InputError with every problem found."""
    from controller.module.files import load_module

    return load_module(path_given(path, "path"))


def read_record(path: AnyPath) -> Record:
    """Read a record: `opening`, `lines` and `closing`, each line proven by its hash.

    A tail that a crash has torn is left out. Raises InputError when the record is damaged.
    """
    from controller.records.reader import load_record

    return load_record(path_given(path, "path"))
