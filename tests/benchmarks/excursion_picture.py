"""The excursion table as a picture for the README: worst excursions of ladders, and the bounds.

.venv/bin/python tests/benchmarks/excursion_picture.py [FILE]    (sweeps/excursions.svg)
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from controller.reports.svg import element, text

_WIDTH, _ROW, _LEFT, _SCALE = 760, 22, 150, 32.0
_COLOURS = {5.0: "#2b6cb0", 1.0: "#8fb8de"}


def picture(rows: list[dict]) -> str:
    """Draw a bar for each row; a stroke across it is the proven bound."""
    height = 96 + _ROW * len(rows) + 8 * (len(rows) // 2)
    parts = [
        element("rect", x=0, y=0, width=_WIDTH, height=height, fill="white"),
        text("How far the value strays while relays switch, one at a time", 16, 26, font_size=16),
        text(
            "worst excursion in degC, coolant sensor from -30 to 120 degC, up and down;"
            " the stroke is what no order can better",
            16, 46, font_size=12, fill="#555",
        ),
    ]  # fmt: skip
    y = 66
    for index, row in enumerate(rows):
        step, name = re.fullmatch(r"excursion in ([\d.]+) degC steps, (.*)", row["name"]).groups()
        worst = float(row["measured"].split()[0])
        bound = float(row["against"].split()[2])
        if index % 2 == 0:
            y += 8
            parts.append(text(f"{name} rungs", 16, y + 15, font_size=13))
        end = _LEFT + worst * _SCALE
        colour = _COLOURS[float(step)]
        parts.append(element("rect", x=_LEFT, y=y + 3, width=end - _LEFT, height=15, fill=colour))
        at = _LEFT + bound * _SCALE
        stroke = {"stroke": "#1a202c", "stroke_width": 2.0}
        parts.append(element("line", x1=at, y1=y + 1, x2=at, y2=y + 20, **stroke))
        words = f"{worst:.1f} in {step} degC steps (bound {bound:.1f})"
        inside = end + 200 > _WIDTH
        parts.append(
            text(
                words, min(at, end) - 6 if inside else end + 6, y + 15, font_size=12,
                text_anchor="end" if inside else "start",
                fill="white" if inside and float(step) > 1 else "#1a202c",
            )
        )  # fmt: skip
        y += _ROW
    return element(
        "svg", *parts, xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {_WIDTH} {height}",
        width=_WIDTH, height=height, font_family="sans-serif",
    ) + "\n"  # fmt: skip


if __name__ == "__main__":
    import excursions

    file = Path(sys.argv[1] if len(sys.argv) > 1 else "sweeps/excursions.svg")
    drawn = [row for row in excursions.rows() if row["name"].startswith("excursion in")]
    file.write_text(picture(drawn), "utf-8")
