"""Single faults: what each leaves unmonitored, when it is detected, what follows; pairs of faults."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator, Sequence

from rich.text import Text

from chainplan.after_faults import Aftermath, targets_lost
from chainplan.budgets.faults.figures import CELLS_MONITORED, FAULT_DETECTION, FAULTS_SHOWN, RECOVERY
from chainplan.budgets.faults.pairs import StringPairs
from chainplan.budgets.faults.recovery import (
    NO_SWITCH,
    NO_TASK,
    NOT_SHOWN,
    NOTHING_LEFT,
    READ_ON,
)
from chainplan.budgets.faults.walk import FaultBudget, Outcome
from chainplan.quantity import BITS, RATIO, TIME
from chainplan.report.alike import gathered
from chainplan.report.blocks import Bullets, Cell, Column, Heading, Paragraph, ReportPart, Subheading, Table
from chainplan.report.fault_groups import (
    MOST_NODES_TIMED,
    FaultGroup,
    groups_of,
    is_small,
    left_over,
    of_itself,
)
from chainplan.report.figures import amount, listed, plural
from chainplan.report.sections.common import View, two_lines

MOST_GROUPS = 14
"""Groups of faults that get a row."""

MOST_STRINGS = 8
"""Groups of strings alike whose pairs of faults are listed."""

MOST_TARGETS = 8
"""Targets that no longer hold that are listed."""

_NO_TIME = {
    NOTHING_LEFT: "none left",
    READ_ON: "read on",
    NOT_SHOWN: "no bound",
    NO_SWITCH: "not given",
    NO_TASK: "no task",
}
"""What stands in the table for each reason that there is no recovery time."""


DRAWS = (
    CELLS_MONITORED,
    FAULT_DETECTION,
    FAULTS_SHOWN,
    RECOVERY,
)
"""The figures that it shows."""


def render(view: View) -> Iterator[ReportPart]:
    """Return the headline, the faults, the targets lost and the pairs of faults."""
    faults = view.evaluation.faults
    yield Heading("Single faults", "one part fails; worst case")
    if faults.worst is None:
        yield Paragraph("The plan has no chains: there is nothing to fail.")
        return
    yield Bullets(list(_headline(faults, faults.worst)))
    yield Text()
    if is_small(view.evaluation):
        groups, after = groups_of(view.evaluation)
        yield from _table(view, groups)
        yield Text()
        yield from _targets(view, after)
    else:
        yield from _counts(view, faults)
    yield from _pairs(view, faults.pairs)


def _headline(faults: FaultBudget, worst: Outcome) -> Iterator[str]:
    seen = amount(faults.seen(worst).total, RATIO, "down")
    if worst.cells:
        yield (
            f"Any one fault leaves {seen} of the cells monitored, or more; {worst.name} leaves least, "
            f"{faults.cells - worst.cells} of {faults.cells}."
        )
    else:
        yield f"Any one fault leaves all {faults.cells} cells monitored."
    yield _single_points(faults)
    if faults.unknown:
        names = listed([outcome.name for outcome in faults.unknown], 3)
        yield f"Never shown by anything that is read: {plural(len(faults.unknown), 'fault')}: {names}."
    yield "A dead controller is apart from this: whoever listens to it must notice."


def _single_points(faults: FaultBudget) -> str:
    found = [outcome for outcome in faults.single_points if outcome.fault.kind != "controller dead"]
    if not found:
        return "No single point of failure: all faults leave the cells of other nodes monitored."
    kinds = Counter(outcome.fault.kind for outcome in found)
    each = ", ".join(f"{kind} {number}" for kind, number in kinds.items())
    return (
        f"Single points of failure, which leave cells of other nodes unmonitored: "
        f"{plural(len(found), 'fault')} of {sum(1 for _ in faults.counted)} ({each})."
    )


def _table(view: View, groups: Sequence[FaultGroup]) -> Iterator[ReportPart]:
    columns = [
        Column("fault", most=None if view.wide else 31),
        Column("not monitored"),
        Column("detected\nwithin", figures=True),
        Column("monitored\nagain within", figures=True),
        Column("scan\nafter it", figures=True),
    ]
    shown = groups[:MOST_GROUPS]
    yield Table(columns, [_row(view, group) for group in shown])
    left = groups[MOST_GROUPS:]
    if left:
        yield Paragraph(
            f"Not shown: {plural(left_over(left), 'fault')} that leave no more unmonitored: see data.",
        )
    yield Text()
    yield Paragraph(" ".join([_EXPLANATION, *_reasons(shown)]))


_EXPLANATION = (
    "Most harmful first; faults that do the same are one row, with the latest times of any of them since the "
    "fault. Detected: by the controller. Monitored again: every cell not lost for good has been read again. "
    "Scan: the longest, and the bytes on the wires in the heaviest, once the controller reads on."
)


def _reasons(groups: Sequence[FaultGroup]) -> Iterator[str]:
    notes = {group.first.recovery_note for group in groups if group.recovery is None}
    for note, word in _NO_TIME.items():
        if note in notes:
            yield f"{word.capitalize()}: {note}."


def _row(view: View, group: FaultGroup) -> list[Cell]:
    dead = group.kind == "controller dead"
    known = "-" if dead else "never"
    return [
        two_lines(view, _title(group), _remark(view, group)),
        two_lines(view, *_blind(view, group)),
        known if group.known is None else amount(group.known, TIME, "up"),
        _recovery(group),
        two_lines(view, amount(group.scan_time, TIME, "up"), amount(group.wire_bits, BITS, "up"))
        if group.scan_time
        else "-",
    ]


def _title(group: FaultGroup) -> str:
    times = f"{len(group.rows)} x " if len(group.rows) > 1 else ""
    return f"{times}{group.kind}"


def _remark(view: View, group: FaultGroup) -> str:
    names = listed(group.parts, 4 if view.wide else 2)
    lost = [f"{target} of {listed(subjects, 4)}" for target, subjects in group.lost.items()]
    missed = listed(lost, 3)
    return f"{names}; then missed: {missed}" if missed else names


def _blind(view: View, group: FaultGroup) -> tuple[str, str]:
    outcome = group.first.outcome
    if not outcome.nodes:
        return "none", ""
    cells = plural(outcome.cells, "cell")
    if outcome.nodes == 1 and not outcome.others and outcome.fault.kind.startswith("node"):
        return cells, "its own"
    nodes = [node.name for node in view.evaluation.faults.unmonitored_nodes(outcome)]
    most = 2 if view.wide else 1
    names = listed(nodes, most) if len(group.rows) == 1 else f"{plural(len(nodes), 'node')} each"
    return cells, names


def _recovery(group: FaultGroup) -> str:
    if group.recovery is not None:
        return amount(group.recovery, TIME, "up")
    return "-" if group.kind == "controller dead" else _NO_TIME.get(group.first.recovery_note, "-")


def _targets(view: View, after: Aftermath) -> Iterator[ReportPart]:
    lost = targets_lost(after)
    yield Subheading("Targets after recovery")
    if not after.judged:
        yield Paragraph("Not judged here: the plan is too long; data judges them.")
    elif not lost:
        what = (
            "any fault" if after.judged == after.faults else f"any of the {after.judged} most harmful faults"
        )
        yield Paragraph(f"What is met of scan, age, skew, bytes and handling times still holds after {what}.")
    else:
        columns = [Column("no longer met"), Column("faults", figures=True), Column("such as")]
        groups = gathered(lost.items(), _losing)
        yield Table(columns, [_lost_row(group) for group in groups[:MOST_TARGETS]])
        left = sum(map(len, groups[MOST_TARGETS:]))
        if left:
            yield Paragraph(f"Not shown: {plural(left, 'target')} more.")
    if 0 < after.judged < after.faults:
        yield Paragraph(
            f"Judged: the {after.judged} most harmful of {after.faults} faults; data judges more."
        )


_Loss = tuple[tuple[str, str], Sequence[Outcome]]
"""A target with its subject, and the faults after which it is missed."""


def _losing(loss: _Loss) -> Hashable:
    """Return what one controller's loss has in common with that of others alike."""
    (target, subject), found = loss
    return target, len(found), of_itself(subject, found[0].fault.controller)


def _lost_row(group: Sequence[_Loss]) -> list[Cell]:
    (target, _), found = group[0]
    subjects = listed([subject for (_, subject), _ in group])
    each = " each" if len(group) > 1 else ""
    return [f"{target}: {subjects}", f"{len(found)}{each}", listed([outcome.name for outcome in found], 2)]


def _counts(view: View, faults: FaultBudget) -> Iterator[ReportPart]:
    """Yield what is cheap to know of a long plan: the worst fault of each kind."""
    numbers: Counter[str] = Counter()
    latest: dict[str, int] = {}
    for outcome in faults.outcomes:
        kind = outcome.fault.kind
        numbers[kind] += 1
        if outcome.known is not None:
            latest[kind] = max(outcome.known.total, latest.get(kind, 0))
    columns = [
        Column("kind of fault"),
        Column("number", figures=True),
        Column("most cells\nnot monitored", figures=True),
        Column("worst at"),
        Column("detected\nwithin", figures=True),
    ]
    rows: list[list[Cell]] = []
    for kind, worst in faults.worst_of_kind.items():
        known = amount(latest[kind], TIME, "up") if kind in latest else "-"
        rows.append([kind, str(numbers[kind]), str(worst.cells), worst.fault.part, known])
    yield Table(columns, rows)
    yield Text()
    yield Paragraph(
        f"A plan of more than {MOST_NODES_TIMED} nodes: data writes fault by fault the recovery, the scan, "
        "the bytes and the targets that no longer hold.",
    )


def _pairs(view: View, pairs: Sequence[StringPairs]) -> Iterator[ReportPart]:
    yield Text()
    yield Subheading("Pairs of faults that leave a string unmonitored though neither does alone")
    groups = _alike(pairs)
    columns = [
        Column("string"),
        Column("one fault\nin part", figures=True),
        Column("wholly", figures=True),
        Column("pairs\nin part", figures=True),
        Column("wholly", figures=True),
    ]
    rows: list[list[Cell]] = [
        [
            listed([each.string for each in group], 3),
            str(group[0].alone_in_part),
            str(group[0].alone_wholly),
            str(group[0].in_part),
            str(group[0].wholly),
        ]
        for group in groups[:MOST_STRINGS]
    ]
    yield Table(columns, rows)
    yield Text()
    yield Paragraph("In part: at least one of its cells is monitored no more. Wholly: none of them is.")
    examples = list(_examples(groups[:MOST_STRINGS]))
    if examples:
        yield Text()
        yield Bullets(examples)
    if len(groups) > MOST_STRINGS:
        left = sum(map(len, groups[MOST_STRINGS:]))
        yield Paragraph(f"Not shown: {plural(left, 'string')} more; data writes them.")


def _examples(groups: Sequence[Sequence[StringPairs]]) -> Iterator[str]:
    for group in groups:
        for word, found in (("in part", group[0].in_part_examples), ("wholly", group[0].wholly_examples)):
            if found:
                one, other = found[0]
                yield f"{group[0].string} {word}, such as: {one.name}, and {other.name}"


def _alike(pairs: Sequence[StringPairs]) -> list[list[StringPairs]]:
    """Return strings with the same counts together."""
    return gathered(pairs, lambda each: (each.alone_in_part, each.alone_wholly, each.in_part, each.wholly))
