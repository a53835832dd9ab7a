"""The sections of a report by name, in order; apart from the sections so that naming them costs nothing."""

from __future__ import annotations

SECTIONS: dict[str, str] = {
    "summary": "every target with its margin",
    "slots": "which task runs in which scan",
    "bytes": "traffic on the wires and over the host bus",
    "latency": "from fault to safe state",
    "age": "sample age and skew",
    "assumptions": "warnings, assumptions and cautions",
}
"""Each section and what it shows."""
