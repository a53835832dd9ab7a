"""The slot table as rows (RFC 4180) and as plain data: whole numbers, the unit in every name."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import Any

from chainplan.csv_rows import row_writer
from chainplan.exports.slots import SlotFigures, SlotTable, TaskFigures

SLOTS_VERSION = 1
"""Version of the form of this output; it changes when a key changes its meaning or goes."""

COLUMNS = (
    "controller",
    "scan",
    "task",
    "start_worst_ns",
    "end_worst_ns",
    "start_typical_ns",
    "end_typical_ns",
    "ports",
    "exchanges",
    "frames",
    "sent_byte",
    "received_byte",
    "wire_bit",
)

Record = dict[str, Any]


def slots_csv(tables: Sequence[SlotTable]) -> str:
    """Return the slots as comma-separated values, a header row first (:mod:`chainplan.csv_rows`)."""
    out = io.StringIO(newline="")
    write = row_writer(out)
    write(COLUMNS)
    for table in tables:
        for slot in table.slots:
            row = slot_record(table, slot)
            row["ports"] = " ".join(row["ports"])
            write([table.controller, *(row[column] for column in COLUMNS[1:])])
    return out.getvalue()


def slots_data(tables: Sequence[SlotTable], head: Record) -> Record:
    """Return the tables as plain data; `head` (tool, plan, cautions) stands before them."""
    return {
        "format": "chainplan slots",
        "slots_version": SLOTS_VERSION,
        **head,
        "controllers": [_controller(table) for table in tables],
    }


def _controller(table: SlotTable) -> Record:
    return {
        "controller": table.controller,
        "ports": list(table.ports),
        "scan_period_min_ns": table.scan_period.min,
        "scan_period_typical_ns": table.scan_period.typical,
        "scan_period_max_ns": table.scan_period.max,
        "scan_jitter_max_ns": table.scan_jitter,
        "major_cycle_scans": table.major_cycle,
        "busiest_scan": table.busiest_scan,
        "busiest_slots_worst_ns": table.busiest,
        "retry_reserve_exchanges": table.retries,
        "retry_reserve_ns": table.reserve,
        "tasks": [_task(task) for task in table.tasks],
        "slots": list(_slots(table)),
    }


def _slots(table: SlotTable) -> Iterator[Record]:
    for slot in table.slots:
        yield slot_record(table, slot)


def slot_record(table: SlotTable, slot: SlotFigures) -> Record:
    """Return one slot, with what its task does in every run, by the names of the columns."""
    task = table.tasks[slot.task]
    return {
        "scan": slot.scan,
        "task": task.name,
        "start_worst_ns": slot.start_worst,
        "end_worst_ns": slot.end_worst,
        "start_typical_ns": slot.start_typical,
        "end_typical_ns": slot.end_typical,
        **_traffic(task),
    }


def _task(task: TaskFigures) -> Record:
    return {
        "task": task.name,
        "kind": task.kind,
        "every_scans": task.every,
        "phase_scans": task.phase,
        "worst_ns": task.worst,
        "typical_ns": task.typical,
        "conversion_wait_ns": task.wait,
        **_traffic(task),
        "longest_frame_byte": task.longest,
    }


def _traffic(task: TaskFigures) -> Record:
    return {
        "ports": list(task.ports),
        "exchanges": task.exchanges,
        "frames": task.frames,
        "sent_byte": task.sent,
        "received_byte": task.received,
        "wire_bit": task.wire_bits,
    }
