"""From a set of rungs to a ladder that can be built, and its file."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.arrays import FloatArray
from controller.ladder.design.catalogue import Part
from controller.ladder.model import Group, GroupKind, Ladder, Relay, Rung

__all__ = ["Build", "base_ohms", "designed_ladder", "ladder_text", "steps_ohms"]


@dataclass(frozen=True, kw_only=True)
class Build:
    """What all rungs have in common, and what else the box has.

    With `output_relays` an isolate relay and a short relay come on top of those of the rungs.
    """

    contact_ohms: float = 0.05
    contact_uncertainty_ohms: float = 0.02
    operate_ms: float = 4.0
    release_ms: float = 2.0
    bounce_ms: float = 1.0
    lead_ohms: float = 0.12
    lead_uncertainty_ohms: float = 0.02
    power_watts: float = 0.25
    tempco_ppm_per_k: float = 15.0
    max_current_amperes: float = 0.1
    rated_operations: int | None = None
    output_relays: bool = True


def base_ohms(build: Build, rungs: int, fixed_ohms: float) -> float:
    """Return what a ladder makes with all rungs bypassed, about: their contacts count in full."""
    contacts = rungs + (1 if build.output_relays else 0)
    return build.lead_ohms + fixed_ohms + contacts * build.contact_ohms


def steps_ohms(build: Build, ohms: FloatArray) -> FloatArray:
    """Return what each rung adds when it comes into circuit in place of its closed contact."""
    if build.contact_ohms == 0:
        return ohms
    return np.asarray(ohms - ohms * build.contact_ohms / (ohms + build.contact_ohms))


def designed_ladder(
    name: str, build: Build, parts: Sequence[Part], fixed: Part | None = None
) -> Ladder:
    """Return the ladder of some parts, one relay each, by rising resistance."""
    count = len(parts)
    relay_count = count + (2 if build.output_relays else 0)
    return Ladder(
        name=name,
        relay_count=relay_count,
        relays=tuple(
            Relay(
                index=index,
                contact_ohms=build.contact_ohms,
                contact_uncertainty_ohms=build.contact_uncertainty_ohms,
                operate_ms=build.operate_ms,
                release_ms=build.release_ms,
                bounce_ms=build.bounce_ms,
                rated_operations=build.rated_operations,
            )
            for index in range(relay_count)
        ),
        groups=(
            Group(
                kind=GroupKind.SERIES,
                rungs=tuple(
                    Rung(
                        relay=index,
                        ohms=part.ohms,
                        uncertainty_ohms=_uncertainty_ohms(part),
                        power_watts=build.power_watts,
                        tempco_ppm_per_k=build.tempco_ppm_per_k,
                    )
                    for index, part in enumerate(sorted(parts, key=lambda part: part.ohms))
                ),
            ),
        ),
        lead_ohms=build.lead_ohms,
        lead_uncertainty_ohms=build.lead_uncertainty_ohms,
        fixed_ohms=fixed.ohms if fixed else 0.0,
        fixed_uncertainty_ohms=_uncertainty_ohms(fixed) if fixed else 0.0,
        fixed_power_watts=build.power_watts if fixed else None,
        fixed_tempco_ppm_per_k=build.tempco_ppm_per_k if fixed else 0.0,
        isolate_relay=count if build.output_relays else None,
        short_relay=count + 1 if build.output_relays else None,
        max_current_amperes=build.max_current_amperes,
    )


def _uncertainty_ohms(part: Part) -> float:
    """Return the standard uncertainty of a tolerance: rectangular (JCGM 100:2008, 4.3.7)."""
    return part.tolerance_percent / 100.0 * part.ohms / math.sqrt(3.0)


def ladder_text(
    name: str, build: Build, parts: Sequence[Part], fixed: Part | None, remarks: Sequence[str]
) -> str:
    """Return the same ladder as a file of the format `rungwise-ladder/1`."""
    count = len(parts)
    lines = [
        *(f"# {remark}" for remark in remarks),
        'format = "rungwise-ladder/1"',
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f"relay_count = {count + (2 if build.output_relays else 0)}",
        f"lead_ohms = {build.lead_ohms!r}",
        f"lead_uncertainty_ohms = {build.lead_uncertainty_ohms!r}",
    ]
    if fixed is not None:
        lines += [
            f"fixed_ohms = {fixed.ohms!r}             # always in circuit, no relay",
            f"fixed_tolerance_percent = {fixed.tolerance_percent!r}",
            f"fixed_power_watts = {build.power_watts!r}",
            f"fixed_tempco_ppm_per_k = {build.tempco_ppm_per_k!r}",
        ]
    lines += [f"max_current_amperes = {build.max_current_amperes!r}"]
    if build.output_relays:
        lines += ['park_state = "0x0"              # everything at rest: isolated']
    lines += [
        "",
        "[relays]",
        f"contact_ohms = {build.contact_ohms!r}",
        f"contact_uncertainty_ohms = {build.contact_uncertainty_ohms!r}",
        f"operate_ms = {build.operate_ms!r}",
        f"release_ms = {build.release_ms!r}",
        f"bounce_ms = {build.bounce_ms!r}",
    ]
    if build.rated_operations is not None:
        lines += [f"rated_operations = {build.rated_operations}"]
    if build.output_relays:
        lines += [
            "",
            "[output]",
            f"isolate_relay = {count}               # energised = connected",
            f"short_relay = {count + 1}                 # energised = shorted",
        ]
    lines += [
        "",
        "[[group]]",
        'kind = "series"                  # an energised relay bypasses its rung',
        "rungs = [",
    ]
    for index, part in enumerate(sorted(parts, key=lambda part: part.ohms)):
        lines.append(
            f"  {{ relay = {index}, ohms = {part.ohms!r},"
            f" tolerance_percent = {part.tolerance_percent!r},"
            f" power_watts = {build.power_watts!r},"
            f" tempco_ppm_per_k = {build.tempco_ppm_per_k!r} }},"
        )
    return "\n".join([*lines, "]"]) + "\n"
