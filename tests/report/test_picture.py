"""The picture in the README is what the program prints, and needs nothing from outside.

After a change that is meant to show, draw it anew: ``python tests/report/test_picture.py``.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from xml.etree import ElementTree

from rich.console import Console
from rich.text import Text

from chainplan.evaluation import Evaluation
from chainplan.headroom.quick import quick_fixes
from chainplan.plan.load import load_plan
from chainplan.report.first_screen import first_misses, first_screen_text

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / ".pictures" / "report.svg"
PLAN = "configs/rail-trolley.yaml"
WIDTH = 80

ADVANCE = 12.2
"""Width of a character in rich's picture."""


def screen(*, colour: bool) -> str:
    """Return what the README's first command prints, on a screen with colour or piped."""
    console = Console(
        file=io.TextIOWrapper(io.BytesIO(), encoding="utf-8"),
        width=WIDTH,
        color_system="truecolor" if colour else None,
        force_terminal=colour,
    )
    loaded = load_plan(ROOT / PLAN)
    evaluation = Evaluation(loaded.plan)
    text = first_screen_text(
        console, loaded, evaluation, quick_fixes(evaluation, first_misses(evaluation.verdicts))
    )
    return text.replace(f"{ROOT}/", "")


def picture() -> str:
    """Return the screen as SVG, without the fonts that a browser would fetch."""
    console = Console(
        file=io.StringIO(), record=True, width=WIDTH, color_system="truecolor", force_terminal=True
    )
    console.print(Text.from_ansi(screen(colour=True)), soft_wrap=True)
    found = console.export_svg(title=f"chainplan report {PLAN}", unique_id="report")
    found = re.sub(r"<!--.*?-->\s*", "", found)
    found = re.sub(r"\s*@font-face \{.*?\}\n", "", found, flags=re.DOTALL)
    fonts = "'DejaVu Sans Mono', Menlo, Consolas, monospace"
    return found.replace("Fira Code, monospace", fonts)


def drawn_lines(svg: str) -> list[str]:
    """Return the text of a picture, line by line, each piece in its column."""
    lines: dict[float, str] = {}
    for each in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        if "clip-path" in each.attrib:  # all but the title
            line = lines.get(float(each.attrib["y"]), "")
            column = round(float(each.attrib["x"]) / ADVANCE)
            lines[float(each.attrib["y"])] = line.ljust(column) + (each.text or "").replace("\xa0", " ")
    return [lines[y].rstrip() for y in sorted(lines)]


def test_the_picture_is_what_the_program_prints() -> None:
    shown = [line for line in drawn_lines(PICTURE.read_text(encoding="utf-8")) if line]
    assert shown == [line for line in screen(colour=False).splitlines() if line]
    assert len(shown) > 15


def test_the_picture_needs_nothing_from_outside() -> None:
    text = PICTURE.read_text(encoding="utf-8")
    assert set(re.findall(r"\w+://[^\"]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "font-face" not in text


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
