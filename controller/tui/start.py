"""The way into the terminal UI, as short as can be.

Knows: the collector of garbage, the module to import.
Must not know: options, screens.

Hundreds of modules are loaded before the first frame and nothing of them is garbage; looking for
some again and again would take a tenth of the time. The program turns the collector on once the
first frame is there.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Sequence

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Open the terminal UI; return the exit status. The arguments are those of `app.main`."""
    gc.disable()
    try:
        from controller.tui.app import main as opened

        return opened(argv)
    finally:
        gc.enable()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
