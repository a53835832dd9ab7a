"""The plan that `chainplan start` writes: small, invented, commented, complete and meeting its targets."""

from __future__ import annotations

import math
import re
from string import Template
from typing import NamedTuple


class Size(NamedTuple):
    """How large the pack of a starter plan is: `strings` in parallel, each on a chain of its own."""

    modules: int = 4
    """In series, of one string."""
    cells: int = 12
    """In series, of one module."""
    strings: int = 1
    ring: bool = False


def starter(size: Size) -> str:
    """Return a starter plan of a size."""
    modules, cells, strings, ring = size
    volts = math.ceil(3.65 * modules * cells) * (2 if strings > 1 else 1)  # parallel strings lift each other
    lower, upper = modules // 2, modules - modules // 2
    stack = [f"{{modules: {number}, cells: {cells}}}  # [!]" for number in (lower, upper) if number]
    stack.insert(1, "{disconnect: service plug, allowance: 20 V}  # [!] allowance: arc and overshoot")
    text = Template(_STARTER).substitute(
        about=f"{_some(strings, 'string')} of {modules * cells} cells in {_some(modules, 'module')},"
        f" one board a module, {'a ring' if ring else 'an open chain'}"
        f"{' a string' if strings > 1 else ''} to one controller.",
        cells=cells,
        per_read=-(-cells // 2),
        string_count=f"    count: {strings}  # in parallel: main-1, main-2, ...\n" if strings > 1 else "",
        chain_count=f"    count: {strings}  # one for each string\n" if strings > 1 else "",
        stack="".join(f"      - {step}\n" for step in stack),
        working=f"{max(1000, -(-volts // 500) * 500)} V",
        test=f"{max(5, 4 + -(-volts // 300))} kV",
        distance=f"{max(8, -(-volts // 50))} mm",
        chain="ring" if ring else "line",
        shape="ring" if ring else "open",
        back="    back_segment: {length: 1.2 m}  # [!] and in the hop back to it\n" if ring else "",
        recovery="    recovery: {switch: 5 ms}  # to read a broken ring from both ends\n" if ring else "",
    )
    return "".join(map(_aligned, text.splitlines(keepends=True)))


def _some(number: int, thing: str) -> str:
    return f"one {thing}" if number == 1 else f"{number} {thing}s"


def _aligned(line: str) -> str:
    """Move a comment behind a value to the column of the others."""
    value, blanks, comment = re.fullmatch(r"(.*?\S)?(  +)?(#.*)?\n", line).groups(default="")  # type: ignore[union-attr]
    return f"{value.ljust(31)}  {comment}\n" if value and comment and blanks else line


_STARTER = """\
# A starter plan for chainplan. Everything in it is invented, with round figures: no product stands behind
# it. Lines marked [!] hold what every pack has of its own: put in your parts' figures, from data sheets.
# What is not written follows from the rest, and the report says how it was understood: a board on every
# module, the order of a chain along its string, the first free ports of the only controller.
#
# How quantities are written: always with the unit. All of these are understood:
#   350 mm          2 Mbit/s ± 1 %          2 ms +/- 0.1 ms          1.8 ms .. 2.3 ms
#   {min: 1.8 ms, typical: 2 ms, max: 2.3 ms}
# Worst-case results use the unfavourable end of every quantity, typical results the middle.
#
# Next steps:   chainplan report THIS_FILE      chainplan check THIS_FILE
#               chainplan explain THIS_FILE     chainplan schema > plan.schema.json   (for your editor)

chainplan: 1                     # version of the plan format
title: Starter plan
revision: A
date: 2026-01-01
about: >-
  Invented: $about

# --- The parts -----------------------------------------------------------------------------------------
# Parts shared by several plans can stand in a file of their own:   include: [my-parts.yaml]

cell_types:
  my cell:
    voltage: {min: 2.5 V, nominal: 3.2 V, max: 3.65 V}   # [!]

node_types:                      # a node is one monitoring circuit on the chain
  my node:
    cell_inputs: $cells              # [!]
    temperature_inputs: 4
    forwarding:                  # how it passes traffic on: cut-through, or store-and-forward
      style: cut-through
      downstream: 80 ns .. 140 ns   # [!] away from the controller
      upstream: 80 ns .. 140 ns     # [!] towards it
    turn_around: 4 us .. 10 us   # [!] from the end of a request to the start of the answer
    conversions:                 # channel i is sampled `step` times i after the trigger
      cell voltages: {time: 1.8 ms .. 2.3 ms, step: 20 us, settling: 1 ms}   # [!]
      temperatures: {time: 3.5 ms .. 4.6 ms, step: 500 us}                   # [!]
      open wire: {time: 9 ms .. 12 ms, step: 20 us}                          # [!]

board_types:                     # a board carries one node or several, from its lowest cell upward
  my board:
    nodes: [{type: my node, cells: $cells, temperatures: 2}]

cable_types:
  my pair: {velocity: 0.66 c}    # c is the speed of light

connector_types:
  my connector: {delay: 50 ps}

barrier_types:                   # the isolating part at each end of a segment
  my capacitor:
    kind: capacitor              # or transformer, optical
    working_voltage: $working      # [!]
    test_voltage: $test           # [!] AC, rms
    creepage: $distance              # [!]
    clearance: $distance             # [!]
    delay: 2 ns .. 4 ns

protocols:
  my protocol:
    bit_rate: 2 Mbit/s ± 1 %     # [!]
    character: {data: 8 bit, wire: 8 bit}   # with start and stop bits: wire: 10 bit
    preamble: 8 bit
    trailer: 4 bit
    frame_gap: 4 us
    answer_gap: 2 us
    read_style: sequential       # or summation, polled
    request: 2 byte              # bits of each frame apart from data and check
    answer: 1 byte
    write: 2 byte
    check: {width: 16 bit, polynomial: 0x1021}
    time_out: 50 us

# --- Where they stand ----------------------------------------------------------------------------------

strings:
  main:
$string_count    cell_type: my cell
    stack:                       # from HV- upward
$stack      - {fuse: main fuse, allowance: 60 V}            # [!]
    insulation_resistance: {positive: 2 Mohm, negative: 2 Mohm}   # of each pole to chassis

controllers:
  main controller:
    set_up: 20 us .. 60 us       # processor time per exchange
    host_bus: {bit_rate: 4 Mbit/s, bridge: whole frames, latency: 2 us}
    scan_period: 100 ms ± 0.1 %  # [!]
    scan_jitter: 200 us
    retry_reserve: 2             # exchanges a scan has room to repeat
    evaluation: {period: 20 ms, run_time: 1 ms}       # the task that judges the readings
$recovery    actuators:
      contactor: {command: 2 ms, opening: 18 ms .. 30 ms}

chains:
  $chain:
$chain_count    shape: $shape                  # open or ring
    protocol: my protocol
    segments:                    # every hop, if nothing else is said
      cable: my pair
      length: 350 mm             # [!]
      connectors: [my connector, my connector]
      barrier: my capacitor      # one at each end
      creepage: $distance             # [!] between the conductors of two neighbouring boards
      clearance: $distance            # [!]
    head_segment: {length: 1.2 m}  # [!] what differs in the hop from the controller
$back
insulation:                      # IEC 60664-1
  pollution_degree: 2
  material_group: II
  altitude: 2000 m

# --- What the firmware does ----------------------------------------------------------------------------

tasks:                           # `every` counts scans; the phases are chosen for you
  cell voltages: {reads: cell voltages, every: 1, value: 16 bit, values_per_read: $per_read}
  temperatures: {reads: temperatures, every: 5, value: 16 bit}
  open wire: {reads: open wire, every: 20, value: 16 bit, values_per_read: $per_read}
  balancing: {kind: write, every: 10, data: 8 byte}

# --- What must hold ------------------------------------------------------------------------------------

hazards:                         # ftti as in ISO 26262-1, 3.61
  over-voltage:
    kind: cell over-voltage
    debounce: 3                  # readings in a row before it counts
    lost_readings: 1             # readings that may fail until then
    on_lost: hold                # a lost one neither counts nor starts the row anew
    ftti: 1 s
    reaction: contactor
  over-temperature:
    kind: over-temperature
    debounce: 2
    sensor_lag: 4 s
    ftti: 10 s
    reaction: contactor
  sense wire: {kind: open sense wire, ftti: 5 s, reaction: contactor}
  lost chain: {kind: chain loss, debounce: 3, ftti: 1 s, reaction: contactor}

targets:                         # what is left out is computed but not judged
  scan_time: 80 ms               # [!] and so are all limits
  utilisation: 80 %
  sample_age: {cell voltages: 150 ms, temperatures: 700 ms}
  skew: {cell voltages: 500 us}
  bytes_per_sample: {cell voltages: 5}
  efficiency: 35 %
"""

STARTER = starter(Size())
"""The plan of the size that :class:`Size` has by itself."""
