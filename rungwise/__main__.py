"""`rungwise` and `python -m rungwise`: the command line, whatever else stands on the path."""

from __future__ import annotations

import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the program; return its exit status."""
    from rungwise._house import claim

    try:
        claim()
    except ImportError as error:
        sys.stderr.write(f"rungwise: {error}\n")
        return 2
    from controller.cli.main import main as command_line

    return command_line(argv)


if __name__ == "__main__":
    sys.exit(main())
