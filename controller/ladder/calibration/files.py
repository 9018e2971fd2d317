"""The files of a calibration: measured states in (CSV), the calibration out and in again (TOML)."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np

from controller.csv_table import read_csv_table
from controller.documents import Table, read_document
from controller.errors import InputError
from controller.ladder.calibration.model import Calibration, Measurement
from controller.ladder.electrical import connected_mask, with_contact
from controller.ladder.files import parse_state
from controller.ladder.model import Ladder
from controller.new_file import write_new
from controller.units import parse_ohms

__all__ = [
    "FORMAT",
    "calibration_text",
    "load_calibration",
    "measurements_from_csv",
    "write_calibration",
]

FORMAT = "rungwise-calibration/1"


def measurements_from_csv(path: Path, ladder: Ladder) -> tuple[Measurement, ...]:
    """Return the measured states of a CSV file.

    `state` is ``0x0a3f``, a decimal number, or ``short`` for the short relay closed and all
    rungs at rest; `uncertainty_ohms` is standard (k = 1). Raises InputError with every wrong line.
    """

    def state(text: str) -> float:
        if text.lower() == "short":
            if ladder.short_relay is None:
                raise InputError.single("this ladder has no short relay")
            base = connected_mask(ladder)
            return float(with_contact(ladder, base, ladder.short_relay, closed=True))
        found = parse_state(text, ladder)
        if found >= 2**53:
            raise InputError.single("states of more than 53 relays cannot be read from a CSV file")
        return float(found)

    def uncertainty(text: str) -> float:
        ohms = parse_ohms(text)
        if ohms == 0:
            raise InputError.single("must be more than 0", hint="the instrument's data sheet")
        return ohms

    table = read_csv_table(
        path,
        {"state": state, "ohms": parse_ohms, "uncertainty_ohms": uncertainty},
        foreign_units={"kohm": "ohm", "kohms": "ohm", "uncertainty_percent": "ohm"},
    )
    rows = zip(table["state"], table["ohms"], table["uncertainty_ohms"], strict=True)
    return tuple(
        Measurement(state=int(state), ohms=ohms, uncertainty_ohms=spread)
        for state, ohms, spread in rows
    )


def calibration_text(calibration: Calibration) -> str:
    """Return a calibration as a file; numbers come back exactly as they were."""
    own = calibration.uncertainties_ohms
    rungs = zip(calibration.relays, calibration.rung_ohms, own, strict=False)
    lines = [
        f"format = {_text(FORMAT)}",
        f"ladder = {_text(calibration.ladder)}",
        f"utc = {_text(calibration.utc)}",
    ]
    if calibration.instrument:
        lines.append(f"instrument = {_text(calibration.instrument)}")
    if calibration.ambient_celsius is not None:
        lines.append(f"ambient_celsius = {calibration.ambient_celsius!r}")
    if calibration.common_relative_uncertainty:
        lines += [
            "# A scale error that all readings share, standard (k = 1): part of the covariance.",
            f"common_relative_uncertainty = {calibration.common_relative_uncertainty!r}",
        ]
    lines += [
        "",
        f"measurements = {calibration.measurements}",
        f"chi_square = {calibration.chi_square!r}",
        f"degrees_of_freedom = {calibration.degrees_of_freedom}",
        f"probability = {calibration.probability!r}",
        "",
        "# Expanded uncertainties (k = 2), for people; the covariance below is what counts:",
        *(f"#   relay {relay}: {ohms:.6g} ohm +- {2 * u:.2g}" for relay, ohms, u in rungs),
        f"#   contacts: {calibration.contact_offset_ohms:+.3g} ohm +- {2 * own[-2]:.2g} (offset)",
        f"#   leads: {calibration.lead_ohms:.3g} ohm +- {2 * own[-1]:.2g}",
        f"relays = [{', '.join(map(str, calibration.relays))}]",
        f"rung_ohms = {_numbers(calibration.rung_ohms)}",
        f"contact_offset_ohms = {calibration.contact_offset_ohms!r}",
        f"lead_ohms = {calibration.lead_ohms!r}",
        "",
        "# Rows and columns: the rungs as listed, the contact offset, the leads.",
        "covariance_ohms2 = [",
        *(f"  {_numbers(row)}," for row in calibration.covariance_ohms2.tolist()),
        "]",
    ]
    return "\n".join(lines) + "\n"


def write_calibration(path: Path, calibration: Calibration) -> None:
    """Write a new file. Raises InputError when it exists: old calibrations show the drift."""
    write_new(path, calibration_text(calibration), hint="put the date into the name")


def load_calibration(path: Path) -> Calibration:
    """Return the calibration a file holds. Raises InputError with every problem in it."""
    document = read_document(path, FORMAT)
    root = document.root
    relays = _relays(root)
    rungs = root.numbers("rung_ohms")
    if any(ohms <= 0 for ohms in rungs):
        root.problem("rung_ohms", "every rung must be more than 0")
    if len(rungs) != len(relays):
        root.problem("rung_ohms", f"has {len(rungs)} values for {len(relays)} relays")
    size = len(relays) + 2
    rows = root.number_rows("covariance_ohms2", columns=size)
    utc = root.text("utc")
    try:
        datetime.fromisoformat(utc)
    except ValueError:
        root.problem("utc", f"{utc!r} is not a date", hint="write 2026-03-31T09:30:00+00:00")
    calibration = {
        "ladder": root.text("ladder"),
        "instrument": root.text("instrument", default=""),
    }
    ambient = root.optional_number("ambient_celsius", least=-273.15)
    common = root.number("common_relative_uncertainty", default=0.0, least=0.0)
    measurements = root.integer("measurements", least=1)
    chi_square = root.number("chi_square", least=0.0)
    freedom = root.integer("degrees_of_freedom", least=0)
    probability = root.number("probability", least=0.0, most=1.0)
    offset = root.number("contact_offset_ohms")
    lead = root.number("lead_ohms")
    if document.sound:
        _check_covariance(root, rows, size)
    document.finish()
    return Calibration(
        ladder=calibration["ladder"],
        utc=utc,
        relays=tuple(relays),
        rung_ohms=tuple(rungs),
        contact_offset_ohms=offset,
        lead_ohms=lead,
        covariance_ohms2=np.array(rows),
        measurements=measurements,
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        probability=probability,
        instrument=calibration["instrument"],
        ambient_celsius=ambient,
        common_relative_uncertainty=common,
    )


def _relays(root: Table) -> list[int]:
    numbers = root.numbers("relays")
    if any(number != int(number) or number < 0 for number in numbers if np.isfinite(number)):
        root.problem("relays", "must be relay numbers")
    relays = [int(number) for number in numbers if np.isfinite(number)]
    if len(set(relays)) != len(relays):
        root.problem("relays", "names a relay twice")
    return relays


def _check_covariance(root: Table, rows: list[tuple[float, ...]], size: int) -> None:
    if len(rows) != size:
        root.problem("covariance_ohms2", f"has {len(rows)} rows, needs {size}")
        return
    matrix = np.array(rows)
    spread = np.sqrt(np.abs(np.diag(matrix)))
    allowed = 1e-9 * np.outer(spread, spread)
    if np.any(np.abs(matrix - matrix.T) > allowed):
        root.problem("covariance_ohms2", "must be symmetric")
        return
    scaled = matrix / np.outer(np.maximum(spread, 1e-150), np.maximum(spread, 1e-150))
    if np.any(np.diag(matrix) <= 0) or np.linalg.eigvalsh(scaled)[0] < -1e-9:
        root.problem("covariance_ohms2", "is not a covariance: a variance comes out negative")


def _numbers(values: tuple[float, ...] | list[float]) -> str:
    return f"[{', '.join(repr(float(value)) for value in values)}]"


def _text(text: str) -> str:
    """Write a TOML basic string; JSON escapes the same way but for the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
