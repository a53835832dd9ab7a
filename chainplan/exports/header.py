"""The slot table as a header of C11 for the firmware: constants, and one array of slots per controller.

Names are made from those of the plan (:mod:`chainplan.exports.names`) behind a prefix, so that none is a
keyword or begins with a digit; the prefix keeps them out of the names of the library (C11, 7.31). Numbers
are written with the macros of ``stdint.h``, so that they have their width on any machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from chainplan.exports.names import Names, comment, identifier
from chainplan.exports.slots import SlotFigures, SlotTable, TaskFigures

_PREFIX = "CHAINPLAN_"
_LONGEST_PART = 16
"""Letters of a controller's or task's name within a macro's: prefix, two of them and the rest make 63."""

_LARGEST_32 = 2**32 - 1
_WIDTH = 96


def slots_header(tables: Sequence[SlotTable], title: str, revision: str, remarks: Sequence[str]) -> str:
    """Return the header; `remarks` (what made it, cautions) go into the comment at its top."""
    names = Names()
    guard = names.unique(f"{_PREFIX}{identifier(title).upper()[:40]}_SLOTS_H")
    wide = any(number > _LARGEST_32 for table in tables for number in _numbers(table))
    words = max(((len(table.ports) + 31) // 32 for table in tables), default=1)
    lines = [
        *_comment_block([f"Slot table of {title}, revision {revision}.", *remarks]),
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        "#include <stdint.h>",
        "",
        *_struct(wide, words),
    ]
    parts = Names(_LONGEST_PART)
    for table in tables:
        part = parts.unique(identifier(table.controller))
        lines += ["", *_controller(table, part, names, wide, words)]
    return "\n".join([*lines, "", f"#endif /* {guard} */", ""])


def _numbers(table: SlotTable) -> Iterator[int]:
    """Yield what must fit into the fields of the array and into the constants that go with them."""
    yield from (table.scan_period.max, table.scan_jitter, table.busiest, table.reserve)
    for task in table.tasks:
        yield max(task.worst, task.typical, task.wait, task.sent, task.received, task.wire_bits)


def _comment_block(paragraphs: Sequence[str]) -> Iterator[str]:
    yield "/*"
    for paragraph in paragraphs:
        yield from (f" * {line}" for line in wrap(comment(paragraph), _WIDTH) or [""])
    yield " */"


def _struct(wide: bool, words: int) -> list[str]:
    kind = "uint64_t" if wide else "uint32_t"
    return [
        "/* A task's place in a scan. Times count from the begin of the scan, rounded up. */",
        "struct chainplan_slot {",
        "    uint32_t scan;             /* number of the scan in the major cycle, from 0 */",
        "    uint32_t task;             /* number of the task, as in ..._TASK_... */",
        f"    {kind} start_worst_ns;   /* latest start, ns */",
        f"    {kind} end_worst_ns;     /* latest end, ns */",
        f"    {kind} start_typical_ns; /* usual start, ns */",
        f"    {kind} end_typical_ns;   /* usual end, ns */",
        f"    {kind} exchanges;        /* requests with all that answers them, broadcasts too */",
        f"    {kind} frames;           /* frames at the head ports, a summation frame counted once */",
        f"    {kind} sent_byte;        /* content sent, check included, framing not, bytes */",
        f"    {kind} received_byte;    /* content received, the same, bytes */",
        f"    {kind} wire_bit;         /* bit times of all frames, framing included */",
        f"    uint32_t ports[{words}];         /* bit n % 32 of word n / 32: port n takes part */",
        "};",
    ]


def _controller(table: SlotTable, part: str, names: Names, wide: bool, words: int) -> Iterator[str]:
    stem = f"{_PREFIX}{part.upper()}"
    yield from _comment_block([f"Controller {table.controller}"])
    for ending, value, unit in (
        ("SCAN_PERIOD_MIN_NS", table.scan_period.min, "ns, rounded down"),
        ("SCAN_PERIOD_NS", table.scan_period.typical, "ns, typical"),
        ("SCAN_PERIOD_MAX_NS", table.scan_period.max, "ns, rounded up"),
        ("SCAN_JITTER_MAX_NS", table.scan_jitter, "ns"),
        ("BUSIEST_SLOTS_NS", table.busiest, "ns, worst case, without the retry reserve"),
        ("RETRY_RESERVE_NS", table.reserve, "ns, kept after the last slot of every scan"),
    ):
        yield _define(names, f"{stem}_{ending}", value, unit, wide)
    for ending, value, unit in (
        ("RETRY_RESERVE", table.retries, "exchanges"),
        ("MAJOR_CYCLE_SCANS", table.major_cycle, "scans"),
        ("BUSIEST_SCAN", table.busiest_scan, "scan, from 0"),
        ("PORTS", len(table.ports), "ports"),
        ("TASKS", len(table.tasks), "tasks"),
        ("SLOTS", len(table.slots), "entries of the table"),
    ):
        yield _define(names, f"{stem}_{ending}", value, unit)
    ports = Names(_LONGEST_PART)
    for number, port in enumerate(table.ports):
        own = ports.unique(identifier(port.rpartition(":")[2])).upper()
        yield _define(names, f"{stem}_PORT_{own}", number, f"port {port}")
    tasks = Names(_LONGEST_PART)
    for number, task in enumerate(table.tasks):
        own = tasks.unique(identifier(task.name)).upper()
        yield from _task(f"{stem}_TASK_{own}", number, task, names, wide)
    if table.slots:
        array = names.unique(f"chainplan_{part.lower()}_slot_table")
        yield ""
        yield f"static const struct chainplan_slot {array}[{len(table.slots)}] = {{"
        yield from (f"    {_slot(table, slot, words)}," for slot in table.slots)
        yield "};"


def _task(stem: str, number: int, task: TaskFigures, names: Names, wide: bool) -> Iterator[str]:
    yield ""
    yield _define(names, stem, number, f"task {task.name}")
    for ending, value, unit in (
        ("EVERY_SCANS", task.every, "scans"),
        ("PHASE_SCANS", task.phase, "scans, first scan it runs in"),
        ("EXCHANGES", task.exchanges, "exchanges of a run"),
        ("FRAMES", task.frames, "frames of a run"),
        ("LONGEST_BYTE", task.longest, "bytes of content of its longest frame"),
    ):
        yield _define(names, f"{stem}_{ending}", value, unit)
    for ending, value, unit in (
        ("WORST_NS", task.worst, "ns, longest run"),
        ("TYPICAL_NS", task.typical, "ns, usual run"),
        ("WAIT_NS", task.wait, "ns, from the last trigger to the first read"),
    ):
        yield _define(names, f"{stem}_{ending}", value, unit, wide)


def _define(names: Names, name: str, value: int, remark: str, wide: bool = False) -> str:
    own = names.unique(name)
    return f"#define {own} {_number(value, wide)} /* {comment(remark)} */"


def _number(value: int, wide: bool = False) -> str:
    return f"UINT{64 if wide or value > _LARGEST_32 else 32}_C({value})"


def _slot(table: SlotTable, slot: SlotFigures, words: int) -> str:
    # Plain numbers: a decimal constant is as wide as it must be (C11, 6.4.4.1) and becomes its field's type.
    task = table.tasks[slot.task]
    times = [slot.start_worst, slot.end_worst, slot.start_typical, slot.end_typical]
    counts = [task.exchanges, task.frames, task.sent, task.received, task.wire_bits]
    mask = sum(1 << number for number, port in enumerate(table.ports) if port in task.ports)
    ports = ", ".join(str(mask >> 32 * word & _LARGEST_32) for word in range(words))
    numbers = (slot.scan, slot.task, *times, *counts)
    return f"{{ {', '.join(map(str, numbers))}, {{ {ports} }} }}"
