"""The words for every kind of fault: its name, what it means, where to look, what to do.

For a person who stands at the machine. The places to look are common practice, no source; the
order is from the likeliest down.
"""

from __future__ import annotations

__all__ = [
    "ANOTHER_SENSOR",
    "HOW_TO_TELL_A_LAG",
    "HOW_TO_TELL_THE_TWIN",
    "MEANINGS",
    "MEASURE_THE_PULLUP",
    "NAMES",
    "NEXT_WHEN_MISTAKEN",
    "NEXT_WHEN_NOTHING_FITS",
    "PLACES",
    "TWIN_OF_A_GAIN",
    "UNITS",
]

NAMES = {
    "healthy": "no fault",
    "series-resistance": "extra resistance in series",
    "leakage-to-ground": "leakage to ground",
    "leakage-to-supply": "leakage to a supply wire",
    "gain": "a wrong pull-up or its supply",
    "curve-offset": "a fixed temperature offset",
    "wrong-curve": "the curve of another sensor",
    "second-pullup": "a second pull-up that is not described",
    "adc-reference": "a converter reference that differs from the pull-up's supply",
    "intermittent-contact": "a contact that comes and goes",
    "unknown-curve": "a smooth deviation that none of the named faults makes",
}

MEANINGS = {
    "healthy": "Wiring, connector and module turn resistance into temperature as they should.",
    "series-resistance": (
        "The module sees more resistance than was put in, by the same ohms everywhere: small "
        "errors cold, large ones hot."
    ),
    "leakage-to-ground": (
        "Current takes a second way to ground beside the sensor: small errors hot, large ones cold."
    ),
    "leakage-to-supply": (
        "Current flows into the signal wire from a supply beside the module's own pull-up."
    ),
    "gain": (
        "The module sees every resistance off by the same factor. A leakage to the reference "
        "supply itself looks exactly like a gain above one."
    ),
    "curve-offset": "The reported temperature is off by the same degrees everywhere.",
    "wrong-curve": (
        "The module turns the right resistance into temperature by the curve of another sensor "
        "than the plan names."
    ),
    "second-pullup": (
        "Below one resistance all readings are off by one factor, above it none: the input "
        "switches to another pull-up there."
    ),
    "adc-reference": (
        "The module's converter measures against a reference of its own, and that one is off "
        "against the supply of the pull-up: all readings shift the same way, cold ones most."
    ),
    "intermittent-contact": (
        "Some readings are right and some see extra resistance in series: the readings jump."
    ),
    "unknown-curve": (
        "The readings lie on a smooth curve, but not on one that a single fault of wiring or "
        "module makes. The curve of a sensor that was not tried looks like this, and so may two "
        "or three faults at once."
    ),
}

PLACES = {
    "healthy": (
        "the sensor that was unplugged: judge it by itself, in a bath of known temperature",
        "what comes and goes: move harness and connector while a reading is shown",
    ),
    "series-resistance": (
        "connector pins at the sensor: corrosion, spread or pushed-back contacts",
        "ground wire and ground point of the sensor circuit",
        "splices and chafed or broken strands in the harness",
        "connector pins at the module",
    ),
    "leakage-to-ground": (
        "water or coolant in the sensor connector",
        "chafed insulation of the signal wire against metal",
        "moisture in splices and in the module's connector",
        "the protection parts at the module's input",
    ),
    "leakage-to-supply": (
        "signal wire chafed against a supply wire in the harness",
        "water between neighbouring pins of the connector, one of them a supply",
        "the module's input",
    ),
    "gain": (
        "the pull-up that the module file states: measure it, or read the short-circuit current",
        "the sensor reference supply: measure it at the connector and at other sensors",
        "signal wire in contact with the reference supply wire (gain above one)",
        "the module's pull-up resistor or input stage",
    ),
    "curve-offset": (
        "an adjustment or trim stored in the module",
        "the instrument the temperature was read from: its own offset or conversion",
        "the chart the curve was read from: a shifted axis",
    ),
    "wrong-curve": (
        "the sensor file of the plan: does it belong to this machine?",
        "part number and configuration of the module",
        "the sensor that was fitted: it must be of the module's type, not the plan's",
    ),
    "second-pullup": (
        "the module file: describe the second pull-up there and judge again",
        "the module's switched pull-up, if the maker does not know of one",
    ),
    "adc-reference": (
        "the supply that feeds the pull-up: measure it against ground at the connector, open",
        "other inputs of the module: a converter reference that is off shows on all of them",
        "the module file: pull-up and reference as stated",
    ),
    "intermittent-contact": (
        "connector pins at the sensor: move harness and connector while a reading is shown",
        "ground point and splices: pull gently, heat, cool",
        "the clips of the bench leads and the ladder's own relays",
    ),
    "unknown-curve": (
        "the sensor the module expects: diagnose again with other sensors as candidates",
        "pull-up and reference: measure open-circuit voltage and short-circuit current",
        "more than one fault: repair what is visible, then take the readings again",
    ),
}

NEXT_WHEN_NOTHING_FITS = (
    "the steps that fit worst: repeat them, harness and connectors held still",
    "harness and connectors: move them while one reading is shown, a bad contact jumps",
    "more steps: ten or more, spread from the coldest to the hottest",
    "other sensors that may be meant: diagnose again with them as candidates",
)

NEXT_WHEN_MISTAKEN = (
    "the tool or display: live data of this sensor, and the unit it shows",
    "each row: the reading beside the resistance that was set, settled and shown anew",
    "the bench leads: the module must see the ladder, and nothing beside it",
    "take the readings again, in another order",
)

ANOTHER_SENSOR = (
    "the sensor the module expects: two thermistors of one material differ by a factor alone; "
    "diagnose again with other sensors as candidates"
)
MEASURE_THE_PULLUP = (
    " Measuring tells: open-circuit voltage over short-circuit current is the pull-up."
)

TWIN_OF_A_GAIN = "a sensor of the same material and another size"
HOW_TO_TELL_THE_TWIN = (
    f"No reading can tell a gain from {TWIN_OF_A_GAIN}: if the pull-up and its supply measure "
    "right, the module expects another sensor."
)

HOW_TO_TELL_A_LAG = (
    "All steps went one way, and the readings are off against it: a slow report that was read too "
    "early looks the same. Take some steps again the other way, and wait longer."
)

UNITS = {
    "series_ohms": "{}",
    "leakage_ohms": "{}",
    "gain": "factor {}",
    "gain_below": "factor {}",
    "switch_ohms": "below {}",
    "offset_celsius": "offset {}",
    "reference_share": "factor {}",
    "share": "in {} of the readings",
}
