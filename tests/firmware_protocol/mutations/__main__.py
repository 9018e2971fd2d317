"""How many faults the conformance checks find.

    python tests/firmware_protocol/mutations [SET]...

Prints one line for each fault that is not found and one table. The sets are `device` (faults of
the device in Python, at a port and no more), `core` (faults of the C core made by hand, on the full
endpoint) and `swaps` (every operator of the C core in another's place); without one, all of them
run. The exit status is 1 when a goal is missed. `core` and `swaps` take gcc, and minutes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from core_board import BUILDS, CORE, CoreBuilder, WillNotCompile, core_faults
from suite import HERE, Verdict, cheap_first, device_faults, judge_device
from swaps import Swap, read_equivalents, swaps

SOURCES = ("rung_relays.c", "rung_frame.c", "rung_core.c")


@dataclass(kw_only=True)
class Tally:
    """What came of a set of faults."""

    name: str
    goal: float
    verdicts: list[Verdict] = field(default_factory=list)
    set_aside: int = 0
    """Faults that are none: they will not compile, or nobody could tell the difference."""

    @property
    def found(self) -> int:
        return sum(verdict.found for verdict in self.verdicts)

    @property
    def share(self) -> float:
        return self.found / len(self.verdicts) if self.verdicts else 0.0

    @property
    def met(self) -> bool:
        return self.share >= self.goal


def all_swaps() -> Iterator[Swap]:
    """Yield every swap of the C core."""
    for file in SOURCES:
        yield from swaps(CORE / file)


def equivalents() -> dict[str, str]:
    """Return the swaps nobody could tell from the right operator, and why."""
    return read_equivalents(HERE / "core.equivalent")


def of_device() -> list[Tally]:
    """Run the faults of the device in Python: at a port, and those that take more than one."""
    tallies = [
        Tally(name="device in Python, at a port", goal=0.95),
        Tally(name="device in Python, what a port hides", goal=0.95),
    ]
    for fault in device_faults():
        tallies[fault.full_only].verdicts.append(judge_device(fault, cheap_first(fault.found_by)))
    return tallies


def of_core(folder: Path) -> list[Tally]:
    """Run the faults of the C core made by hand."""
    builder = CoreBuilder(folder)
    tally = Tally(name="C core, by hand", goal=0.95)
    tally.verdicts = [builder.judge_fault(fault) for fault in core_faults()]
    return [tally]


def of_swaps(folder: Path, chosen: Iterable[Swap] | None = None) -> list[Tally]:
    """Run the swaps of operators in the C core, those known to be none set aside."""
    builder = CoreBuilder(folder)
    known = equivalents()
    tally = Tally(name="C core, operators swapped", goal=0.97)
    for swap in all_swaps() if chosen is None else chosen:
        if swap.name in known:
            tally.set_aside += 1
            continue
        try:
            changed = {swap.file: swap.source}
            tally.verdicts.append(builder.judge(swap.name, changed, cheap_first(), BUILDS))
        except WillNotCompile:
            tally.set_aside += 1
    return [tally]


def table(tallies: Iterable[Tally]) -> str:
    """Return the outcome as a table."""
    lines = [
        "| set | faults | found | share | goal | met | set aside |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {tally.name} | {len(tally.verdicts)} | {tally.found} | {tally.share:.1%} |"
        f" {tally.goal:.0%} | {'yes' if tally.met else 'NO'} | {tally.set_aside} |"
        for tally in tallies
    ]
    return "\n".join(lines)


def main(arguments: list[str]) -> int:
    """Run the command."""
    with tempfile.TemporaryDirectory() as folder:
        sets: dict[str, Callable[[], list[Tally]]] = {
            "device": of_device,
            "core": lambda: of_core(Path(folder)),
            "swaps": lambda: of_swaps(Path(folder)),
        }
        if unknown := set(arguments) - set(sets):
            print(f"no such set: {', '.join(sorted(unknown))} (there are {', '.join(sets)})")
            return 2
        tallies = []
        for name in arguments or sets:
            began_s = time.monotonic()
            for tally in sets[name]():
                tallies.append(tally)
                for verdict in tally.verdicts:
                    if not verdict.found:
                        print(f"not found: {verdict.name}", flush=True)
            print(f"{name}: {time.monotonic() - began_s:.0f} s", flush=True)
    print(table(tallies))
    return 0 if all(tally.met for tally in tallies) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
