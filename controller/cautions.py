"""What people must know before a ladder is driven at real equipment: the one place for the text.

Knows: the cautions, and how a short circuit at the module's input is put into words.
Must not know: who shows them (command line, terminal UI, report) or how they are confirmed.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "BUS_CAUTION",
    "CAUTIONS",
    "CAUTIONS_TITLE",
    "METER_CAUTION",
    "SEARCH_CAUTION",
    "SENSE_CAUTION",
    "STAYS",
    "WIGGLE_CAUTION",
    "board_cautions",
    "cautions_with",
    "short_circuit_sentence",
]

CAUTIONS_TITLE = "Before the ladder is driven at real equipment"

CAUTIONS: tuple[str, ...] = (
    (
        "Cooling fans can start without warning when a coolant input goes open, shorted or"
        " implausible: keep hands, hair, sleeves and leads clear."
    ),
    "Engine off, key on, unless the procedure says otherwise.",
    (
        "Only low-voltage, current-limited sensor inputs. Never heaters, glow plugs, ignition,"
        " airbag or high-voltage circuits, and never mains."
    ),
    "Check the input's open-circuit voltage first; stop when it is not the expected reference.",
    "Never on a machine that is moving or working.",
    "Note the fault codes before and after; clear them only on request.",
    "The maker's procedure, local codes and licensed practice come first.",
)

SEARCH_CAUTION = (
    "This search goes on until something starts or sets. Cooling fans start without warning, again"
    " and again, at any of its steps: hands, hair, sleeves and leads clear until it has ended."
)

BUS_CAUTION = (
    "A CAN adapter that takes part in a bus at a wrong bit rate disturbs everything on it, steering"
    " and brakes included: be certain of the bit rate, the engine off and nobody on the move."
)

WIGGLE_CAUTION = (
    "While connector and harness are moved the input may go open or shorted at any moment: fans"
    " start without warning. Reach for nothing near a fan or a belt."
)

SENSE_CAUTION = (
    "The self-test puts everything from an open to a short circuit at the module's input. Fans"
    " start without warning, and the module stores fault codes: note those it has before."
)

METER_CAUTION = (
    "For measuring, the ladder's output goes to the ohm meter alone: unplug it from the module"
    " first. An ohm meter on a live input shows nonsense and may harm either."
)


STAYS = "does not park by itself"
"""In short, where there is little room: what a ladder without firmware of its own does not do."""

_STAYS_CAUTION = (
    "This ladder does not park by itself: when the computer, its cable or its power fails, the"
    " relays stay as they are. Then unplug it from the module by hand."
)
_GUARDIAN_CAUTION = (
    "A guardian process parks it when only the program dies or hangs; not when the computer crashes"
    " or loses its power, the cable is pulled, the board hangs, or the guardian is killed as well."
)
_NO_GUARDIAN_CAUTION = (
    "No guardian process is asked for: a program that is killed leaves it as it is."
)
_CONTACTS_CAUTION = (
    "The 10 A silver contacts of most relay boards do not suit a sensor's dry circuit (common"
    " practice, no source): take gold-clad or reed contacts, or measure them often."
)


def cautions_with(of_bench: Sequence[str]) -> tuple[str, ...]:
    """Return all cautions, those of a bench's own ladder right after what can hurt at once."""
    return (CAUTIONS[0], *of_bench, *CAUTIONS[1:])


def board_cautions(*, guarded: bool) -> tuple[str, ...]:
    """Return what has to be known of a relay board that takes and tells output states alone."""
    guardian = _GUARDIAN_CAUTION if guarded else _NO_GUARDIAN_CAUTION
    return (_STAYS_CAUTION, guardian, _CONTACTS_CAUTION)


def short_circuit_sentence(amperes: float | None, watts: float | None) -> str:
    """Say what a short circuit draws and the most power a ladder resistance can see.

    `amperes` is Vref/Rp and `watts` Vref^2/(4 Rp) of the module's input; None when not known.
    """
    if amperes is None or watts is None:
        return "Short-circuit current and power are not known: the bench names no module."
    return (
        f"A short circuit draws {amperes * 1e3:.3g} mA;"
        f" no ladder resistance sees more than {watts * 1e3:.3g} mW."
    )
