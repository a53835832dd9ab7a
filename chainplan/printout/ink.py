"""The colours of the page. Nothing is said by colour alone: words, signs and patterns say the same."""

from __future__ import annotations

PAPER = "#ffffff"
INK = "#1a1a1a"
FAINT = "#4d4d4d"
"""Remarks and axes."""
MET = "#14532d"
MISSED = "#8f1313"
SHADE = "#f0f0f0"
"""Behind the heads of tables and what stands apart."""
RULE = "#767676"
"""Lines that carry meaning."""
GRID = "#c8c8c8"
"""Lines that only guide the eye, and the light half of patterns."""

TEXT_PAIRS = (
    (INK, PAPER),
    (INK, SHADE),
    (FAINT, PAPER),
    (FAINT, SHADE),
    (MET, PAPER),
    (MET, SHADE),
    (MISSED, PAPER),
    (MISSED, SHADE),
    (PAPER, INK),
)
"""Every colour that text has on every ground that it stands on."""

GRAPHIC_PAIRS = ((INK, PAPER), (RULE, PAPER), (MISSED, PAPER))
"""Every colour of a line or a fill that carries meaning, on its ground."""
