"""What people must know before a ladder is driven at real equipment: the one place for the text.

Knows: the cautions, and how a short circuit at the module's input is put into words.
Must not know: who shows them (command line, terminal UI, report) or how they are confirmed.
"""

from __future__ import annotations

__all__ = [
    "CAUTIONS",
    "CAUTIONS_TITLE",
    "METER_CAUTION",
    "SEARCH_CAUTION",
    "WIGGLE_CAUTION",
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

WIGGLE_CAUTION = (
    "While connector and harness are moved the input may go open or shorted at any moment: fans"
    " start without warning. Reach for nothing near a fan or a belt."
)

METER_CAUTION = (
    "For measuring, the ladder's output goes to the ohm meter alone: unplug it from the module"
    " first. An ohm meter on a live input shows nonsense and may harm either."
)


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
