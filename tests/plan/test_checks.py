"""What must hold between the parts of a plan, apart from its layout: see also test_layout_checks.py."""

from __future__ import annotations

import copy

import pytest
from plan_texts import FULL, Written, changed, load_text, marked, only, problems

from chainplan.chain.build import build_network
from chainplan.plan.problems import render

# Names that would be taken apart wrongly, or that a reader could not see: refused wherever names are joined.
CONFUSING = [
    "a.b",
    "a:1",
    "a/1",
    "a#1",
    "a{n}",
    "{n}",
    "a}",
    "..",
    " a",
    "a ",
    "a\\tb",
    "a\\u200bb",
    "a\\u202eb",
    "\\e[1m",
    "",
]

HARMLESS = [
    "a b",
    "a-b",
    "[bold]x",
    "ä",
    "蓄電",
    "🔋",
    "1",
    "2 down",
    "x" * 80,
    "a'b",
    'a"b',
    "*a",
    "- a",
    "no",
    "%",
]


@pytest.mark.parametrize("name", CONFUSING)
@pytest.mark.parametrize(
    "old", ["  pack:\n", "  main:\n", "  ring:\n", "  over-voltage:\n", "  temperatures: {reads", "[out-1,"]
)
def test_names_that_would_confuse_joined_names_are_refused(old: str, name: str) -> None:
    word = old.strip(" [:,\n").removesuffix(": {reads")
    found = problems(FULL.replace(old, old.replace(word, f'"{name}"'), 1))
    refused = [problem for problem in found if marked(problem) == f'"{name}"']
    assert len(refused) == 1
    assert refused[0].expected
    # What refers to the old name is told too, and nothing else.
    assert all("has this" in problem.message for problem in found if problem not in refused)
    assert all("\x1b" not in render(problem) and "\u202e" not in render(problem) for problem in found)


@pytest.mark.parametrize("name", HARMLESS)
def test_other_names_are_taken_and_can_be_referred_to(name: str) -> None:
    data = copy.deepcopy(load_text(FULL).sources.data)
    for section in ("strings", "controllers", "chains", "hazards", "node_types"):
        old = next(iter(data[section]))
        data[section][name] = data[section].pop(old)
    data["controllers"][name]["ports"] = [name, "b", "c", "d"]
    data["chains"][name] |= {
        "count": 1,
        "head": f"{name}:{name}",
        "back": f"{name}:b",
        "order": [f"{name}.1..3"],
    }
    data["strings"][name]["count"] = 1
    data["tasks"]["cell voltages"]["chains"] = [name]
    data["uplink"]["messages"]["cells"]["sender"] = name
    for board in data["board_types"].values():
        for node in board["nodes"]:
            node["type"] = name
    plan = load_text(Written(data).text).plan
    assert build_network(plan).chains[name].head == f"{name}:{name}"


def test_a_name_that_is_too_long_is_refused() -> None:
    problem = only(("  over-voltage:\n", f"  {'x' * 81}:\n"))
    assert problem.message == "this text is too long (81 characters)"
    assert problem.expected == "at most 80 characters"


def test_names_of_types_may_hold_any_printable_letter() -> None:
    loaded = load_text(
        FULL.replace("plug", '"2 x 0.5 mm/ft: {n} #1"').replace('disconnect: "2', 'disconnect: "3')
    )
    assert "2 x 0.5 mm/ft: {n} #1" in loaded.plan.connector_types


def test_notes_may_have_lines_but_no_control_characters() -> None:
    text = changed(("about: An invented plan.", 'about: "two\\nlines\\tand a tab"'))
    assert load_text(text).plan.about == "two\nlines\tand a tab"
    problem = only(("about: An invented plan.", 'about: "\\e[31mred"'))
    assert "control characters" in problem.message
    assert "\x1b" not in render(problem)


@pytest.mark.parametrize(
    ("written", "meant"), [("80", "80 %"), ("70 .. 80.5", "70 % .. 80.5 %"), ("120 %", None)]
)
def test_a_bare_number_that_is_far_too_large_a_ratio_was_meant_in_percent(
    written: str, meant: str | None
) -> None:
    (problem,) = problems(changed(("utilisation: 80 %", f"utilisation: {written}")))
    assert (problem.expected, problem.nearest) == ("at most 100 %", meant)


@pytest.mark.parametrize(
    ("old", "new", "nearest"),
    [
        ("cell_type: lfp\n", "cell_type: lpf\n", "lfp"),
        ("cell_type: nmc}", "cell_type: mnc}", "nmc"),
        ("- {type: twelve}\n", "- {type: twelf}\n", "twelve"),
        ("1: {type: lower}", "1: {type: lowr}", "lower"),
        ("- {type: six, cells: 6}\n", "- {type: sixx, cells: 6}\n", "six"),
        (
            "{cable: trace, length: 30 mm, barrier: cap}",
            "{cable: trase, length: 30 mm, barrier: cap}",
            "trace",
        ),
        ("near_barrier: cap, far", "near_barrier: cab, far", "cap"),
        ("cable: pair\n", "cable: pare\n", "pair"),
        ("[plug, plug]", "[plug, plg]", "plug"),
        ("protocol: wire", "protocol: wired", "wire"),
        ("head: main:out-{n}", "head: main:ot-{n}", "main:out-1"),
        ("back: main:back-{n}", "back: mian:back-{n}", "main:back-1"),
        ("task: cell voltages", "task: cel voltages", "cell voltages"),
        ("reaction: contactor", "reaction: contaktor", "contactor"),
        ("chains: [ring]", "chains: [rign]", "ring"),
        ("conversion: cell voltages\n", "conversion: cell voltage\n", "cell voltages"),
        ("conversion: cell voltages,", "conversion: cell voltage,", "cell voltages"),
        ("sample_age: {cell voltages:", "sample_age: {Cell voltages:", "cell voltages"),
        ("bytes_per_sample: {cell voltages:", "bytes_per_sample: {cell-voltages:", "cell voltages"),
    ],
)
def test_names_that_do_not_exist(old: str, new: str, nearest: str) -> None:
    problem = only((old, new))
    assert problem.nearest == nearest
    assert nearest in problem.expected
    assert problem.value or marked(problem) in new


def test_a_section_without_any_name_says_so() -> None:
    start, rest = FULL.split("barrier_types:\n")
    text = start + "protocols:\n" + rest.split("protocols:\n")[1]
    found = problems(text)
    assert {problem.message for problem in found} == {"no barrier type has this name"}
    assert all("there is none" in problem.expected for problem in found)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        # What must be above zero, at its smallest too
        ("bit_rate: 2 Mbit/s ± 1 %", "bit_rate: 0 bit/s", "a bit rate must be above zero"),
        ("bit_rate: 2 Mbit/s ± 1 %", "bit_rate: 2 Mbit/s ± 100 %", "at its smallest too"),
        ("{bit_rate: 4 Mbit/s,", "{bit_rate: 0 bit/s,", "a bit rate"),
        ("scan_period: 100 ms ± 0.1 %", "scan_period: 0 s", "a scan period"),
        ("{period: 20 ms, run_time: 1 ms, judges: all}", "{period: 0 ms, run_time: 0 ms}", "a task period"),
        ("nmc: {voltage: 2.8 V .. 4.2 V}", "nmc: {voltage: 0 V .. 4.2 V}", "a cell voltage"),
        ("    velocity: 2e8 m/s", "    velocity: 0 c", "a velocity"),
        ("working_voltage: 1 kV", "working_voltage: 0 V", "a rating"),
        ("test_voltage: 5 kV", "test_voltage: 0 V", "a test voltage"),
        ("    clearance: 9 mm", "    clearance: 0 mm", "a distance"),
        ("      creepage: 9 mm", "      creepage: 0 mm", "a distance"),
        ("positive: 2 Mohm", "positive: 0 Mohm", "a resistance"),
        ("impulse: 2.5 kV", "impulse: 0 V", "an impulse voltage"),
        ("ftti: 1 s", "ftti: 0 s", "a ftti"),
        ("scan_time: 80 ms", "scan_time: 0 s", "a target"),
        ("utilisation: 80 %", "utilisation: 0 %", "a target"),
        ("sample_age: {cell voltages: 150 ms}", "sample_age: {cell voltages: 0 s}", "a target"),
        ("jabber_limit: 2 ms", "jabber_limit: 0 s", "a limit"),
        # Absurd values
        ("    velocity: 2e8 m/s", "    velocity: 2e8 km/s", "beyond anything a plan can mean"),
        ("    velocity: 2e8 m/s", "    velocity: 0.66 m/s", "slower than any cable"),
        ("altitude: 2000 m", "altitude: 2000 km", "beyond"),
        ("altitude: 2000 m", "altitude: 21 km", "no clearance is known for this altitude"),
        ("working_voltage: 1 kV", "working_voltage: 1000 kV", "beyond"),
        ("preamble: 8 bit", "preamble: 1e9 byte", "beyond"),
        ("allowance: 5 %", "allowance: 5", "500 % is beyond"),
        ("utilisation: 80 %", "utilisation: 80", "8000 % is beyond"),
        ("host_wake: 50 ms", "host_wake: 401 d", "beyond"),
        (
            "{period: 20 ms, run_time: 1 ms, judges: all}",
            "{period: 20 ms, run_time: 21 ms}",
            "longer than the period itself",
        ),
        ("scan_jitter: 200 us", "scan_jitter: 200 ms", "longer than the period itself"),
        ("{time: 2 ms, step: 20 us,", "{time: 2 ms, step: 500 us,", "sampled after the conversion has ended"),
        # Amounts of data
        ("preamble: 8 bit", "preamble: 8 bit .. 9 bit", "no tolerance"),
        ("value: 16 bit", "value: 16 bit ± 1 bit", "no tolerance"),
        ("{data: 8 bit, wire: 10 bit}", "{data: 0 bit, wire: 10 bit}", "too small"),
        ("{data: 8 bit, wire: 10 bit}", "{data: 8 bit, wire: 7 bit}", "at least as many bits on the wire"),
        ("value: 16 bit", "value: 0 bit", "needs their width"),
        # Check codes
        ("polynomial: 0x1021", "polynomial: 0x11021", "more bits than the check code"),
        ("polynomial: 0x1021", "polynomial: 0x8810", "has no term +1"),
        ("{width: 16 bit, polynomial", "{width: 0 bit, polynomial", "needs the width of the check"),
        # Ports, boards, conversions, tasks
        ("ports: [out-1, back-1,", "ports: [out-1, back-1, out-1,", "two ports have this name"),
        ("cells: 6, temperatures: 2, count", "cells: 7, temperatures: 2, count", "only 6 cell inputs"),
        ("cells: 6, temperatures: 1}", "cells: 6, temperatures: 3}", "only 2 temperature inputs"),
        ("    between_nodes: {cable: trace, length: 30 mm, barrier: cap}\n", "", "needs `between_nodes`"),
        ("{cable: trace, length: 30 mm, barrier: cap}", "{cable: trace, barrier: cap}", "needs its `length`"),
        ("      temperatures: {time: 4 ms}\n", "", "has no conversion `temperatures`"),
        ("phase: 0", "phase: 1", "a phase is below"),
        (
            "kind: write, every: 10",
            "kind: write, overlap: true, every: 10",
            "only a measure task can overlap",
        ),
        ("{reads: temperatures, every", "{reads: none, every", "reads something"),
        ("{reads: temperatures, every: 5, value", "{reads: status, every: 5, value", "data of one node"),
        # Hazards and targets
        ("task: cell voltages\n", "task: temperatures\n", "does not show a cell over-voltage"),
        (
            "kind: cell over-voltage\n    task: cell voltages\n",
            "kind: chain loss\n    task: balancing\n",
            "does not show",
        ),
        ("skew: {cell voltages:", "skew: {balancing:", "brings no samples"),
    ],
)
def test_values_that_cannot_be(old: str, new: str, words: str) -> None:
    found = [problem for problem in problems(changed((old, new))) if words in problem.message]
    assert len(found) == 1, [problem.message for problem in problems(changed((old, new)))]
    assert found[0].expected
    assert found[0].severity == "error"


BUSES = "arbitration: any, serves: {one: [back-1, out-2, back-2], two: [%s]}}"


@pytest.mark.parametrize(
    ("ports", "words", "nearest"),
    [
        ("out-3", "no port has this name", "out-2"),
        ("out-1, out-2", "serves this port already", None),
    ],
)
def test_ports_on_several_buses(ports: str, words: str, nearest: str | None) -> None:
    found, *_ = problems(changed(("arbitration: any}", BUSES % ports)))
    assert words in found.message
    assert found.nearest == nearest
    assert found.expected


@pytest.mark.parametrize("key", ["debounce: 3", "counter: {up: 2}"])
def test_a_time_and_a_number_to_debounce(key: str) -> None:
    both = "debounce_time: 300 ms\n    " + key
    (found,) = problems(changed(("debounce_time: 300 ms", both)))
    assert "debounced by a time" in found.message
    assert found.key == f"hazards.lost.{key.split(':', maxsplit=1)[0]}"


def test_a_port_on_no_bus() -> None:
    (found,) = problems(changed(("arbitration: any}", BUSES.replace("out-2, ", "") % "out-1")))
    assert found.message == "no host bus serves port out-2"
    assert found.key.endswith("host_bus.serves")


ALARM = (
    "    alarm: {check_every: 10 ms, debounce: 2, per_hop: 10 us, own_line: false,\n"
    "      conversion: cell voltages, hardware: false, repeat_every: 70 ms, lost: 1}\n"
)


def test_tasks_repeat_within_so_many_scans_that_each_can_be_looked_at() -> None:
    # every 5th and every 10th scan repeat after 10; 7919 is prime, and 7920 = 792 * 10
    problem = only(("kind: write, every: 10", "kind: write, every: 7919"))
    assert problem.key == "tasks.balancing.every"
    assert problem.message == "the tasks repeat only after 39595 scans"
    assert problem.expected == "tasks that repeat within 10000 scans, such as 7920"
    for fits in (1999, 10_000):  # 9995 scans, or 10 000
        load_text(changed(("kind: write, every: 10", f"kind: write, every: {fits}")))


def test_a_hazard_needs_a_task_that_shows_it() -> None:
    edit = ("kind: cell over-voltage\n    task: cell voltages\n", "kind: open sense wire\n")
    problem = only(edit, (ALARM, ""))
    assert problem.key == "hazards.over-voltage"
    assert problem.message == "no task reads open wire, so this hazard stays unknown"


@pytest.mark.parametrize("style", ["sequential", "polled"])
def test_a_read_request_needs_bits(style: str) -> None:
    edits = [
        ("request: 2 byte\n", "request: 0 byte\n"),
        ("check: {width: 16 bit, polynomial: 0x1021, hamming_distance: 4}", "check: {}"),
    ]
    problem = only(
        *edits,
        ("read_style: summation\n    request", f"read_style: {style}\n    request"),
        ("    read_from: across\n", ""),
    )
    assert problem.message == "a read request has no bits"
    problem = only(*edits, ("read_style: summation\n    chains", f"read_style: {style}\n    chains"))
    assert "a read request no bits, which this style needs" in problem.message
    assert problem.key == 'tasks."cell voltages".read_style'


def test_a_chain_of_a_task_may_be_named_by_family_or_copy() -> None:
    for name in ("ring", "ring-1", "ring-2"):
        load_text(changed(("chains: [ring]", f"chains: [{name}]")))
    for name in ("ring-0", "ring-3", "ring-x"):
        assert only(("chains: [ring]", f"chains: [{name}]")).message == "no chain has this name"


def test_a_skew_target_needs_a_trigger() -> None:
    problem = only(("    kind: measure\n", "    kind: read\n"), ("    pause_balancing: true\n", ""))
    assert problem.key == 'targets.skew."cell voltages"'
    assert "triggers no conversion" in problem.message


def test_a_conversion_counts_only_where_the_task_runs() -> None:
    # Node type `other` knows no temperatures; it is on no chain, so no task misses that.
    node = "{cell_inputs: 6, temperature_inputs: 1, forwarding: {downstream: 0 s, upstream: 0 s}}"
    more = f"node_types:\n  other: {node}\n"
    board = "board_types:\n  spare: {nodes: [{type: other, cells: 6, temperatures: 1}]}\n"
    load_text(changed(("node_types:\n", more), ("board_types:\n", board)))


def test_too_many_tasks_are_refused() -> None:
    tasks = "".join(f"  t{number}: {{kind: write, every: 2, data: 1 byte}}\n" for number in range(98))
    problem = only(("tasks:\n", f"tasks:\n{tasks}"))
    assert problem.key == "tasks"


def test_more_answers_than_can_be_planned_are_refused() -> None:
    problem = only(
        ("    cell_inputs: 6\n", "    cell_inputs: 1000\n"),
        (
            "    values_per_read: 6\n    sends: wired inputs\n",
            "    values_per_read: 1\n    sends: all inputs\n",
        ),
        ("    count: 2\n    cell_type", "    count: 20\n    cell_type"),
        ("    count: 2\n    shape", "    count: 20\n    shape"),
        ("ports: [out-1, back-1, out-2, back-2]", "ports: 40"),
        ("    head: main:out-{n}", "    head: main:{n}"),
        ("    back: main:back-{n}", "    back: main:40"),
        text=FULL.replace("count: 20", ""),
    )
    assert "answers of nodes in one run" in problem.message
