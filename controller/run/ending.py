"""How everything that drives relays ends: parked, or saying truly that it may not be.

Knows: a bench's link, faults, the order of the last events.
Must not know: what was being driven or why.
"""

from __future__ import annotations

from collections.abc import Generator
from contextlib import suppress

from controller.bench.opened import Bench
from controller.clock import Clock
from controller.errors import LinkError
from controller.run.events import Event, FaultRaised, Parked

__all__ = ["Script", "park_at_the_end"]

Script = Generator[tuple[Event, ...], None, str]
"""Does a little between one yield and the next; returns ``complete`` or ``stopped``."""


def park_at_the_end(script: Script, bench: Bench, clock: Clock) -> Script:
    """Carry a script through and park; return how it ended, ``fault`` for a LinkError.

    Any other error parks as far as possible and goes on its way.
    """
    try:
        ended = yield from script
        bench.link.park()
        yield (Parked(at_s=clock.now_s()),)
    except LinkError as error:
        ended = "fault"
        yield (_fault(error, clock),)
        try:
            bench.link.park()
        except LinkError:
            pass  # the summary says what is known of the relays
        else:
            yield (Parked(at_s=clock.now_s()),)
    except BaseException:
        with suppress(Exception):  # the error on its way matters more; close() parks again
            bench.link.park()
        raise
    return ended


def _fault(error: LinkError, clock: Clock) -> FaultRaised:
    message = f"{error.message} ({error.hint})" if error.hint else error.message
    return FaultRaised(
        at_s=clock.now_s(), message=f"{error.port}: {message}", relays=error.relays.value
    )
