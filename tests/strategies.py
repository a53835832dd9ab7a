"""Hypothesis strategies for whole plans: valid ones, small, and varied in everything that costs time."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from chainplan.plan.model import Plan

Data = dict[str, Any]

SAMPLED = {
    "cell voltages": "cell over-voltage",
    "redundant cell voltages": "wrong measurement",
    "temperatures": "over-temperature",
    "open wire": "open sense wire",
    "switch check": "balancing switch stuck",
}
"""What tasks read of inputs, and a hazard that each shows."""

BLOCKS = {"status": None, "register check": "register upset"}
"""What tasks read as one block of data per node, and the hazard it shows, if any."""


def spans(most: int, unit: str, least: int = 0) -> st.SearchStrategy[str]:
    """Draw a quantity from `least` to `most` whole units: exact, or a range."""
    number = st.integers(least, most)
    return st.one_of(
        number.map(lambda value: f"{value} {unit}"),
        st.tuples(number, number).map(lambda ends: f"{min(ends)} {unit} .. {max(ends)} {unit}"),
    )


@st.composite
def protocols(draw: st.DrawFn) -> Data:
    """Draw a protocol of any read style."""
    data = draw(st.sampled_from([1, 8, 16]))
    return {
        "bit_rate": draw(st.sampled_from(["2 Mbit/s ± 1 %", "500 kbit/s", "3 Mbit/s .. 4 Mbit/s"])),
        "character": {"data": f"{data} bit", "wire": f"{data + draw(st.integers(0, 3))} bit"},
        "preamble": f"{draw(st.integers(0, 20))} bit",
        "trailer": f"{draw(st.integers(0, 5))} bit",
        "byte_gap": draw(spans(500, "ns")),
        "frame_gap": draw(spans(5, "us")),
        "answer_gap": draw(spans(5, "us")),
        "shortest_frame": f"{draw(st.integers(0, 64))} bit",
        "allowance": draw(st.sampled_from(["0 %", "40 %", "0 % .. 7 %"])),
        "read_style": draw(st.sampled_from(["summation", "sequential", "polled"])),
        "request": f"{draw(st.integers(1, 40))} bit",
        "answer": f"{draw(st.integers(0, 20))} bit",
        "write": f"{draw(st.integers(1, 40))} bit",
        "check": {"width": f"{draw(st.sampled_from([0, 8, 15]))} bit"},
        "time_out": draw(spans(200, "us")),
    }


@st.composite
def conversions(draw: st.DrawFn) -> Data:
    """Draw a conversion whose sequence of channels fits into its time."""
    return {
        "time": draw(spans(2000, "us", least=200)),
        "step": draw(spans(20, "us")),
        "settling": draw(spans(300, "us")),
        "publishes": draw(st.sampled_from(["whole round", "each value"])),
    }


@st.composite
def node_types(draw: st.DrawFn) -> Data:
    """Draw a node that knows all conversions, or, of registers, may check them when it is asked."""
    checked = [*SAMPLED, *draw(st.sampled_from([[], ["register check"]]))]
    return {
        "cell_inputs": 8,
        "temperature_inputs": 3,
        "forwarding": {
            "style": draw(st.sampled_from(["cut-through", "store-and-forward"])),
            "downstream": draw(spans(3000, "ns")),
            "upstream": draw(spans(3000, "ns")),
        },
        "turn_around": draw(spans(400, "us")),
        "conversions": {name: draw(conversions()) for name in checked},
        "wake": draw(spans(3000, "us")),
        "ready": draw(spans(5000, "us")),
        "addressing": draw(spans(500, "us")),
        "balancing": draw(
            st.none() | st.fixed_dictionaries({"current": st.just("100 mA"), "settling": spans(400, "us")})
        ),
    }


@st.composite
def tasks(draw: st.DrawFn) -> Data:
    """Draw a task."""
    kind = draw(st.sampled_from(["measure", "measure", "read", "write"]))
    task: Data = {"kind": kind, "every": draw(st.integers(1, 4))}
    if kind == "write":
        return task | {"data": f"{draw(st.integers(0, 40))} bit"}
    reads = draw(st.sampled_from([*SAMPLED, "cell voltages", *BLOCKS]))
    task |= {"reads": reads, "sends": draw(st.sampled_from(["wired inputs", "all inputs"]))}
    if reads not in SAMPLED:
        task["data"] = f"{draw(st.integers(1, 40))} bit"
    else:
        task["value"] = f"{draw(st.integers(1, 24))} bit"
        task["values_per_read"] = draw(st.one_of(st.none(), st.integers(1, 8)))
    task["read_style"] = draw(st.sampled_from([None, None, "summation", "sequential", "polled"]))
    if kind == "measure":
        task["overlap"] = draw(st.booleans())
        task["pause_balancing"] = draw(st.booleans())
        task["stale_runs"] = draw(st.integers(0, 2))
        task["freshness"] = draw(st.none() | st.integers(1, 8))
    return task


@st.composite
def board_types(draw: st.DrawFn, nodes: list[str]) -> Data:
    """Draw a board with up to three nodes."""
    entries = st.fixed_dictionaries(
        {
            "type": st.sampled_from(nodes),
            "cells": st.integers(0, 8),
            "temperatures": st.integers(0, 3),
            "count": st.sampled_from([1, 1, 2]),
        }
    )
    board: Data = {"nodes": draw(st.lists(entries, min_size=1, max_size=2))}
    board["between_nodes"] = draw(segments())
    return board


@st.composite
def segments(draw: st.DrawFn) -> Data:
    """Draw a hop with its delay."""
    return {
        "cable": "pair",
        "length": draw(spans(4000, "mm")),
        "connectors": ["plug"] * draw(st.integers(0, 2)),
        "barrier": "coupler",
    }


@st.composite
def hazards(draw: st.DrawFn, tasks: Data, temperatures: int) -> Data:
    """Draw hazards that the tasks show, on a string with so many temperature inputs.

    Nodes may raise an alarm for any but a lost chain.
    """
    found: Data = {}
    for name, task in tasks.items():
        if task["kind"] == "write" or (task["reads"] == "temperatures" and not temperatures):
            continue
        shown = (SAMPLED | BLOCKS)[task["reads"]]
        kind = draw(st.sampled_from(["chain loss", shown] if shown else ["chain loss"]))
        found[f"hazard of {name}"] = {
            "kind": kind,
            "alarm": None if kind == "chain loss" else draw(st.none() | alarms()),
            "task": name,
            **draw(debouncing()),
            "sensor_lag": draw(spans(500, "us")),
            "ftti": "1 s",
            "reaction": "contactor",
        }
    return found


@st.composite
def debouncing(draw: st.DrawFn) -> Data:
    """Draw how readings are debounced, and which of them may be lost."""
    found: Data = {
        "lost_readings": draw(st.integers(0, 2)),
        "lost_within": draw(st.none() | st.integers(2, 5)),
        "on_lost": draw(st.sampled_from(["reset", "hold", "count as bad", "count as good"])),
    }
    kind = draw(st.sampled_from(["row", "row", "counter", "time"]))
    if kind == "time":
        return found | {"debounce_time": draw(spans(90, "ms", least=1))}
    if kind == "counter":
        found["counter"] = {"up": draw(st.integers(1, 2)), "down": draw(st.integers(1, 2))}
    return found | {"debounce": draw(st.integers(1, 3))}


@st.composite
def alarms(draw: st.DrawFn) -> Data:
    """Draw a watch that nodes keep while awake."""
    return {
        "check_every": draw(spans(5000, "us", least=1)),
        "debounce": draw(st.integers(1, 3)),
        "per_hop": draw(spans(100, "us")),
        "own_line": draw(st.booleans()),
        "repeat_every": draw(spans(20, "ms", least=1)),
        "lost": draw(st.integers(0, 2)),
    }


@st.composite
def sleeps(draw: st.DrawFn) -> Data:
    """Draw a watch that nodes keep while the controller sleeps."""
    return {
        "check_every": draw(spans(100, "ms", least=1)),
        "debounce": draw(st.integers(1, 3)),
        "checks": draw(st.sampled_from([["cell voltages"], ["cell voltages", "temperatures"]])),
        "alarm_per_hop": draw(spans(500, "us")),
        "host_wake": draw(spans(50, "ms")),
    }


@st.composite
def chain_layout(draw: st.DrawFn, boards: int, ports: int, styles: Data) -> Data:
    """Draw chains that share the boards of string `S` between them: open ones and rings.

    `styles` holds the read style of each protocol: only a summation frame can be read across a ring.
    """
    cuts = sorted(draw(st.sets(st.integers(1, boards - 1), max_size=2))) if boards > 1 else []
    chains: Data = {}
    for number, (first, after) in enumerate(zip([0, *cuts], [*cuts, boards], strict=True), start=1):
        chain: Data = {
            "head": f"C:{draw(st.integers(1, ports))}",
            "protocol": draw(st.sampled_from(["P1", "P1", "P2"])),
            "order": [f"S.{first + 1}..{after}" if draw(st.booleans()) else f"S.{after}..{first + 1}"],
            "segments": draw(segments()),
            "head_segment": {"length": draw(spans(4000, "mm"))},
        }
        if draw(st.booleans()):
            chain |= {"shape": "ring", "back": f"C:{ports + 1}"}
            if styles[chain["protocol"]] == "summation":
                chain["read_from"] = draw(st.sampled_from(["head", "across"]))
        chains[f"chain {number}"] = chain
    return chains


def may_be_sent_from_back(task: Data, chain: Data, styles: Data) -> bool:
    """Tell whether a task may ask a chain by its back port: a ring, across which it does not read."""
    across = chain.get("read_from") == "across" and task["kind"] != "write"
    summed = (task.get("read_style") or styles[chain["protocol"]]) == "summation"
    return "back" in chain and not (across and summed)


@st.composite
def plan_data(draw: st.DrawFn) -> Data:
    """Draw a whole plan as the data of its file, one that passes every check."""
    nodes = {f"N{number}": draw(node_types()) for number in range(1, draw(st.integers(1, 2)) + 1)}
    boards = {
        f"B{number}": draw(board_types(list(nodes))) for number in range(1, draw(st.integers(1, 2)) + 1)
    }
    runs: list[Data] = draw(
        st.lists(
            st.fixed_dictionaries({"type": st.sampled_from(list(boards)), "count": st.integers(1, 2)}),
            min_size=1,
            max_size=3,
        )
    )
    monitored = {
        name: sum(node["cells"] * node["count"] for node in board["nodes"]) for name, board in boards.items()
    }
    cells = sum(monitored[run["type"]] * run["count"] for run in runs)
    if not cells:
        first = boards[runs[0]["type"]]["nodes"][0]
        first["cells"] = 1
        cells = first["count"] * sum(run["count"] for run in runs if run["type"] == runs[0]["type"])
    temperatures = sum(node["temperatures"] for run in runs for node in boards[run["type"]]["nodes"])
    wires: Data = {"P1": draw(protocols()), "P2": draw(protocols())}
    styles = {name: wire["read_style"] for name, wire in wires.items()}
    ports = draw(st.integers(1, 3))
    work = {f"task {number}": draw(tasks()) for number in range(1, draw(st.integers(1, 4)) + 1)}
    chains = draw(chain_layout(sum(run["count"] for run in runs), ports, styles))
    for task in work.values():
        if all(may_be_sent_from_back(task, chain, styles) for chain in chains.values()):
            task["sent_from"] = draw(st.sampled_from(["head", "back"]))
            if task["sent_from"] == "back":
                task["reversal"] = draw(st.just("0 s") | spans(900, "us"))
    return {
        "chainplan": 1,
        "title": "generated",
        "cell_types": {"cell": {"voltage": "2.5 V .. 4.2 V"}},
        "node_types": nodes,
        "board_types": boards,
        "cable_types": {"pair": {"velocity": draw(st.sampled_from(["2e8 m/s", "1.8e8 m/s .. 2.1e8 m/s"]))}},
        "connector_types": {"plug": {"delay": draw(spans(3000, "ps"))}},
        "barrier_types": {
            "coupler": {
                "kind": "transformer",
                "working_voltage": "1 kV",
                "delay": draw(spans(50, "ns")),
            }
        },
        "protocols": wires,
        "strings": {"S": {"cell_type": "cell", "stack": [{"cells": cells}], "boards": runs}},
        "controllers": {
            "C": {
                "ports": ports + 1,
                "start": draw(st.none() | spans(100, "ms")),
                "recovery": draw(st.none() | st.fixed_dictionaries({"switch": spans(20, "ms")})),
                "set_up": draw(spans(20, "us")),
                "set_up_by": draw(st.sampled_from(["one core", "each port"])),
                "host_bus": draw(st.none() | host_buses(ports + 1)),
                "scan_period": draw(spans(60, "ms", least=5)),
                "scan_jitter": draw(spans(500, "us")),
                "overrun": draw(st.sampled_from(["drop", "catch up"])),
                "retry_reserve": draw(st.integers(0, 2)),
                "evaluation": {
                    "period": draw(spans(10_000, "us", least=500) | spans(150, "ms", least=5)),
                    "run_time": draw(spans(500, "us")),
                    "judges": draw(st.sampled_from(["newest", "all"])),
                },
                "actuators": {
                    "contactor": {"command": draw(spans(1000, "us")), "opening": draw(spans(20, "ms"))}
                },
            }
        },
        "chains": chains,
        "tasks": work,
        "hazards": draw(hazards(work, temperatures)),
        "sleep": draw(st.none() | sleeps()),
    }


@st.composite
def host_buses(draw: st.DrawFn, ports: int) -> Data:
    """Draw one bus for all ports, or several, in any order of service."""
    bus: Data = {
        "bit_rate": draw(st.sampled_from(["4 Mbit/s", "1 Mbit/s ± 2 %"])),
        "bridge": draw(st.sampled_from(["whole frames", "streaming"])),
        "latency": draw(spans(5, "us")),
        "fills_blocks": draw(st.booleans()),
        "arbitration": draw(st.sampled_from(["any", "by turns", "port by port"])),
    }
    names = [str(port) for port in range(1, ports + 1)]
    cut = draw(st.integers(0, ports - 1))
    if cut:
        bus["serves"] = {"near": names[:cut], "far": names[cut:]}
    return bus


def plans() -> st.SearchStrategy[Plan]:
    """Draw a whole plan that passes every check."""
    return plan_data().map(Plan.model_validate)
