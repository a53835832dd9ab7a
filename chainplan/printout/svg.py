"""Drawings for print: a few elements of SVG as text, escaped, with title and description for who cannot see.

Lengths are in tenths of a millimetre on A4; a drawing is as wide as the text of the page.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from html import escape as escape_markup

from chainplan.plan.problems import display_width, escape
from chainplan.printout.ink import FAINT, GRID, INK, PAPER, RULE

WIDTH = 1800
SMALL, NORMAL = 22, 25
"""Sizes of letters, 6.2 and 7.1 pt."""

FONTS = "'Liberation Sans', Arial, Helvetica, 'DejaVu Sans', sans-serif"
"""Faces of all text that is no hash; the first are alike in width, the last has the signs of verdicts."""

_LETTER_WIDTH = 0.55
"""Mean width of a letter of a sans serif, in its size; rather wide, so that nothing runs over."""

PATTERNS = ("solid", "hatch", "dots", "plain", "grey", "upright", "cross")
"""Fills that differ in black and white."""


@dataclass(frozen=True, slots=True)
class Ready:
    """Markup that is ready: templates take it as it is."""

    markup: str

    def __html__(self) -> str:
        """Return the markup."""
        return self.markup


@dataclass(frozen=True, slots=True)
class Svg(Ready):
    """A finished drawing."""


def element(name: str, attributes: Mapping[str, object], *children: str) -> str:
    """Return an element; children are markup, attribute values are escaped."""
    written = "".join(f' {key}="{escape_markup(_value(value))}"' for key, value in attributes.items())
    return f"<{name}{written}>{''.join(children)}</{name}>" if children else f"<{name}{written}/>"


def _value(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def words(text: str) -> str:
    """Return text as markup that shows exactly it, control signs escaped visibly."""
    return escape_markup(escape(text), quote=False)


def label(
    x: float,
    y: float,
    text: str,
    *,
    size: int = SMALL,
    anchor: str = "start",
    bold: bool = False,
    fill: str = INK,
) -> str:
    """Return a text on its base line."""
    attributes: dict[str, object] = {"x": x, "y": y, "font-size": size, "fill": fill}
    if anchor != "start":
        attributes["text-anchor"] = anchor
    if bold:
        attributes["font-weight"] = "bold"
    return element("text", attributes, words(text))


def text_width(text: str, size: int = SMALL) -> float:
    """Return about how wide a text is set, rather too wide than too narrow."""
    return display_width(escape(text)) * size * _LETTER_WIDTH


def fitted(text: str, width: float, size: int = SMALL) -> str:
    """Return a text cut to a width, an ellipsis in place of its middle, where names alike hardly differ."""
    if text_width(text, size) <= width:
        return text
    room = max(int(width / (size * _LETTER_WIDTH)) - 1, 2)
    tail = room // 2
    return text[: room - tail] + "…" + text[len(text) - tail :]


def line(x1: float, y1: float, x2: float, y2: float, stroke: str = RULE, width: float = 2) -> str:
    """Return a straight line."""
    place = {"x1": x1, "y1": y1, "x2": x2, "y2": y2}
    return element("line", {**place, "stroke": stroke, "stroke-width": width})


def box(
    x: float, y: float, width: float, height: float, *, fill: str = PAPER, stroke: str = INK, **more: object
) -> str:
    """Return a rectangle; of the keys in `more` underscores stand for dashes."""
    place: dict[str, object] = {"x": x, "y": y, "width": width, "height": height, "fill": fill}
    rest = {key.replace("_", "-"): value for key, value in more.items()}
    return element("rect", {**place, "stroke": stroke, "stroke-width": 2, **rest})


def pattern_fill(ident: str, pattern: str) -> str:
    """Return what fills a shape with a pattern of the drawing `ident`."""
    return {"solid": INK, "plain": PAPER, "grey": GRID}.get(pattern, f"url(#{ident}-{pattern})")


def patterns(ident: str, used: Iterable[str]) -> str:
    """Return the definitions of the patterns that a drawing uses."""
    made = {
        "hatch": line(0, 12, 12, 0, INK, 2.5),
        "dots": element("circle", {"cx": 5, "cy": 5, "r": 2, "fill": INK}),
        "upright": line(5, 0, 5, 12, INK, 2),
        "cross": line(0, 12, 12, 0, INK, 2) + line(0, 0, 12, 12, INK, 2),
    }
    found = []
    for name in sorted(set(used) & set(made)):
        size = {"id": f"{ident}-{name}", "width": 12, "height": 12, "patternUnits": "userSpaceOnUse"}
        ground = element("rect", {"width": 12, "height": 12, "fill": PAPER})
        found.append(element("pattern", size, ground, made[name]))
    return element("defs", {}, *found) if found else ""


def drawing(ident: str, height: float, title: str, description: str, body: Iterable[str]) -> Svg:
    """Return a drawing with its title and description, which a reader's voice tells in its place."""
    head = {
        "xmlns": "http://www.w3.org/2000/svg",
        "role": "img",
        "aria-labelledby": f"{ident}-title {ident}-desc",
        "viewBox": f"0 0 {WIDTH} {_value(float(height))}",
        "width": "100%",
        "font-family": FONTS,
    }
    spoken = (
        element("title", {"id": f"{ident}-title"}, words(title)),
        element("desc", {"id": f"{ident}-desc"}, words(description)),
    )
    return Svg(element("svg", head, *spoken, *body))


def round_marks(low: int, high: int, most: int) -> list[int]:
    """Return round values from `low` to `high`, at most `most`: steps of 1, 2 or 5 times a power of ten."""
    step = next(
        digit * 10**exponent
        for exponent in range(60)
        for digit in (1, 2, 5)
        if (high - low) // (digit * 10**exponent) < most
    )
    return list(range(-(-low // step) * step, high + 1, step))


def axis(
    marks: Iterable[tuple[float, str]], top: float, bottom: float, right: float = WIDTH
) -> Iterator[str]:
    """Yield guide lines with their labels above them; one that would run over the right edge is left out."""
    for x, text in marks:
        yield line(x, top, x, bottom, GRID, 1.5)
        if x + text_width(text) / 2 <= right:
            yield label(x, top - 8, text, anchor="middle", fill=FAINT)
