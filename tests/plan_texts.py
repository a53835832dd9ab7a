"""Plan texts for the tests of the loader: one with every key of the schema, and ways to break it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from chainplan.plan.load import LoadedPlan, load_plan, load_source
from chainplan.plan.problems import KeyPath, PlanError, Problem
from chainplan.plan.source import parse_source

FULL = """\
chainplan: 1
title: Every key of the schema
revision: A
date: 2026-01-15
about: An invented plan.
cell_types:
  lfp: {voltage: {min: 2.5 V, nominal: 3.2 V, max: 3.65 V}, capacity: 60 Ah, note: invented}
  nmc: {voltage: 2.8 V .. 4.2 V}
node_types:
  six:
    cell_inputs: 6
    temperature_inputs: 2
    forwarding: {style: cut-through, downstream: 100 ns, upstream: 120 ns}
    turn_around: 5 us
    conversions:
      cell voltages: {time: 2 ms, step: 20 us, settling: 1 ms, publishes: each value}
      temperatures: {time: 4 ms}
    wake: 300 us
    ready: 1 ms
    sleeps_after: 2 s
    addressing: 60 us
    address_limit: 60
    jabber_limit: 2 ms
    raises_alarms: true
    balancing: {current: 100 mA, settling: 1 ms, alternate: true, asleep: false}
    currents: {sleep: 15 uA, idle: 2 mA, measuring: 9 mA, communicating: 12 mA}
    note: invented
board_types:
  twelve:
    nodes: [{type: six, cells: 6, temperatures: 2, count: 2}]
    between_nodes: {cable: trace, length: 30 mm, barrier: cap}
    note: invented
  lower:
    nodes:
      - {type: six, cells: 6}
      - {type: six, cells: 6, temperatures: 1}
    between_nodes: {cable: trace, length: 30 mm, near_barrier: cap, far_barrier: cap}
cable_types:
  short: {velocity: 0.6 c, impedance: 120 ohm}
  trace: {velocity: 0.5 c, loss_class: category 5, temperature: 55 degC, loss_factor: 1.2, note: invented}
  pair:
    velocity: 2e8 m/s
    loss: {k1: 2.0, k2: 0.02, k3: 0.05}
    pair: {spacing: 1 mm, diameter: 0.5 mm, permittivity: 2.25, lay: 20 mm}
connector_types:
  plug: {delay: 50 ps, loss: 0.1 dB, note: invented}
  socket: {loss_class: category 5e}
barrier_types:
  cap:
    kind: capacitor
    working_voltage: 1 kV
    transient_voltage: 2.5 kV
    test_voltage: 5 kV
    creepage: 8 mm
    clearance: 9 mm
    delay: 4 ns
    loss: 0.5 dB
    note: invented
protocols:
  wire:
    bit_rate: 2 Mbit/s ± 1 %
    character: {data: 8 bit, wire: 10 bit}
    preamble: 8 bit
    trailer: 4 bit
    byte_gap: 1 us
    frame_gap: 4 us
    answer_gap: 2 us
    shortest_frame: 16 bit
    allowance: 5 %
    read_style: summation
    request: 2 byte
    answer: 1 byte
    write: 2 byte
    check: {width: 16 bit, polynomial: 0x1021, hamming_distance: 4}
    time_out: 50 us
    answer_window: 100 us
    signal:
      lowest: 1 MHz
      levels: voltage
      highest: 5 MHz
      transmit: 0 dB
      threshold: -20 dB
      margin: 6 dB
      driver: 120 ohm
      receiver: 120 ohm
    bit_errors: {independent: 0.000001}
    note: invented
strings:
  pack:
    count: 2
    cell_type: lfp
    stack:
      - {modules: 2, cells: 12}
      - {disconnect: plug, allowance: 20 V}
      - {cells: 12, cell_type: nmc}
      - {fuse: main fuse}
      - {joint: busbar}
    boards:
      - {type: twelve, count: 2, first_cell: 1}
      - {type: twelve}
    exceptions:
      1: {type: lower}
    insulation_resistance: {positive: 2 Mohm, negative: 1 Mohm}
    note: invented
controllers:
  main:
    count: 1
    ports: [out-1, back-1, out-2, back-2]
    start: 50 ms
    set_up: 20 us
    set_up_by: one core
    host_bus: {bit_rate: 4 Mbit/s, bridge: whole frames, latency: 2 us, fills_blocks: yes, arbitration: any}
    scan_period: 100 ms ± 0.1 %
    scan_jitter: 200 us
    overrun: catch up
    retry_reserve: 2
    evaluation: {period: 20 ms, run_time: 1 ms, judges: all}
    recovery: {switch: 1 ms}
    actuators:
      contactor: {command: 2 ms, opening: 30 ms}
    note: invented
chains:
  ring:
    count: 2
    shape: ring
    head: main:out-{n}
    back: main:back-{n}
    read_from: across
    protocol: wire
    order: ["pack-{n}.1..2", "pack-{n}.3 down"]
    segments:
      cable: pair
      length: 350 mm
      connectors: [plug, plug]
      barrier: cap
      near_barrier: cap
      far_barrier: cap
      barriers_share: false
      insulation: functional
      creepage: 9 mm
      clearance: 8 mm
    head_segment: {length: 1.2 m}
    back_segment: {length: 1.5 m}
    exceptions:
      3: {length: 500 mm}
    bit_errors: {bursts: {p_good: 0.0, p_bad: 0.1, leave_good: 0.001, leave_bad: 0.1}}
    note: invented
insulation:
  to_chassis: reinforced
  between_boards: functional
  between_strings: basic
  pollution_degree: 2
  material_group: II
  impulse: 2.5 kV
  altitude: 2000 m
  conditions_together: 2
  first_pole: HV-
  external: {voltage: 60 V, earthed: no}
  leave_out: {break + break: invented}
  interpolate_creepage: false
tasks:
  cell voltages:
    kind: measure
    reads: cell voltages
    every: 1
    phase: 0
    conversion: cell voltages
    value: 16 bit
    values_per_read: 6
    sends: wired inputs
    data: 0 bit
    overlap: false
    pause_balancing: true
    read_style: summation
    chains: [ring]
    stale_runs: 1
    freshness: 4
    sent_from: head
    reversal: 0 s
    note: invented
  temperatures: {reads: temperatures, every: 5, value: 12 bit}
  balancing: {kind: write, every: 10, data: 8 byte}
hazards:
  over-voltage:
    kind: cell over-voltage
    task: cell voltages
    debounce: 3
    counter: {up: 2, down: 1}
    lost_readings: 1
    lost_within: 5
    on_lost: count as good
    sensor_lag: 1 ms
    alarm: {check_every: 10 ms, debounce: 2, per_hop: 10 us, own_line: false,
      conversion: cell voltages, hardware: false, repeat_every: 70 ms, lost: 1}
    ftti: 1 s
    reaction: contactor
    note: invented
  lost:
    kind: chain loss
    debounce_time: 300 ms
    ftti: 5 s
    reaction: switch
    reaction_at: upper
    reported_by: cells
    reported_with: last
    reported_times: 1
sleep:
  check_every: 1 s
  debounce: 2
  checks: [cell voltages]
  conversions: {cell voltages: cell voltages}
  hardware: false
  alarm_per_hop: 1 ms
  host_wake: 50 ms
  ftti: 10 s
supply: {awake: 10 %}
uplink:
  buses:
    body: {bit_rate: 500 kbit/s, data_rate: 2 Mbit/s, errors: {burst: 1, interval: 100 ms}, note: invented}
  masters:
    upper: {evaluation: {period: 10 ms, run_time: 1 ms}, actuators: {switch: {opening: 9 ms}}, note: invented}
  messages:
    cells:
      bus: body
      sender: main
      identifier: 0x100
      identifier_step: 2
      extended: true
      fd: true
      data: 64 byte
      period: 50 ms
      jitter: 1 ms
      deadline: 40 ms
      carries: cell voltages
      evaluated: true
      multiplexed_over: 2
      received: queued
      note: invented
    pack: {bus: body, sender: upper, identifier: 0x200, data: 8 byte, period: 100 ms, forwards: [cells]}
targets:
  scan_time: 80 ms
  utilisation: 80 %
  sample_age: {cell voltages: 150 ms}
  skew: {cell voltages: 500 us}
  bytes_per_sample: {cell voltages: 5}
  bytes_per_scan: 1000 byte
  efficiency: 10 %
  host_bus_load: 50 %
  cells_monitored_after_fault: 90 %
  fault_detection: 2 s
  recovery: 3 s
  uplink_load: 40 %
  end_to_end_age: {pack: 1 s}
  start_up: 2 s
  balancing: {charge: 600 mAh, within: 30 d}
  imbalance_per_month: 600 mAh
  monitoring: [cell over-voltage, over-temperature]
  scans_lost_per_hour: 100.0
  stale_readings_per_hour: 0.5
  residual_errors_per_hour: 0.1
"""


def load_text(text: str) -> LoadedPlan:
    """Load a plan from its text; it includes nothing."""
    return load_source(parse_source(text, "plan.yaml"), Path("no such folder"))


def problems(text: str) -> tuple[Problem, ...]:
    """Return everything wrong with a plan text, which must not load."""
    with pytest.raises(PlanError) as caught:
        load_text(text)
    return caught.value.problems


def file_problems(path: Path) -> tuple[Problem, ...]:
    """Return everything wrong with a plan file, which must not load."""
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    return caught.value.problems


def changed(*edits: tuple[str, str], text: str = FULL) -> str:
    """Return a plan text with some of it exchanged; what is exchanged stands in it once."""
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the plan"
        text = text.replace(old, new)
    return text


def only(*edits: tuple[str, str], text: str = FULL) -> Problem:
    """Return the one thing wrong with a changed plan text."""
    found = problems(changed(*edits, text=text))
    assert len(found) == 1, [(each.key, each.message) for each in found]
    return found[0]


def marked(problem: Problem) -> str:
    """Return what the carets of a problem underline."""
    place = problem.place
    assert place is not None
    assert place.caret is not None
    return place.text[place.caret : place.caret + place.length]


def spot(problem: Problem) -> tuple[int, int]:
    """Return the line and column of a problem."""
    assert problem.place is not None
    return problem.place.line, problem.place.column


class Written:
    """A plan's data as YAML, one key or item a line, with the line and column of each key and value."""

    def __init__(self, data: Any) -> None:
        self.keys: dict[KeyPath, tuple[int, int]] = {}
        self.values: dict[KeyPath, tuple[int, int]] = {}
        self._lines: list[str] = []
        self._write(data, (), 0)
        self.text = "\n".join(self._lines) + "\n"

    def _write(self, value: Any, path: KeyPath, indent: int) -> None:
        is_list = isinstance(value, list)
        for key, item in enumerate(value) if is_list else value.items():
            here = (*path, key)
            lead = " " * indent + ("-" if is_list else f"{json.dumps(key, ensure_ascii=False)}:")
            number = len(self._lines) + 1
            self.keys[here] = (number, indent + 1)
            if isinstance(item, (dict, list)) and item:
                self._lines.append(lead)
                self.values[here] = (number + 1, indent + 3)
                self._write(item, here, indent + 2)
            else:
                self._lines.append(f"{lead} {json.dumps(item, ensure_ascii=False)}")
                self.values[here] = (number, len(lead) + 2)
        for key in list(self.keys):
            if is_list and key[:-1] == path:
                self.keys[key] = self.values[key]  # an item has no key of its own: it is shown itself
