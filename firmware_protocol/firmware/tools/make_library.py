"""Puts the sketch library together: unmodified core, 8-bit port, laid out as hobby tools want it.

`make library` calls it, with the header of choices, the version and the folder to write to; a zip
of the folder lies beside it afterwards.
"""

import shutil
import sys
import zipfile
from pathlib import Path

FIRMWARE = Path(__file__).resolve().parents[1]
FOLDERS = ("core", "shared", "port_avr")
PROGRAM = "main.c"
"""A sketch brings its own."""


def sources() -> list[Path]:
    """Return the files that go into src/ as they are."""
    found = [path for name in FOLDERS for path in (FIRMWARE / name).glob("*.[ch]")]
    return sorted(path for path in found if path.name != PROGRAM)


def make(choices: Path, version: str, folder: Path) -> None:
    """Write the library; what stood in the folder before goes."""
    template = FIRMWARE / "library"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(template, folder, ignore=shutil.ignore_patterns("*.h"))
    properties = folder / "library.properties"
    properties.write_text(properties.read_text().replace("version=\n", f"version={version}\n"))
    source = folder / "src"
    source.mkdir()
    for path in sources():
        shutil.copyfile(path, source / path.name)
    shutil.copyfile(template / "RungwiseBoard.h", source / "RungwiseBoard.h")
    shutil.copyfile(choices, source / "rung_choices.h")
    shutil.copyfile(FIRMWARE / "README.md", folder / "FIRMWARE.md")
    wiring = (FIRMWARE / "WIRING.md").read_text(encoding="utf-8")
    (folder / "WIRING.md").write_text(
        wiring.replace("README.md#", "FIRMWARE.md#"), encoding="utf-8"
    )
    shutil.copytree(FIRMWARE / "wiring", folder / "wiring")
    with zipfile.ZipFile(f"{folder}.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            archive.write(path, path.relative_to(folder.parent))


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    make(Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3]))
    print(f"{sys.argv[3]} and {sys.argv[3]}.zip")
