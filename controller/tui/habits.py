"""How a person likes things shown, kept from one time to the next.

Knows: themes, units, the bell, details, and the file that keeps them.
Must not know: what is shown, plans, engines.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from controller.tui.palette import THEMES
from controller.tui.remembered import Remembered, load, save
from controller.tui.scale import Scale
from controller.tui.shell import Shell

__all__ = ["Habits"]

_SEEN_S = 3.0
"""How long a setting is confirmed; what it changes is in sight, and in a small window under it."""


class Habits(Shell):
    """The part of the program that keeps what was chosen. `memory` is the file; None: none."""

    def __init__(self, *, memory: Path | None, theme: str | None, scale: Scale | None) -> None:
        super().__init__()
        self.kept: Remembered = load(memory)
        self._memory = memory
        units = {one.unit: one for one in Scale}
        self.scale = scale or units.get(self.kept.unit, Scale.CELSIUS)
        for one in THEMES:
            self.register_theme(one)
        names = [one.name for one in THEMES]
        few = self.console.color_system in ("standard", None)
        kept = self.kept.theme if self.kept.theme in names else ""
        self.theme = theme or kept or names[2 if few else 0]

    def refresh_css(self, animate: bool = True) -> None:
        """Put the rules in force anew. Before there is a screen the theme's colours are enough:
        nothing has been read yet that would have to be read again.
        """
        if self.screen_stack:
            super().refresh_css(animate)
        else:
            self.stylesheet.set_variables(self.get_css_variables())

    @property
    def details(self) -> bool:  # type: ignore[override]
        """Whether uncertainties, limits and ladder states are shown."""
        return self.kept.details

    def keep(self, kept: Remembered) -> None:
        """Keep other choices, now and for the next time."""
        if kept != self.kept:
            self.kept = kept
            save(self._memory, kept)

    def remember(self, **changes: Any) -> None:
        """Keep some choices that are no paths."""
        self.keep(replace(self.kept, **changes))

    def ring(self) -> None:
        """Sound the terminal's bell, unless it is turned off."""
        if self.kept.bell:
            self.bell()

    def action_switch_bell(self) -> None:
        """Turn the bell off, or on."""
        self.remember(bell=not self.kept.bell)
        told = "rings at a question, a fail and the end" if self.kept.bell else "is off"
        self.say(f"The bell {told}.", seconds=_SEEN_S)
        self.ring()

    def action_details(self) -> None:
        """Show or hide uncertainties, limits and ladder states."""
        self.remember(details=not self.details)
        self.show_anew()

    def action_look(self, name: str) -> None:
        """Use one of the themes, and keep it."""
        self.theme = name
        self.remember(theme=name)

    def action_scale(self) -> None:
        """Show and take temperatures in the other unit, and keep it."""
        self.use_scale(self.scale.other)
        self.remember(unit=self.scale.unit)
        told = f"Temperatures are in {self.scale.unit} now; the record keeps degC."
        self.say(told, seconds=_SEEN_S)

    def use_scale(self, scale: Scale) -> None:
        """Show and take temperatures in a unit, on every screen."""
        self.scale = scale
        self.show_anew()
