"""What `rungwise ladder design` makes of the ladders found: table, document, and files to build by.

Knows: choices and their figures. Must not know: how ladders are found, what arguments said.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller.errors import InputError, Problem

if TYPE_CHECKING:
    from controller.cli.output import Output
    from controller.ladder.design import Build, Part
    from controller.planning.ladder_design import Choice, DesignWish

__all__ = ["document", "new_files", "say", "write"]


def new_files(out: Path | None) -> tuple[Path, ...]:
    """Return the files to write: ladder, parts list, wiring. Refuses those that are there."""
    if out is None:
        return ()
    files = (out, out.with_name(f"{out.stem}-parts.csv"), out.with_suffix(".svg"))
    there = [path for path in files if path.exists()]
    if there or not out.parent.is_dir():
        raise InputError(
            [Problem(message="this file exists already", where=str(path)) for path in there]
            or [Problem(message="there is no such folder", where=str(out.parent))]
        )
    return files


def write(files: tuple[Path, ...], wish: DesignWish, choice: Choice, name: str) -> None:
    """Write the ladder file, its parts list and its wiring. Raises InputError."""
    from controller.cli.ladder_picture import wiring_picture
    from controller.ladder.design import designed_ladder
    from controller.ladder.design.ladders import ladder_text

    ladder = designed_ladder(name, wish.build, choice.parts, wish.fixed)
    served = ", ".join(
        f"{demand.name} {demand.low_celsius:g} to {demand.high_celsius:g} degC"
        for demand in wish.demands
    )
    remarks = [f"Designed for {served}.", *_figures(choice)]
    if wish.plan_deviation_celsius is not None:
        remarks.append(f"In plans with deviation_celsius = {wish.plan_deviation_celsius:g}.")
    texts = (
        ladder_text(name, wish.build, choice.parts, wish.fixed, remarks),
        _parts_list(wish.build, choice, wish.fixed),
        wiring_picture(ladder),
    )
    for path, text in zip(files, texts, strict=True):
        try:
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise InputError.single(
                f"cannot be written: {error.strerror}", where=str(path)
            ) from None


def _figures(choice: Choice) -> list[str]:
    figures = [
        (
            f"Worst deviation {choice.deviation_celsius:.2f} degC; uncertainty of the ladder alone"
            f" {choice.uncertainty_celsius:.2f} degC (k = 2)."
        )
    ]
    for sweep in choice.sweeps:
        bound = sweep.lower_bound_celsius
        figures.append(
            f"{sweep.sensor}, {sweep.step_celsius:g} degC steps: worst excursion"
            f" {sweep.excursion_celsius:.1f} degC"
            f"{'' if bound is None else f', no order can do better than {bound:.1f}'}."
        )
    return figures


def _parts_list(build: Build, choice: Choice, fixed: Part | None) -> str:
    """Return the parts as CSV, one value a line; relays by what they do."""
    used: dict[Part, list[str]] = {}
    for relay, part in enumerate(choice.parts):
        used.setdefault(part, []).append(f"K{relay}")
    if fixed is not None:
        used.setdefault(fixed, []).append("always in circuit")
    lines = ["part,value_ohms,tolerance_percent,power_watts,count,where"]
    lines += [
        f"resistor,{part.ohms:g},{part.tolerance_percent:g},{build.power_watts:g},"
        f"{len(used[part])},{' '.join(used[part])}"
        for part in sorted(used, key=lambda part: part.ohms)
    ]
    count = len(choice.parts)
    lines.append(f"relay,,,,{count},K0 to K{count - 1}: rungs")
    if build.output_relays:
        lines.append(f"relay,,,,1,K{count}: isolates")
        lines.append(f"relay,,,,1,K{count + 1}: shorts")
    return "\n".join(lines) + "\n"


def document(
    wish: DesignWish, choices: tuple[Choice, ...], files: tuple[Path, ...]
) -> dict[str, object]:
    """Return the JSON document."""
    return {
        "catalogue": wish.catalogue.name,
        "fixed_ohms": wish.fixed.ohms if wish.fixed else 0.0,
        "seed": wish.seed,
        "plan_deviation_celsius": wish.plan_deviation_celsius,
        "choices": [
            {
                "rung_ohms": [part.ohms for part in choice.parts],
                "distinct_values": choice.kinds,
                "deviation_celsius": choice.deviation_celsius,
                "uncertainty_celsius": choice.uncertainty_celsius,
                "sweeps": [vars(sweep) for sweep in choice.sweeps],
            }
            for choice in choices
        ],
        "files": [str(path) for path in files],
    }


def say(output: Output, wish: DesignWish, choices: tuple[Choice, ...]) -> None:
    """Print the table of choices, the rungs of each, and what was not found."""
    from controller.planning.ladder_design import rungs_needed

    fixed = f"{wish.fixed.ohms:g} ohm always in circuit" if wish.fixed else "no fixed resistor"
    output.say(f"Ladders from {wish.catalogue.name}, {fixed}; temperatures in {output.degrees}.")
    rows = []
    for number, choice in enumerate(choices, start=1):
        for sweep in choice.sweeps:
            first = sweep is choice.sweeps[0]
            rows.append(
                [
                    str(number) if first else "",
                    str(len(choice.parts)) if first else "",
                    str(choice.kinds) if first else "",
                    output.difference(choice.deviation_celsius, 2) if first else "",
                    output.difference(choice.uncertainty_celsius, 2) if first else "",
                    sweep.sensor,
                    output.difference(sweep.step_celsius, 1),
                    output.difference(sweep.excursion_celsius, 1),
                    output.difference(sweep.lower_bound_celsius, 1),
                    output.difference(sweep.filtered_celsius, 2),
                    str(sweep.relay_operations),
                ]
            )
    output.say_table(
        [
            "",
            "rungs",
            "values",
            "deviation",
            "U (k=2)",
            "sensor",
            "step",
            "excursion",
            "bound",
            "filtered",
            "moves",
        ],
        rows,
    )
    made = {len(choice.parts) for choice in choices}
    needed = rungs_needed(wish)
    if few := [str(count) for count in wish.counts if count < needed]:
        output.say(
            f"With {' or '.join(few)} rungs no values make every temperature within"
            f" {wish.deviation_celsius:g} degC: it takes {needed} at least."
        )
    if missing := [str(n) for n in wish.counts if n >= needed and n not in made]:
        output.say(
            f"With {' or '.join(missing)} rungs: none found within {wish.deviation_celsius:g} degC"
            " that another number of rungs does not better."
        )
    for number, choice in enumerate(choices, start=1):
        output.say(f"{number}: {' '.join(f'{part.ohms:g}' for part in choice.parts)} ohm")
