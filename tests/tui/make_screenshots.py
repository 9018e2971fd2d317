"""Pictures of the screens for the README, made anew: SVG, exported by the app itself.

Knows: which still makes which picture.
Must not know: how a still is reached.

    python tests/tui/make_screenshots.py [FOLDER]
"""

from __future__ import annotations

import asyncio
import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

HERE = Path(__file__).resolve().parent
FOLDER = HERE / "screenshots"
PICTURES = {
    "choose-80x24": ("choose", (80, 24), "rungwise-dark"),
    "ready-80x24": ("ready", (80, 24), "rungwise-dark"),
    "cautions-80x24": ("cautions", (80, 24), "rungwise-dark"),
    "asking-80x24": ("asking", (80, 24), "rungwise-dark"),
    "checked-80x24": ("checked", (80, 24), "rungwise-light"),
    "by-hand-80x24": ("by-hand", (80, 24), "rungwise-dark"),
    "sweeping-80x24": ("sweeping", (80, 24), "rungwise-dark"),
    "sweeping-140x45": ("sweeping", (140, 45), "rungwise-dark"),
    "swept-140x45": ("swept", (140, 45), "rungwise-light"),
    "record-140x45": ("record", (140, 45), "rungwise-dark"),
    "comparing-140x45": ("comparing", (140, 45), "rungwise-dark"),
    "comparing-80x24": ("comparing", (80, 24), "rungwise-light"),
    "sweeping-16-colours": ("sweeping", (80, 24), "rungwise-16"),
}


def _stills() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stills", HERE / "stills.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["stills"] = module
    spec.loader.exec_module(module)
    return module


async def _make(stills: ModuleType, folder: Path, name: str) -> None:
    still, size, theme = PICTURES[name]
    app = stills.build_app(theme)
    async with app.run_test(size=size) as pilot:
        await stills.STILLS[still](pilot)
        svg = app.export_screenshot(title="rungwise")
        (folder / f"{name}.svg").write_text(svg, encoding="utf-8")
        app.engine = None
    print(folder / f"{name}.svg")


def main(arguments: list[str]) -> int:
    """Make every picture."""
    folder = Path(arguments[0]).resolve() if arguments else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    os.chdir(HERE)
    os.environ.pop("NO_COLOR", None)
    os.environ["COLORTERM"] = "truecolor"
    stills = _stills()
    for name in PICTURES:
        asyncio.run(_make(stills, folder, name))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
