"""Reading ladder files, and states the way people write them.

Relay settings are taken, the later the stronger, from ``[relays]`` (all relays), the group's
``contacts`` (its rungs' relays), and a ``[[relay]]`` entry with an ``index`` (one relay).
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

from controller.documents import Document, Table, read_document
from controller.errors import InputError
from controller.ladder.model import Contacts, Group, GroupKind, Ladder, Relay, Rung

__all__ = ["FORMAT", "MOST_RELAYS", "load_ladder", "parse_state"]

FORMAT = "rungwise-ladder/1"
MOST_RELAYS = 64
"""What a mask of the wire protocol holds."""

_LEAST_OHMS, _MOST_OHMS = 1e-6, 1e9  # keeps every sum and reciprocal far from overflow
_UNSTATED_PERCENT, _UNSTATED_CONTACT_OHMS, _UNSTATED_LEAD_OHMS = 5.0, 0.05, 0.05
_FIXED_KEYS = (
    "fixed_tolerance_percent",
    "fixed_uncertainty_ohms",
    "fixed_power_watts",
    "fixed_tempco_ppm_per_k",
)
_CONTACTS = tuple(contacts.value for contacts in Contacts)
_KINDS = tuple(kind.value for kind in GroupKind)
_STATE = re.compile(r"0[xX][0-9a-fA-F]{1,16}|0[bB][01]{1,64}|\d{1,20}")


def parse_state(text: str, ladder: Ladder | None = None, *, what: str = "state") -> int:
    """Read ``0x0a3f``, ``0b1010`` or a decimal number as a state.

    Raises InputError when the text is no state, or does not fit the ladder that is given.
    """
    if _STATE.fullmatch(text.strip()) is None:
        raise InputError.single(f"{text!r} is not a state", where=what, hint="write 0x0a3f")
    state = int(text.strip(), 10 if text.strip().isdigit() else 0)
    count = ladder.relay_count if ladder is not None else MOST_RELAYS
    if state >> count:
        raise InputError.single(
            f"{text!r} needs more than {count} relays", where=what, hint="bit i is relay i"
        )
    return state


def load_ladder(path: Path) -> Ladder:
    """Return the ladder a file describes. Raises InputError with every problem in it."""
    document = read_document(path, FORMAT)
    root = document.root
    name = root.text("name")
    count = root.integer("relay_count", least=1, most=MOST_RELAYS)
    if not 1 <= count <= MOST_RELAYS:
        count = MOST_RELAYS  # the problem is noted; let it not breed others
    lead_ohms = root.number("lead_ohms", default=0.0, least=0.0, most=1e6)
    unstated = _Unstated()
    lead_uncertainty = root.optional_number("lead_uncertainty_ohms", least=0.0)
    if lead_uncertainty is None:
        lead_uncertainty = unstated.leads(lead_ohms)
    fixed_ohms = root.number("fixed_ohms", default=0.0, least=0.0, most=_MOST_OHMS)
    fixed_uncertainty = _uncertainty_ohms(root, fixed_ohms, prefix="fixed_")
    if fixed_uncertainty is None:
        fixed_uncertainty = unstated.fixed(fixed_ohms)
    fixed_watts = root.optional_number("fixed_power_watts", above=0.0)
    fixed_tempco = root.number("fixed_tempco_ppm_per_k", default=0.0)
    for key in _FIXED_KEYS:
        if key in root and "fixed_ohms" not in root:
            root.problem(key, "there is no fixed resistor", hint="state fixed_ohms")
    max_current = root.optional_number("max_current_amperes", above=0.0)
    common = root.optional_table("relays")
    default = _relay_settings(
        common, Relay(index=0, contact_uncertainty_ohms=_UNSTATED_CONTACT_OHMS)
    )
    owners = _Owners(document, count)

    contacts: dict[int, Contacts] = {}
    groups = []
    for table in root.tables("group", least=1):
        group, sense = _read_group(table, owners, unstated)
        groups.append(group)
        if sense is not None:
            contacts.update({rung.relay: sense for rung in group.rungs})

    output = root.optional_table("output")
    isolate = short = None
    if output is not None:
        isolate = owners.optional_relay(output, "isolate_relay")
        short = owners.optional_relay(output, "short_relay")

    relays = {
        index: replace(default, index=index, contacts=contacts.get(index, default.contacts))
        for index in range(count)
    }
    everywhere = common is not None and "contact_uncertainty_ohms" in common
    stated = set(relays) if everywhere else set[int]()
    described: dict[int, str] = {}
    for table in root.tables("relay"):
        index = table.integer("index", least=0)
        changed = _relay_settings(table, relays.get(index, default))
        if "contact_uncertainty_ohms" in table:
            stated.add(index)
        if index not in relays:
            table.problem("index", _beyond(index, count))
        elif index in described:
            table.problem("index", f"relay {index} is already described at {described[index]}")
        else:
            described[index] = table.path
            relays[index] = replace(changed, index=index)

    unstated.contacts = bool(owners.used - stated)
    park_state = _read_park_state(root, count)
    document.finish()
    return Ladder(
        name=name,
        relay_count=count,
        relays=tuple(relays[index] for index in range(count)),
        groups=tuple(groups),
        lead_ohms=lead_ohms,
        lead_uncertainty_ohms=lead_uncertainty,
        fixed_ohms=fixed_ohms,
        fixed_uncertainty_ohms=fixed_uncertainty,
        fixed_power_watts=fixed_watts,
        fixed_tempco_ppm_per_k=fixed_tempco,
        isolate_relay=isolate,
        short_relay=short,
        park_state=park_state,
        max_current_amperes=max_current,
        warnings=unstated.warnings(),
    )


class _Unstated:
    """What a file leaves open about its uncertainties, and what is taken for it.

    Not known is not zero; but a file without such a line has to load. The values are common
    practice, no source: a resistor of the widest usual series, a relay and a lead by the hand.
    """

    def __init__(self) -> None:
        self.contacts = False
        self._rungs: list[int] = []
        self._fixed = False
        self._lead_ohms: float | None = None

    def rung(self, relay: int, ohms: float) -> float:
        """Return the standard uncertainty of a rung that nothing is stated of."""
        self._rungs.append(relay)
        return _rectangular_ohms(_UNSTATED_PERCENT, ohms)

    def fixed(self, ohms: float) -> float:
        """Return the standard uncertainty of a fixed resistor that nothing is stated of."""
        self._fixed = ohms > 0
        return _rectangular_ohms(_UNSTATED_PERCENT, ohms)

    def leads(self, lead_ohms: float) -> float:
        """Return the standard uncertainty of leads that nothing is stated of."""
        self._lead_ohms = max(_UNSTATED_LEAD_OHMS, 0.1 * lead_ohms)
        return self._lead_ohms

    def warnings(self) -> tuple[str, ...]:
        """Return a sentence for each kind of thing that is not stated."""
        found = []
        if self._rungs:
            names = ", ".join(map(str, self._rungs))
            found.append(
                f"the ladder file states no tolerance_percent or uncertainty_ohms for the rungs of"
                f" relays {names}: {_UNSTATED_PERCENT:g} % is taken"
            )
        if self._fixed:
            found.append(
                "the ladder file states no fixed_tolerance_percent or fixed_uncertainty_ohms:"
                f" {_UNSTATED_PERCENT:g} % is taken"
            )
        if self.contacts:
            found.append(
                "the ladder file states no contact_uncertainty_ohms:"
                f" {_UNSTATED_CONTACT_OHMS:g} ohm is taken (k = 1)"
            )
        if self._lead_ohms is not None:
            found.append(
                "the ladder file states no lead_uncertainty_ohms:"
                f" {self._lead_ohms:g} ohm is taken (k = 1)"
            )
        return tuple(found)


def _beyond(index: int, count: int) -> str:
    return f"relay {index} is beyond the count: relays run from 0 to {count - 1}"


class _Owners:
    """Which key uses which relay, so that no relay is used twice."""

    def __init__(self, document: Document, count: int) -> None:
        self._document = document
        self._count = count
        self._used: dict[int, str] = {}

    @property
    def used(self) -> set[int]:
        """The relays that switch something."""
        return set(self._used)

    def relay(self, table: Table, key: str) -> int:
        return self._claim(table, key, table.integer(key, least=0))

    def optional_relay(self, table: Table, key: str) -> int | None:
        index = table.optional_integer(key, least=0)
        return None if index is None else self._claim(table, key, index)

    def _claim(self, table: Table, key: str, index: int) -> int:
        if key not in table or index < 0:
            return index
        if index >= self._count:
            table.problem(key, _beyond(index, self._count))
        if index in self._used:
            table.problem(key, f"relay {index} is already used at {self._used[index]}")
        else:
            self._used[index] = table.key_path(key)
        return index


def _read_group(
    table: Table, owners: _Owners, unstated: _Unstated
) -> tuple[Group, Contacts | None]:
    kind = GroupKind(table.choice("kind", _KINDS))
    sense = Contacts(table.choice("contacts", _CONTACTS)) if "contacts" in table else None
    table.raw("contacts")  # a known key, whether or not it is there
    rungs = tuple(_read_rung(entry, owners, unstated) for entry in table.tables("rungs", least=1))
    return Group(kind=kind, rungs=rungs), sense


def _read_rung(table: Table, owners: _Owners, unstated: _Unstated) -> Rung:
    relay = owners.relay(table, "relay")
    ohms = table.number("ohms", least=_LEAST_OHMS, most=_MOST_OHMS)
    uncertainty = _uncertainty_ohms(table, ohms)
    if uncertainty is None:
        uncertainty = unstated.rung(relay, ohms)
    return Rung(
        relay=relay,
        ohms=ohms,
        uncertainty_ohms=uncertainty,
        power_watts=table.optional_number("power_watts", above=0.0),
        tempco_ppm_per_k=table.number("tempco_ppm_per_k", default=0.0),
    )


def _uncertainty_ohms(table: Table, ohms: float, *, prefix: str = "") -> float | None:
    """Return a resistor's standard uncertainty, stated in ohm or as a tolerance in percent.

    None where neither is stated.
    """
    tolerance = table.optional_number(f"{prefix}tolerance_percent", least=0.0, most=100.0)
    uncertainty = table.optional_number(f"{prefix}uncertainty_ohms", least=0.0)
    if tolerance is not None and uncertainty is not None:
        table.problem(
            f"{prefix}uncertainty_ohms",
            f"stands beside {prefix}tolerance_percent",
            hint="state one of the two: a calibrated uncertainty replaces the maker's tolerance",
        )
    if uncertainty is None and tolerance is not None:
        return _rectangular_ohms(tolerance, ohms)
    return uncertainty


def _rectangular_ohms(tolerance_percent: float, ohms: float) -> float:
    """Return the standard uncertainty of a value anywhere inside its tolerance."""
    return tolerance_percent / 100.0 * ohms / math.sqrt(3.0)


def _relay_settings(table: Table | None, base: Relay) -> Relay:
    """Return the base with what the table states in place of it."""
    if table is None:
        return base
    return Relay(
        index=base.index,
        contacts=Contacts(table.choice("contacts", _CONTACTS, default=base.contacts.value)),
        contact_ohms=table.number("contact_ohms", default=base.contact_ohms, least=0.0, most=1e6),
        contact_uncertainty_ohms=table.number(
            "contact_uncertainty_ohms", default=base.contact_uncertainty_ohms, least=0.0
        ),
        operate_ms=table.number("operate_ms", default=base.operate_ms, least=0.0, most=1000.0),
        release_ms=table.number("release_ms", default=base.release_ms, least=0.0, most=1000.0),
        bounce_ms=table.number("bounce_ms", default=base.bounce_ms, least=0.0, most=1000.0),
        rated_operations=(
            table.optional_integer("rated_operations", least=1) or base.rated_operations
        ),
    )


def _read_park_state(root: Table, count: int) -> int:
    """Return the park state, written as a number or as text like ``"0x0a3f"``; 0 when absent."""
    if not isinstance(root.raw("park_state"), str):
        return root.integer("park_state", default=0, least=0, most=(1 << count) - 1)
    try:
        state = parse_state(root.text("park_state"))
    except InputError as error:
        root.problem("park_state", error.problems[0].message, hint=error.problems[0].hint)
        return 0
    if state >> count:
        root.problem("park_state", f"{state:#x} needs more relays than the {count} there are")
    return state
