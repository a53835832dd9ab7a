"""Small studies for tests, written as a user writes them."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]
STUDIES = ROOT / "configs" / "studies"
TROLLEY = ROOT / "configs" / "rail-trolley.yaml"

WILD = f"""\
study: 1
title: Parameters that reach into each other
plan: {TROLLEY}
parameters:
  boards:
    choices:
      as planned: {{}}
      one too many: {{strings.main.boards: [{{type: board-12, count: 5}}]}}
      no such type: {{strings.main.boards: [{{type: board-13, count: 4}}]}}
      half of them:
        strings.main.stack: [{{modules: 2, cells: 12}}]
        strings.main.boards: [{{type: board-12, count: 2}}]
      half of them, walked:
        strings.main.stack: [{{modules: 2, cells: 12}}]
        strings.main.boards: [{{type: board-12, count: 2}}]
        chains.line.order: [main.1..2]
  chain:
    choices:
      as planned: {{}}
      ring without a return path: {{chains.line.shape: ring}}
      segments anew: {{chains.line.segments: {{cable: twisted pair, length: 1 m, barrier: capacitor-1000}}}}
      segments without a length: {{chains.line.segments: {{cable: twisted pair, barrier: capacitor-1000}}}}
      a second chain:
        chains.line.order: [main.1..2]
        chains.other:
          head: trolley:1
          protocol: sequential-pair
          order: [main.3..4]
          segments: {{cable: twisted pair, length: 1 m, barrier: capacitor-1000}}
  length:
    key: chains.line.segments.length
    values: [200 mm, 1 m ± 10 %]
  head of another:
    choices:
      nothing: {{}}
      of a second chain: {{chains.other.head_segment.length: 2 m}}
      of a connector: {{connector_types.new: {{delay: 1 ns}}, chains.line.segments.connectors: [new]}}
  uplink:
    choices:
      none: {{}}
      part of one: {{uplink.buses.vehicle.bit_rate: 500 kbit/s}}
      targets anew: {{targets: {{scan_time: 10 ms}}}}
objectives: {{scan time: minimise, tightest margin: maximise}}
"""
"""On the rail trolley: choices that are wrong alone, wrong together, and made right by one another."""
