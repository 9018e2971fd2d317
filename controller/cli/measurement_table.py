"""States to measure, as a table that can be filled in."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from controller.cautions import METER_CAUTION
from controller.errors import ExitCode
from controller.ladder.calibration import Design, Instrument
from controller.ladder.calibration.model import rungs_of
from controller.ladder.electrical import states_ohms
from controller.ladder.model import Ladder
from controller.new_file import write_new
from controller.text import clean
from controller.units import COVERAGE_FACTOR

if TYPE_CHECKING:
    from controller.cli.output import Output

__all__ = ["COLUMNS", "blank_table", "say_design"]

COLUMNS = "state,ohms,uncertainty_ohms,expected_ohms"


def blank_table(
    ladder: Ladder, states: Sequence[int], meter: Instrument, remarks: Sequence[str]
) -> str:
    """Return a CSV table of the states in which only the column `ohms` is empty."""
    expected = states_ohms(ladder, np.array(states, dtype=np.uint64))
    own = meter.uncertainty_ohms(expected)
    share = 100 * meter.relative
    lines = [f"# {clean(remark)}" for remark in remarks]
    lines += [
        *(f"# {line}" for line in textwrap.wrap(METER_CAUTION, 90)),
        "# Voltage offsets (thermo-EMF) count: use the meter's offset compensation, or turn the",
        "# leads round and take the mean. Note the temperature of the ladder (--ambient).",
        "# Set each state (rungwise set STATE --bench BENCH), wait until the meter stands still,",
        "# and write its ohms into the column ohms. uncertainty_ohms is standard (k = 1), here of",
        f"# a meter with {share:g} % of the reading and {meter.floor_ohms:g} ohm: put in yours.",
        COLUMNS,
    ]
    lines += [
        f"{ladder.format_state(state)},,{u:.3g},{max(ohms, 0.0):.6g}"
        for state, ohms, u in zip(states, expected.tolist(), own.tolist(), strict=True)
    ]
    return "\n".join(lines) + "\n"


def say_design(
    output: Output, ladder: Ladder, design: Design, meter: Instrument, *, out: Path | None
) -> ExitCode:
    """Print or write the table of a design, with what each rung will be known to."""
    file_ohms = {rung.relay: rung.ohms for rung in rungs_of(ladder)}
    rungs = [
        {"relay": relay, "ohms": file_ohms[relay], "uncertainty_ohms": COVERAGE_FACTOR * u}
        for relay, u in zip(design.relays, design.uncertainties_ohms, strict=True)
    ]
    remarks = [
        f"{ladder.name}: {len(design.states)} states that determine {len(rungs)} rungs.",
        "Each rung will be known to (k = 2):",
        *(
            f"  relay {one['relay']}: {one['ohms']:g} ohm +- {one['uncertainty_ohms']:.2g} ohm"
            f" ({100 * one['uncertainty_ohms'] / one['ohms']:.2g} %)"
            for one in rungs
        ),
    ]
    unchecked = [ladder.format_state(design.states[index]) for index in design.unchecked]
    if unchecked:
        remarks += [
            "Unchecked, measure twice (write a row for each time), or propose more states:",
            *textwrap.wrap(", ".join(unchecked), 88),
        ]
    text = blank_table(ladder, design.states, meter, remarks)
    expected = states_ohms(ladder, np.array(design.states, dtype=np.uint64)).tolist()
    if out is not None:
        write_new(out, text)
        if unchecked:
            count = len(unchecked)
            states, them = ("state is", "it") if count == 1 else ("states are", "them")
            output.say(f"{count} {states} not checked by the others: measure {them} twice.")
        output.say(f"Written to {out}: fill it in and come back with --readings {out}.")
    elif not output.json:
        output.raw(text)
    output.document(
        {
            "ladder": ladder.name,
            "states": [
                {"state": ladder.format_state(state), "expected_ohms": ohms}
                for state, ohms in zip(design.states, expected, strict=True)
            ],
            "rungs": rungs,
            "unchecked": unchecked,
            "csv": text,
        }
    )
    return ExitCode.PASS
