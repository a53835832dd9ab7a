"""One budget term by term: every figure exact, so that a reader can add the terms up himself.

Plain lines of text; nothing here needs a terminal library.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import NamedTuple

from chainplan.evaluation import Evaluation
from chainplan.figures.figure import TYPICAL, Figure
from chainplan.figures.terms import Sum, Term
from chainplan.plan.problems import display_width, nearest
from chainplan.quantity import BITS, Dimension
from chainplan.report.figures import Look, Rounding, amount, held_against

LEAST_ROOM = 20
"""Columns that a wrapped text gets at least."""

SEGMENTS_LISTED = 40
"""Segments' voltages that the list of figures names."""


@dataclass(frozen=True, slots=True)
class Scale:
    """How the exact figures of a sum are written: their unit, its ticks, decimals enough for all of them."""

    unit: str
    ticks: int
    decimals: int

    def number(self, value: int) -> str:
        """Return a figure exactly, digits in groups of three."""
        whole, rest = divmod(abs(value), self.ticks)
        text = f"{whole:,}".replace(",", " ")
        if self.decimals:
            digits = f"{rest * 10**self.decimals // self.ticks:0{self.decimals}}"
            text += "." + " ".join(digits[start : start + 3] for start in range(0, self.decimals, 3))
        return f"-{text}" if value < 0 else text


def scale_of(figure: Sum, like: Scale | None = None) -> Scale:
    """Return the scale on which a sum and all its terms are exact and its total has a whole part.

    Beside a figure on the scale `like` it has the same unit, whatever its total.
    """
    amounts = list(_amounts(figure.terms))
    total = max((abs(each) for each in amounts), default=0)
    unit, ticks = (like.unit, like.ticks) if like else _unit(figure.dimension, total)
    decimals = 0
    while any(each * 10**decimals % ticks for each in amounts):
        decimals += 1
    return Scale(unit, ticks, decimals)


def _amounts(terms: Iterable[Term]) -> Iterator[int]:
    for term in terms:
        yield term.amount
        yield term.total
        yield from _amounts(term.parts)


def _unit(dimension: Dimension, total: int) -> tuple[str, int]:
    """Return the largest display unit below a total, with its ticks; amounts of data stay in bits."""
    fitting = [unit for unit in dimension.display if dimension.units[unit] <= total]
    unit = fitting[-1] if fitting and dimension.name != BITS.name else dimension.display[0]
    if unit == "h":  # 1/3600 has no end in decimals
        unit = "s"
    return unit, int(dimension.units[unit])


def explain_figure(name: str, figure: Sum, verdicts: Iterable[Figure], look: Look) -> str:
    """Return a figure with all its terms, down to the last, and the targets that are checked against it."""
    case = ", typical" if name.endswith(TYPICAL) else ", worst case"
    lines = _wrapped("", figure.label + ("" if figure.dimension.name == BITS.name else case), look)
    lines += _wrapped("figure: ", name, look)
    if figure.formula:
        lines += _wrapped("how: ", figure.formula, look)
    if figure.source:
        lines += _wrapped("source: ", figure.source, look)
    lines += ["", *_blocks(figure, look)]
    if figure.total < 0:
        lines += ["", SIGN]
    for verdict in verdicts:
        if verdict.figure == name:
            lines += ["", *_wrapped(f"{verdict.status}: ", held_against(verdict), look)]
    return "".join(f"{look.text(line).rstrip()}\n" for line in lines)


class TermLine(NamedTuple):
    """A term as it is written: what it adds, what it is, and what one of several adds."""

    number: str
    label: str
    each: str


class SumBlock(NamedTuple):
    """Terms under one another and their sum; `title` says which term of a block before this one they make."""

    title: str
    lines: tuple[TermLine, ...]
    total: str
    in_bytes: str = ""


NO_TERM = "no term adds anything"
SIGN = "The sign says which end is higher; the magnitude counts."


def sum_blocks(figure: Sum) -> Iterator[SumBlock]:
    """Yield the sum, then under a number of its own every term that has parts."""
    scale = scale_of(figure)
    if not figure.terms:
        yield SumBlock("", (), f"{scale.number(0)} {scale.unit}")
        return
    split: list[Term] = []
    yield _sum_block("", figure.terms, figure.total, scale, split)
    for number, term in enumerate(split, start=1):  # grows while it is walked
        title = f"[{number}] {term.label}" + (", each" if term.times != 1 else "")
        yield _sum_block(title, term.parts, term.amount, scale, split)


def _sum_block(title: str, terms: Sequence[Term], total: int, scale: Scale, split: list[Term]) -> SumBlock:
    """Return terms and their sum; those with parts go to `split`, numbered."""
    lines = []
    for term in terms:
        label = term.label + (f" ({term.how})" if term.how else "")
        if term.parts:
            split.append(term)
            label += f" [{len(split)}]"
        each = f"= {term.times} x {scale.number(term.amount)} {scale.unit}" if term.times != 1 else ""
        lines.append(TermLine(f"{scale.number(term.total)} {scale.unit}", label, each))
    in_bytes = amount(total, BITS) if scale.unit == "bit" and total % 8 == 0 else ""
    return SumBlock(title, tuple(lines), f"{scale.number(total)} {scale.unit}", in_bytes)


def _blocks(figure: Sum, look: Look) -> Iterator[str]:
    for index, block in enumerate(sum_blocks(figure)):
        if index:
            yield ""
            yield block.title
        if block.lines:
            yield from _block(block, look)
        else:
            yield f"{block.total}  {NO_TERM}"


def _block(block: SumBlock, look: Look) -> Iterator[str]:
    """Yield terms under one another, a line, and their sum."""
    width = max(map(len, (*(line.number for line in block.lines), block.total))) + 2
    for line in block.lines:
        yield from _wrapped(line.number.rjust(width) + "  ", line.label, look)
        if line.each:
            yield from _wrapped(" " * width + "  ", line.each, look)
    yield "  " + ("─" if look.unicode else "-") * (width - 2)
    yield block.total.rjust(width) + "  total" + (f"  = {block.in_bytes}" if block.in_bytes else "")


def _wrapped(head: str, text: str, look: Look) -> list[str]:
    """Return text beside its head, wrapped to the screen with the head's width left blank."""
    blank = " " * display_width(head)
    found = wrap(text, max(look.width - len(blank), LEAST_ROOM), break_on_hyphens=False)
    return [(blank if index else head) + line for index, line in enumerate(found)]


def matching(query: str, names: Iterable[str]) -> list[str]:
    """Return the figures a query means: the one of that name, else all whose name holds all its words.

    Typical figures are meant only where the query says so.
    """
    known = list(names)
    folded = query.casefold().strip()
    same = [name for name in known if name.casefold() == folded]
    if same:
        return same[:1]
    words = folded.replace("/", " ").split()
    found = [name for name in known if words and all(word in name.casefold() for word in words)]
    plain = [name for name in found if not name.endswith(TYPICAL)]
    return found if "typical" in words else plain


def of_the_report(query: str, figures: Iterable[Figure], names: Container[str]) -> list[str]:
    """Return the sums behind figures whose name in the report, with their subject, holds all words."""
    words = query.casefold().replace(",", " ").split()
    found = [
        each.figure
        for each in figures
        if words and all(word in f"{each.target} {each.subject}".casefold() for word in words)
    ]
    return [name for name in dict.fromkeys(found) if name in names]


def close_names(query: str, names: Iterable[str]) -> str | None:
    """Return the figure a query is perhaps a misspelling of."""
    return nearest(query, names)


def figure_list(evaluation: Evaluation, look: Look) -> str:
    """Return the names of all figures with what they come to; of segments' voltages the names alone.

    Rounded as in the report: worst cases to the unfavourable side, typical ones to the nearest.
    """
    sums = evaluation.sums()
    least = {each.figure for each in evaluation.shown() if each.kind.explained and each.sense == "at least"}
    lines = []
    segments: list[str] = []
    for name, work_out in sums.items():
        if name.startswith(("isolation/", "transient/")):
            segments.append(name)
            continue
        figure = work_out()
        rounding: Rounding = "down" if name in least else "nearest" if name.endswith(TYPICAL) else "up"
        lines.append((name, amount(figure.total, figure.dimension, rounding)))
    width = max((display_width(total) for _, total in lines), default=0)
    shown = [f"{total.rjust(width)}  {name}" for name, total in lines]
    shown += [f"{' ' * width}  {name}" for name in segments[:SEGMENTS_LISTED]]
    left = len(segments) - SEGMENTS_LISTED
    if left > 0:
        shown.append(f"{' ' * width}  and {left} more isolation/... alike")
    return "".join(f"{look.text(line).rstrip()}\n" for line in shown)
