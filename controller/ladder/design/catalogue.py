"""The resistors that a ladder may be built of: a preferred series, or what lies in a drawer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from controller.csv_table import read_csv_table
from controller.errors import InputError
from controller.units import parse_ohms

__all__ = ["SERIES", "Catalogue", "Part", "catalogue_of_series", "load_drawer", "without_part"]

_E24 = (
    10,
    11,
    12,
    13,
    15,
    16,
    18,
    20,
    22,
    24,
    27,
    30,
    33,
    36,
    39,
    43,
    47,
    51,
    56,
    62,
    68,
    75,
    82,
    91,
)
_LEAST_OHMS, _MOST_OHMS = 1.0, 1e6

SERIES = ("E12", "E24", "E48", "E96", "E192")


@dataclass(frozen=True, kw_only=True)
class Part:
    """A resistor to be had. `count` is how many there are; None: as many as wanted."""

    ohms: float
    tolerance_percent: float
    count: int | None = None


@dataclass(frozen=True, kw_only=True)
class Catalogue:
    """Parts by rising resistance, each value once. `name` says where they come from."""

    name: str
    parts: tuple[Part, ...]


def without_part(catalogue: Catalogue, taken: Part) -> Catalogue:
    """Return the catalogue when one such part has been taken out of it."""
    parts = [
        replace(part, count=part.count - 1)
        if part.ohms == taken.ohms and part.count is not None
        else part
        for part in catalogue.parts
    ]
    return replace(catalogue, parts=tuple(part for part in parts if part.count != 0))


def catalogue_of_series(name: str, tolerance_percent: float) -> Catalogue:
    """Return the values of a series of IEC 60063 from 1 ohm to 1 Mohm. Raises InputError.

    E12 and E24 are its table, to two digits. The others are 10^(i/N) to three digits; of these
    only 9.19 is not what the standard has, which is 9.20.
    """
    if name.upper() not in SERIES:
        raise InputError.single(f"there is no series {name}", hint=f"one of {', '.join(SERIES)}")
    values = [
        round(digits * 10.0**exponent, 6)
        for exponent in range(7)
        for digits in _digits(name.upper())
    ]
    return Catalogue(
        name=name.upper(),
        parts=tuple(
            Part(ohms=ohms, tolerance_percent=tolerance_percent)
            for ohms in values
            if _LEAST_OHMS <= ohms <= _MOST_OHMS
        ),
    )


def _digits(name: str) -> list[float]:
    if name in ("E12", "E24"):
        return [value / 10 for value in (_E24 if name == "E24" else _E24[::2])]
    size = int(name[1:])
    rounded = [round(10 ** (index / size), 2) for index in range(size)]
    return [9.2 if value == 9.19 else value for value in rounded]


def load_drawer(path: Path) -> Catalogue:
    """Return the parts of a CSV file: ohms, count, tolerance_percent. Raises InputError."""

    def whole(text: str) -> float:
        if not text.strip().isdigit():
            raise InputError.single("must be a whole number of zero or more")
        return float(text)

    def percent(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise InputError.single("must be a number, in percent") from None
        if not 0.0 <= value <= 100.0:
            raise InputError.single("must be 0 to 100")
        return value

    table = read_csv_table(path, {"ohms": parse_ohms, "count": whole, "tolerance_percent": percent})
    kept: dict[float, Part] = {}
    for ohms, count, tolerance in zip(
        table["ohms"], table["count"], table["tolerance_percent"], strict=True
    ):
        if not _LEAST_OHMS / 100 <= ohms <= _MOST_OHMS * 100:
            raise InputError.single(
                f"{ohms:g} ohm is no rung of a ladder", where=str(path), hint="10 mohm to 100 Mohm"
            )
        if count == 0:
            continue
        # Of two entries of one value the better parts are taken; a ladder has one kind of each.
        before = kept.get(ohms)
        if before is None or tolerance < before.tolerance_percent:
            kept[ohms] = Part(ohms=ohms, tolerance_percent=tolerance, count=int(count))
    if not kept:
        raise InputError.single("there is no part in this drawer", where=str(path))
    return Catalogue(name=path.name, parts=tuple(kept[ohms] for ohms in sorted(kept)))
