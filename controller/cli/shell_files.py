"""Shell completion and the manual page, from the parser itself: needs the extra `shell`.

`python -m controller.cli.shell_files FOLDER` writes rungwise.bash, rungwise.zsh and rungwise.1.
"""

from __future__ import annotations

import sys
from pathlib import Path

from controller.cli.main import whole_parser

__all__ = ["main", "shell_files"]


def shell_files() -> dict[str, str]:
    """Return the text of each file by its name. Raises ModuleNotFoundError without the extra."""
    import shtab
    from argparse_manpage.manpage import Manpage

    page = Manpage(whole_parser(), format="pretty")
    page.manual = "Rungwise manual"
    return {
        "rungwise.bash": shtab.complete(whole_parser(), "bash"),
        "rungwise.zsh": shtab.complete(whole_parser(), "zsh"),
        "rungwise.1": str(page),
    }


def main(folder: str = ".") -> int:
    """Write the files into a folder."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    try:
        files = shell_files()
    except ModuleNotFoundError as missing:
        print(
            f"rungwise: {missing.name} is not installed (pip install 'rungwise[shell]')",
            file=sys.stderr,
        )
        return 2
    for name, text in files.items():
        (place / name).write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
