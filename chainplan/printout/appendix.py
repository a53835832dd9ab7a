"""Every figure's arithmetic, term by term, and which formulas and sources the figures rest on."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from chainplan.figures.figure import TYPICAL
from chainplan.figures.terms import Sum
from chainplan.printout.paired import Cases, PairedBlock, written_out
from chainplan.report import blocks as report_blocks
from chainplan.report.alike import gathered
from chainplan.report.blocks import Column, Paragraph, Table
from chainplan.report.explain import NO_TERM, SIGN
from chainplan.report.figures import listed, plural
from chainplan.report.sections.common import View
from chainplan.report.sections.isolation import alike

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation

MOST_FIGURES = 160
"""Figures up to which all are written out; the command `explain` writes any of them."""

MOST_SEGMENTS = 24
"""Of a plan with more: figures of isolation written out besides those that targets are checked against."""

MOST_TERMS = 80
"""Terms of one figure written out, all its parts together."""

MOST_NAMES = 40
"""Names of figures left out that are listed."""

ISOLATION = "isolation"
BY_SEGMENT = (ISOLATION, "transient")
"""The families of figures that grow with every segment."""

Figures = Mapping[str, Sum]


class Entry(NamedTuple):
    """Figures with the same terms, written once."""

    names: tuple[str, ...]
    figure: Sum
    blocks: tuple[PairedBlock, ...]
    left_out: int
    """Terms not written out."""
    formula: str
    typical: bool
    """Whether the typical case stands beside the worst one."""

    @property
    def named(self) -> str:
        """Return its names as they are written."""
        return listed(self.names, len(self.names)) + (f" (and {TYPICAL})" if self.typical else "")

    @property
    def signed(self) -> str:
        """Return what has to be said of a negative total."""
        return SIGN if self.figure.total < 0 else ""

    @property
    def empty(self) -> str:
        """Return what stands where there are no terms."""
        return "" if self.figure.terms else NO_TERM


class Family(NamedTuple):
    """The entries of one budget."""

    name: str
    entries: tuple[Entry, ...]

    @property
    def typical(self) -> bool:
        """Tell whether any of its entries has a typical case."""
        return any(entry.typical for entry in self.entries)


class Appendix(NamedTuple):
    """The entries, and what is said of the figures that have none."""

    families: tuple[Family, ...]
    remarks: tuple[str, ...]


def figures_of(evaluation: Evaluation) -> tuple[dict[str, Sum], tuple[str, ...], tuple[str, ...]]:
    """Return figures to write out, remarks on chains alike, and the names of what is beyond the limit."""
    skipped: dict[str, str] = {}
    for group in alike(evaluation.isolation.chains.values()):
        skipped |= {each.chain.name: group[0].chain.name for each in group[1:]}
    works = {
        name: work_out
        for name, work_out in evaluation.sums().items()
        if family(name) not in BY_SEGMENT or name.split("/")[1].partition("#")[0] not in skipped
    }
    chosen = _chosen(list(works), {verdict.figure for verdict in evaluation.verdicts})
    shown = {name: work_out() for name, work_out in works.items() if name in chosen}
    beyond = tuple(name for name in works if name not in chosen)
    families: dict[str, list[str]] = {}
    for chain, first in skipped.items():
        families.setdefault(first, []).append(chain)
    remarks = tuple(
        f"Isolation of {listed(chains, 12)}: segment by segment as that of {first}."
        for first, chains in families.items()
    )
    return shown, remarks, beyond


def _chosen(names: Sequence[str], judged: Collection[str]) -> set[str]:
    """Return the figures to write out: all, or those with targets and the first of the others."""
    if len(names) <= MOST_FIGURES:
        return set(names)
    apart = [name for name in names if family(name) in BY_SEGMENT and name not in judged]
    beside = set(apart)
    rest = [name for name in names if name not in beside]
    first = sorted(rest, key=lambda name: name not in judged)[:MOST_FIGURES]
    return {*first, *apart[:MOST_SEGMENTS]}


def appendix(figures: Figures, remarks: tuple[str, ...], beyond: tuple[str, ...]) -> Appendix:
    """Return the entries of all figures, those with equal terms together, and what is left out."""
    known: dict[Hashable, str] = {}
    families: dict[str, list[Entry]] = {}
    for pairs in gathered(_cases(figures).items(), lambda pair: _arithmetic(*pair)):
        names = tuple(name for name, _ in pairs)
        families.setdefault(family(names[0]), []).append(_entry(names, pairs[0][1], known))
    if beyond:
        remarks = (
            *remarks,
            f"{plural(len(beyond), 'figure')} more are not written out here; the command explain writes "
            f"each of them, data all: {listed(beyond, MOST_NAMES)}.",
        )
    return Appendix(tuple(Family(name, tuple(entries)) for name, entries in families.items()), remarks)


def family(name: str) -> str:
    """Return the budget that a figure belongs to, as the first part of its name says."""
    return name.partition("/")[0]


def _cases(figures: Figures) -> dict[str, Cases]:
    """Return the figures by their names, typical cases beside the worst ones that they belong to."""
    found = {}
    for name, figure in figures.items():
        if name.endswith(TYPICAL) and name.removesuffix(TYPICAL) in figures:
            continue
        found[name] = Cases(figure, figures.get(name + TYPICAL))
    return found


def _arithmetic(name: str, cases: Cases) -> Hashable:
    """Return what figures that are written once have in common."""
    if not cases.worst.terms:
        return name
    return tuple(
        figure and (figure.dimension.name, figure.terms, figure.formula, figure.source) for figure in cases
    )


def _entry(names: tuple[str, ...], cases: Cases, known: dict[Hashable, str]) -> Entry:
    blocks, left = written_out(names[0], cases, MOST_TERMS, known)
    figure, typical = cases
    formula = figure.formula
    if typical and typical.formula not in ("", formula):
        formula = f"{formula}; typical: {typical.formula}"
    return Entry(names, figure, blocks, left, formula, typical is not None)


def source_blocks(view: View, figures: Figures) -> Iterator[report_blocks.Block]:
    """Yield the table of formulas and their sources, each with the figures it makes."""
    found: dict[tuple[str, str], list[str]] = {}
    for name, figure in figures.items():
        if figure.formula or figure.source:
            kinds = found.setdefault((figure.formula, figure.source), [])
            kind = family(name)
            if kind not in kinds:
                kinds.append(kind)
    for segment in view.evaluation.isolation.segments:
        for check in segment.checks:
            if check.rule:
                rule, _, source = check.rule.partition("; ")
                found[f"needed {check.subject}: {rule}", source] = [ISOLATION]
    columns = [Column("figures"), Column("formula"), Column("source")]
    rows = [
        [", ".join(kinds), formula or "as the terms say", source or "this program's model"]
        for (formula, source), kinds in found.items()
    ]
    yield report_blocks.Heading("Formulas and sources", "what the figures are worked out by")
    yield Table(columns, rows)
    yield Paragraph(NOTE)


NOTE = (
    "This program's model: a sum that follows from the plan and the assumptions above. Every entry of the "
    "appendix names its formula and source again. A source from memory or from a transcription says so."
)
