"""A capture beside the plan, as JSON with units in the keys."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from chainplan.cautions import CAUTIONS
from chainplan.quantity import RATIO, TIME
from chainplan.report.units import with_unit

if TYPE_CHECKING:
    from chainplan.captures.compare import ChannelResult, Result
    from chainplan.captures.ranges import Range
    from chainplan.captures.tally import CaptureRow, Deviation
    from chainplan.plan.load import LoadedPlan

CAPTURED_VERSION = 1
"""Version of the form of this output; it changes when a key changes its meaning or goes."""

Record = dict[str, Any]


def captured_json(loaded: LoadedPlan, name: str, result: Result) -> str:
    """Return what was found in a capture as strict JSON, in a stable order."""
    document = captured_data(loaded, name, result)
    return json.dumps(document, indent=2, allow_nan=False, ensure_ascii=True) + "\n"


def captured_data(loaded: LoadedPlan, name: str, result: Result) -> Record:
    """Return what was found in a capture as plain data; time stamps are exact, as whole fs."""
    return {
        "format": "chainplan capture",
        "captured_version": CAPTURED_VERSION,
        "plan": {"title": loaded.plan.title, "revision": loaded.plan.revision, "file": loaded.file},
        "capture": {
            "file": name,
            "form": result.form,
            "trace": result.options.trace,
            "first_fs": result.first,
            "last_fs": result.last,
            **with_unit("resolution", result.resolution, TIME),
            **with_unit("clock_error", result.options.clock_error, RATIO),
            "ends_within_line_at_byte": result.ends_within,
        },
        "inside": result.inside,
        "channels": [_channel(channel) for channel in result.channels],
        "cautions": list(CAUTIONS),
    }


def _channel(channel: ChannelResult) -> Record:
    measured, counts = channel.measured, channel.counts
    return {
        "signal": channel.channel.signal,
        "port": channel.channel.port,
        "inside": channel.inside,
        **with_unit("idle_gap", channel.idle, TIME),
        **with_unit("glitch", channel.glitch, TIME),
        "first_scan": channel.first_scan,
        "other_first_scans": channel.ambiguous,
        "frames_may_run_together": channel.unclear,
        "frames": measured.frames,
        "missing_frames": measured.missing,
        "extra_frames": measured.extra,
        "course_left": measured.breaks,
        "frames_not_judged": measured.not_judged,
        "frames_cut_off": counts.cut_off,
        "glitches": counts.glitches,
        "unknown_levels": counts.unknown,
        "rows": [_row(row) for row in measured.rows],
        "findings": [_finding(finding) for finding in measured.findings],
        "findings_in_all": measured.found,
    }


def _row(row: CaptureRow) -> Record:
    return {
        "quantity": row.quantity,
        "subject": row.subject,
        "times": row.times,
        **with_unit("least", row.least, TIME),
        **with_unit("largest", row.largest, TIME),
        **_allowed(row.allowed),
        "outside": row.outside,
    }


def _finding(finding: Deviation) -> Record:
    return {
        "time_fs": finding.time,
        **with_unit("time", finding.time, TIME),
        "what": finding.what,
        "scan": finding.scan,
        **with_unit("measured", finding.measured, TIME),
        **_allowed(finding.allowed),
    }


def _allowed(allowed: Range | None) -> Record:
    return {
        **with_unit("allowed_min", allowed and allowed.min, TIME),
        **with_unit("allowed_max", allowed and allowed.max, TIME),
    }
