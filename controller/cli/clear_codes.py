"""Clearing a module's fault codes: only when asked for by name, and confirmed by itself.

Knows: what has to be said before, and who has to say yes.
Must not know: how codes are read and cleared, how a run went.
"""

from __future__ import annotations

import getpass
import sys
from typing import TYPE_CHECKING

from controller.cli.signals import interruptible
from controller.errors import InputError, RungwiseError
from controller.run.events import CodesCleared, Event, NoteMade

if TYPE_CHECKING:
    from controller.bench.model import BenchFile
    from controller.cli.output import Output
    from controller.clock import Clock

__all__ = ["clear_codes", "require_clearable"]

CLEARING = (
    "Clearing also wipes what the module has stored with the codes (freeze frames) and its record"
    " of finished self-tests (readiness); permanent codes stay."
)


def require_clearable(bench: BenchFile, module: str | None) -> None:
    """Raise InputError where codes could not be cleared after a run; None: nobody wants it."""
    if module is None:
        return
    if bench.can is None or bench.can.addressing is None:
        raise InputError.single(
            "codes can be cleared only where the bench asks the module over CAN",
            where="--clear-codes",
            hint='see [readback] kind = "can"',
        )
    if not sys.stdin.isatty():
        raise InputError.single(
            "clearing codes has to be confirmed on a terminal; --yes is not for that",
            where="--clear-codes",
        )


def clear_codes(bench: BenchFile, module: str, output: Output, clock: Clock) -> Event:
    """Read the codes of one module, ask, clear; return what the record keeps of that.

    What goes wrong is said, kept as a remark, and changes nothing.
    """
    from controller.bench.can import can_port
    from controller.clock import RealClock
    from controller.readback.can.services_readback import clear_codes_of

    settings = bench.can
    assert settings is not None  # noqa: S101 - require_clearable() has seen to it
    assert settings.addressing is not None  # noqa: S101 - likewise

    def confirmed(name: str, codes: tuple[str, ...]) -> bool:
        output.warn(f"Module {name} holds: {', '.join(codes) or 'no codes'}")
        output.warn(CLEARING)
        output.warn(f"Type {name} to clear them; anything else clears nothing.")
        return sys.stdin.readline().strip().upper() == name

    try:
        with interruptible():
            before, after = clear_codes_of(
                can_port(settings),
                RealClock(),
                addressing=settings.addressing,
                module=module,
                confirmed=confirmed,
            )
    except (RungwiseError, KeyboardInterrupt) as error:
        said = f"Codes were not cleared: {str(error) or 'interrupted'}"
        output.warn(said)
        return NoteMade(at_s=clock.now_s(), text=f"module {module}: {said}")
    output.warn(f"Cleared; module {module} now holds: {', '.join(after) or 'no codes'}")
    return CodesCleared(
        at_s=clock.now_s(), module=module, by=_login_name(), before=before, after=after
    )


def _login_name() -> str:
    """Return who is logged in; a system that knows nobody by name says nothing."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "a person without a login name"
