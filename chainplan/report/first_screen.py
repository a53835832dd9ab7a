"""The first screen: the pack, every family's tightest target, what is missed, tight and not checked.

At most :data:`MOST_LINES` lines on :data:`~chainplan.report.terminal.LEAST_WIDTH` columns or more, whatever
the plan: what finds no room is counted, and the command that prints it is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from textwrap import wrap
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from chainplan.figures.figure import Figure
from chainplan.figures.sections import SECTIONS
from chainplan.headroom.parameters import Move
from chainplan.headroom.trials import Key
from chainplan.plan.problems import display_width, dotted
from chainplan.report import figures
from chainplan.report.alike import gathered
from chainplan.report.bars import draw_bars
from chainplan.report.blocks import STATUS_STYLES
from chainplan.report.drawing import cut, right
from chainplan.report.pack_lines import boards_line, chain_lines, strings_line
from chainplan.report.sections.common import View
from chainplan.report.sections.headroom import move_words
from chainplan.report.terminal import text_of, view_of

if TYPE_CHECKING:
    from chainplan.evaluation import Evaluation
    from chainplan.plan.load import LoadedPlan

MOST_LINES = 40

MOST_CHAINS = 2
"""Chains that differ and are drawn."""

TIGHT = Fraction(1, 5)
"""Share of what there is below which what is left counts as tight."""

MOST_NAMED = 3
"""Names of a kind that are listed."""

CAUTION = (
    "DANGER OF DEATH: lethal DC voltage that cannot be switched off. A planning aid,",
    "no substitute for measurement, test or safety analysis: local codes, standards'",
    "own text and qualified persons decide. Figures are only as good as the plan.",
)


def first_screen_text(
    console: Console, loaded: LoadedPlan, evaluation: Evaluation, fixes: Mapping[Key, Move]
) -> str:
    """Return the first screen as `console` would print it; `fixes` are those that it names."""
    view = view_of(console, loaded, evaluation)
    return text_of(console, view.look, first_screen(view, fixes))


def first_screen(view: View, fixes: Mapping[Key, Move]) -> Iterator[Text]:
    """Yield the screen line by line."""
    verdicts = view.evaluation.verdicts
    head = [*_title(view, verdicts), Text(), *_pack(view), Text()]
    bars = [*_bars(view, verdicts), Text()]
    rest = [*_tight(view, verdicts), *_not_checked(view, verdicts)]
    tail = [*rest, *([Text()] if rest or view.evaluation.missed else []), *_end(view)]
    room = MOST_LINES - len(head) - len(bars) - len(tail)
    yield from (*head, *bars, *_missed(view, verdicts, fixes, room), *tail)


def first_misses(verdicts: Iterable[Figure]) -> list[Figure]:
    """Return one of each group of missed targets that are told together: those whose fix is shown."""
    return [group[0] for group in told_misses(verdicts)]


def told_misses(verdicts: Iterable[Figure]) -> list[list[Figure]]:
    """Return the missed targets as they are told: what endangers first comes first, equal ones together."""
    missed = sorted((each for each in verdicts if each.status == "missed"), key=figures.by_danger)
    return gathered(missed, lambda each: (each.target, each.value, each.limit))


def _line(view: View, text: str, style: str = "", width: int = 0) -> Text:
    return Text(cut(view.look.text(text), width or view.look.width, not view.look.unicode), style=style)


def _title(view: View, verdicts: Sequence[Figure]) -> Iterator[Text]:
    plan = view.evaluation.plan
    missed = sum(each.status == "missed" for each in verdicts)
    met = sum(each.status == "met" for each in verdicts)
    total = figures.plural(len(verdicts), "target")
    answer = f"MISSED {missed} of {total}" if missed else f"met {met} of {total}"
    style = STATUS_STYLES["missed" if missed else "met" if met == len(verdicts) else "not checked"]
    room = view.look.width - display_width(answer) - 2
    title = cut(view.look.text(f"{plan.title}, revision {plan.revision}"), room, not view.look.unicode)
    gap = " " * (view.look.width - display_width(title) - display_width(answer))
    yield Text.assemble((title, "bold"), gap, (answer, style))
    about = " ".join(plan.about.split())
    if about:
        yield _line(view, about)
    settings = view.loaded.sources.settings
    for each in settings[:2]:
        yield _line(view, f"set: {dotted(each.path)} = {each.text} (instead of: {each.before})")
    if len(settings) > 2:
        yield _line(view, f"and {len(settings) - 2} more values set")


def _pack(view: View) -> Iterator[Text]:
    strings, boards = strings_line(view.evaluation), boards_line(view.evaluation)
    if display_width(strings) + display_width(boards) + 3 <= view.look.width:
        yield _line(view, f"{strings}   {boards}")
    else:
        yield _line(view, strings)
        yield _line(view, boards)
    for text in chain_lines(view.evaluation.network, view.look, MOST_CHAINS):
        yield _line(view, text)


def _worst_of_families(verdicts: Iterable[Figure]) -> list[Figure]:
    """Return of each section's targets the one that uses most of its limit, in the order of the report."""
    known = [each for each in verdicts if figures.used(each) is not None]
    families = gathered(known, lambda each: each.kind.section)
    worst = [max(family, key=lambda each: figures.used(each) or 0) for family in families]
    return sorted(worst, key=lambda each: list(SECTIONS).index(each.kind.section))


def _bars(view: View, verdicts: Sequence[Figure]) -> Iterator[Text]:
    worst = _worst_of_families(verdicts)
    shares = [figures.used(each) or Fraction(0) for each in worst]
    width = view.look.width
    held = [view.look.text(figures.used_of(each)) for each in worst]
    room = max(map(display_width, held), default=0)
    name, subject = min(30, width // 3 - 4), min(30, max(12, width // 6))
    cells = max(width - name - subject - room - 12, 8)
    drawn = draw_bars(shares, cells, not view.look.unicode)
    yield _line(view, "Tightest target of each family: worst case of limit, or required of provided", "dim")
    for verdict, bar, text in zip(worst, drawn, held, strict=True):
        label = _line(view, verdict.target, width=name).plain
        whom = _line(view, _whom(view, verdict), width=subject).plain
        left = "MISSED" if verdict.status == "missed" else figures.spare(verdict)
        style = STATUS_STYLES["missed"] if verdict.status == "missed" else ""
        yield Text(
            f"{label}{' ' * (name - display_width(label))} {bar} {right(text, room)} {left.rjust(6)}  {whom}",
            style=style,
        )


def _whom(view: View, verdict: Figure) -> str:
    """Return the parts of a subject that tell it from others of this plan."""
    network = view.evaluation.network
    only = {"controller": len(network.controllers) == 1, "chain": len(network.chains) == 1}
    only |= {"string": len(network.strings) == 1, "protocol": len(view.evaluation.plan.protocols) == 1}
    only["group of chains"] = True
    named = zip(verdict.kind.labels, verdict.parts, strict=False)
    return ", ".join(part for label, part in named if part and not only.get(label))


def _missed(view: View, verdicts: Sequence[Figure], fixes: Mapping[Key, Move], room: int) -> Iterator[Text]:
    groups = told_misses(verdicts)
    lines: list[list[Text]] = []
    style = STATUS_STYLES["missed"]
    for group in groups:
        first = group[0]
        whom = figures.listed([each.subject for each in group], MOST_NAMED)
        told = [
            _line(
                view,
                f"MISSED      {first.target}: {figures.used_of(first)}, {whom}",
                STATUS_STYLES["missed"],
            )
        ]
        if first.key in fixes:
            told.append(_line(view, f"            fix: {move_words(fixes[first.key])}"))
        lines.append(told)
    shown = 0
    used = 0
    while shown < len(lines) and used + len(lines[shown]) + (shown + 1 < len(lines)) <= max(room - 1, 2):
        yield from lines[shown]
        used += len(lines[shown])
        shown += 1
    left = sum(map(len, groups[shown:]))
    more = f"and {left} more missed: -s targets; " if left else ""
    if left or any(group[0].key not in fixes for group in groups):
        yield _line(view, f"            {more}what would fix them: -s headroom", style)


def _tight(view: View, verdicts: Sequence[Figure]) -> Iterator[Text]:
    found = [
        (share, each)
        for each in verdicts
        if each.status == "met" and (share := figures.used(each)) is not None and 1 - share < TIGHT
    ]
    found.sort(key=lambda pair: -pair[0])
    if found:
        least = {each.target: figures.spare(each) for _, each in reversed(found)}
        names = [f"{target} {least[target]}" for target in dict.fromkeys(each.target for _, each in found)]
        text = f"less than {figures.percent(TIGHT)} left: {figures.listed(names, MOST_NAMED)}"
        yield from _beside(view, "TIGHT       ", text)


def _beside(view: View, head: str, text: str, style: str = "") -> Iterator[Text]:
    """Yield a text beside its head in at most two lines."""
    first, *rest = wrap(view.look.text(text), view.look.width - len(head), break_on_hyphens=False)
    yield _line(view, head + first, style)
    if rest:
        yield _line(view, " " * len(head) + " ".join(rest), style)


def _not_checked(view: View, verdicts: Sequence[Figure]) -> Iterator[Text]:
    unknown = [each for each in verdicts if each.status == "not checked"]
    groups = gathered(unknown, lambda each: each.note)
    for number, group in enumerate(groups[:MOST_NAMED]):
        word = "NOT CHECKED " if number == 0 else " " * 12
        reason = group[0].note or "its figure or limit is not known"
        names = figures.listed(list(dict.fromkeys(each.target for each in group)), MOST_NAMED)
        yield from _beside(view, word, f"{names}: {reason}", STATUS_STYLES["not checked"])
    if left := len(groups[MOST_NAMED:]):
        yield _line(view, f"            and for {figures.plural(left, 'reason')} more: -s targets")


def _end(view: View) -> Iterator[Text]:
    for number, line in enumerate(CAUTION):
        yield _line(view, line, "bold" if number == 0 else "")
    yield _line(view, "More: chainplan report PLAN --full, or -s NAME; chainplan explain PLAN NAME")
