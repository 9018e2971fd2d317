"""Reading the tables of faults that a simulated ladder is given.

Knows: the keys of ``[[ladder_fault]]``.
Must not know: what a fault does.
"""

from __future__ import annotations

from controller.documents import Table
from controller.ladder.faults import (
    KIND_OF,
    BadContact,
    DriftedFixed,
    DriftedRung,
    LadderFault,
    OpenFixed,
    OpenRung,
    SlowRelay,
    StuckRelay,
    SwappedRelays,
)
from controller.ladder.model import Ladder

__all__ = ["LADDER_FAULT_KINDS", "load_ladder_faults"]

LADDER_FAULT_KINDS = tuple(KIND_OF.values())


def load_ladder_faults(table: Table, ladder: Ladder | None) -> tuple[LadderFault, ...]:
    """Take the array ``ladder_fault``; problems are noted in the table's document."""
    return tuple(_fault(entry, ladder) for entry in table.tables("ladder_fault"))


def _fault(entry: Table, ladder: Ladder | None) -> LadderFault:
    kind = entry.choice("kind", LADDER_FAULT_KINDS)
    if kind in ("drifted-fixed", "open-fixed"):
        if ladder is not None and not ladder.fixed_ohms:
            entry.problem("kind", "the ladder has no fixed resistor", hint="see its fixed_ohms")
        if kind == "open-fixed":
            return OpenFixed()
        return DriftedFixed(percent=entry.number("percent", least=-100.0))
    last = 63 if ladder is None else ladder.relay_count - 1
    rungs = None if ladder is None else {r.relay for g in ladder.groups for r in g.rungs}
    relay = entry.integer("relay", least=0, most=last)
    if kind in ("drifted-rung", "open-rung") and rungs is not None and relay not in rungs:
        entry.problem("relay", f"relay {relay} switches no rung")
    match kind:
        case "stuck-relay":
            return StuckRelay(relay=relay, energised=entry.boolean("energised", default=False))
        case "swapped-relays":
            other = entry.integer("other_relay", least=0, most=last)
            if other == relay:
                entry.problem("other_relay", "must be another relay")
            return SwappedRelays(first=relay, second=other)
        case "drifted-rung":
            return DriftedRung(relay=relay, percent=entry.number("percent", above=-100.0))
        case "open-rung":
            return OpenRung(relay=relay)
        case "slow-relay":
            return SlowRelay(relay=relay, factor=entry.number("factor", least=1.0, most=100.0))
        case _:
            return BadContact(relay=relay, ohms=entry.number("ohms", least=0.0))
