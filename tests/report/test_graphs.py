"""The network as DOT, GraphML and Mermaid, read back by general readers (pydot, Graphviz, networkx)."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
import warnings
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import networkx
import pydot
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chainplan
from chainplan.evaluation import Evaluation
from chainplan.plan.load import load_source
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.report.graph_formats import dot_name, dot_text, graphml_text, mermaid_text
from chainplan.report.graph_parts import Arrow, Drawing, Shown, Vertex, drawing

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its parser calls another library by names that are to go
    import pydot.dot_parser

CONFIGS = Path(__file__).parents[2] / "configs"
PLANS = ("mine-locomotive", "quarry-truck")
SHOWN: tuple[Shown, ...] = ("wiring", "strings", "both")
STRADDLED = (
    STARTER.replace("- {modules: 2, cells: 12}", "- {modules: 1, cells: 20}", 1)
    .replace("- {modules: 2, cells: 12}", "- {modules: 1, cells: 28}")
    .replace("    stack:", "    boards: [{type: my board, count: 4}]\n    stack:")
)


@cache
def evaluation(name: str) -> Evaluation:
    return chainplan.evaluate(chainplan.load(CONFIGS / f"{name}.yaml").plan)


def graph_of(drawn: Drawing) -> Any:
    return networkx.read_graphml(BytesIO(graphml_text(drawn).encode("utf-8")), force_multigraph=True)


# GraphML.


@pytest.mark.parametrize("shown", SHOWN)
@pytest.mark.parametrize("name", PLANS)
def test_graphml_comes_back_as_it_was_drawn(name: str, shown: Shown) -> None:
    drawn = drawing(evaluation(name), shown)
    graph = graph_of(drawn)
    assert dict(graph.nodes(data=True)) == {
        vertex.name: {"kind": vertex.kind, **vertex.data} for vertex in drawn.vertices
    }
    found = {key: (near, far, data) for near, far, key, data in graph.edges(keys=True, data=True)}
    for arrow in drawn.arrows:
        near, far, data = found.pop(arrow.name)
        assert (near, far) == (arrow.near, arrow.far)
        assert {key: value for key, value in data.items() if key != "id"} == {
            "kind": arrow.kind,
            **arrow.data,
        }
    assert not found


@pytest.mark.parametrize("name", PLANS)
def test_the_wiring_is_the_chains_in_order(name: str) -> None:
    network = evaluation(name).network
    graph = graph_of(drawing(evaluation(name), "wiring"))
    assert {key for key, kind in graph.nodes(data="kind") if kind == "node"} == set(network.nodes)
    for chain in network.chains.values():
        steps = sorted(
            (data["number"], near, far)
            for near, far, data in graph.edges(data=True)
            if data["chain"] == chain.name
        )
        walk = [steps[0][1], *(far for _, _, far in steps)]
        ends = [chain.head, *(node.name for node in chain.nodes), *filter(None, [chain.back])]
        assert walk == ends


@pytest.mark.parametrize("name", PLANS)
def test_the_strings_lead_from_hv_minus_to_hv_plus(name: str) -> None:
    network = evaluation(name).network
    graph = graph_of(drawing(evaluation(name), "strings"))
    for string in network.strings.values():
        way = [f"{string.name}/HV-"]
        while after := list(graph.successors(way[-1])):
            way.append(*after)
        assert way[-1] == f"{string.name}/HV+"
        nodes = [step for step in way if graph.nodes[step]["kind"] == "node"]
        references = [graph.nodes[step]["reference_V"] for step in nodes]
        assert references == sorted(references)
        assert len(nodes) == sum(node.string == string.name for node in network.nodes.values())
        openings = [graph.nodes[step] for step in way if graph.nodes[step]["kind"] == "opening"]
        assert [each["opening_name"] for each in openings] == [each.name for each in string.breaks]
        assert [each["cells_below"] for each in openings] == [each.cells_below for each in string.breaks]
        assert graph.nodes[way[-1]]["potential_V"] == pytest.approx(string.voltage / 1e6, rel=1e-12)


@pytest.mark.parametrize("name", PLANS)
def test_its_figures_are_those_of_the_data(name: str) -> None:
    from chainplan.report.data import plan_data

    loaded = chainplan.load(CONFIGS / f"{name}.yaml")
    data = plan_data(loaded, evaluation(name), "1")
    graph = graph_of(drawing(evaluation(name), "wiring"))
    segments = {key: each for _, _, key, each in graph.edges(keys=True, data=True)}
    for chain in data["chains"]:
        for node in chain["nodes"]:
            drawn = graph.nodes[node["node"]]
            assert (drawn["reference_V"], drawn["top_V"]) == (node["reference_V"], node["top_V"])
    for alike in data["isolation"]["segments"]:
        for segment in alike["segments"]:
            drawn = segments[segment]
            for key in ("stress_V", "stress_case", "conductors_V", "rating_V", "insulation", "status"):
                assert drawn.get(key) == alike[key]


def test_lengths_are_in_metres_with_their_tolerance() -> None:
    plan = load_source(
        parse_source(STARTER.replace("350 mm", "350 mm ± 20 mm", 2), "x"), Path("nowhere")
    ).plan
    graph = graph_of(drawing(Evaluation(plan), "wiring"))
    segment = graph.get_edge_data("main.1", "main.2")["line#2"]
    lengths = [segment[f"length_{end}_m"] for end in ("min", "typical", "max")]
    assert lengths == pytest.approx([0.33, 0.35, 0.37], rel=1e-12)


def test_keys_of_graphml_are_unique() -> None:
    text = graphml_text(drawing(evaluation("mine-locomotive"), "both"))
    ids = re.findall(r'<key id="([^"]+)"', text)
    assert len(ids) > 20
    assert len(set(ids)) == len(ids)
    assert text.startswith('<?xml version="1.0" encoding="UTF-8"?>\n')


# DOT.


def shown_by(label: str) -> list[str]:
    """Return the lines a DOT label stands for: what its reader does with quotes, escapes and entities."""
    assert label.startswith('"'), label
    assert label.endswith('"'), label
    steps = re.findall(r"\\(.)|([^\\])", label[1:-1], flags=re.DOTALL)
    text = "".join("\n" if escaped == "n" else escaped or plain for escaped, plain in steps)
    return html.unescape(text).split("\n")


def dot_vertices(graph: Any) -> dict[str, list[str]]:
    found = {node.get_name(): shown_by(node.get_label()) for node in graph.get_nodes() if node.get_label()}
    for box in graph.get_subgraphs():
        found |= dot_vertices(box)
    return found


def assert_same_dot(drawn: Drawing) -> None:
    graphs: Any = pydot.graph_from_dot_data(dot_text(drawn))
    (graph,) = graphs
    found = dot_vertices(graph)
    assert len(found) == len(drawn.vertices)
    by_lines = sorted(found.values())
    assert by_lines == sorted(list(vertex.lines) for vertex in drawn.vertices)
    names = {vertex.name: dot_name(vertex.name) for vertex in drawn.vertices}
    edges = [
        (edge.get_source(), edge.get_destination(), shown_by(edge.get_label()) if edge.get_label() else [])
        for edge in graph.get_edges()
    ]
    wanted = [(names[arrow.near], names[arrow.far], list(arrow.lines)) for arrow in drawn.arrows]
    assert sorted(edges) == sorted(wanted)


@pytest.mark.parametrize("name", PLANS)
def test_dot_is_read_by_a_general_reader(name: str) -> None:
    assert_same_dot(drawing(evaluation(name), "both"))


@pytest.mark.skipif(shutil.which("dot") is None, reason="Graphviz is not installed")
def test_dot_is_laid_out_by_graphviz() -> None:
    for drawn in (drawing(evaluation("mine-locomotive"), "both"), odd_drawing('a"b\\', "<c>&d;", "\\N|{e}")):
        done = subprocess.run(
            ["dot", "-Tjson"], input=dot_text(drawn), capture_output=True, check=True, text=True, timeout=60
        )
        assert done.stderr == ""
        laid_out = json.loads(done.stdout)
        labels = [each["label"] for each in laid_out["objects"] if "cluster" not in each["name"]]
        assert len(labels) == len(drawn.vertices)
        assert len(laid_out["edges"]) == len(drawn.arrows)


# Mermaid.


def mermaid_shown(label: str) -> list[str]:
    """Return the lines a Mermaid label stands for; what is left in it must be no markup."""
    assert not re.search(r'["`*<>{}|\\\[\]%_]|#(?!\d+;)', label.replace("<br/>", "")), label
    lines = label.split("<br/>")
    return [re.sub(r"#(\d+);", lambda code: chr(int(code[1])), line) for line in lines]


def assert_same_mermaid(drawn: Drawing) -> None:
    text = mermaid_text(drawn)
    first, *lines = text.splitlines()
    assert first == "flowchart BT"
    vertices = {}
    arrows = []
    depth = 0
    for line in map(str.strip, lines):
        if vertex := re.fullmatch(r'(v\d+)(?:\(\[|\[|\(\(|\{\{)"(.*)"(?:\]\)|\]|\)\)|\}\})', line):
            assert vertex[1] not in vertices
            vertices[vertex[1]] = mermaid_shown(vertex[2])
        elif arrow := re.fullmatch(r'(v\d+) (-->|-\.->)(?:\|"(.*)"\|)? (v\d+)', line):
            arrows.append((arrow[1], arrow[4], mermaid_shown(arrow[3]) if arrow[3] else []))
        elif box := re.fullmatch(r'subgraph b\d+\["(.*)"\]', line):
            assert mermaid_shown(box[1])
            depth += 1
        elif line == "end":
            depth -= 1
        else:
            assert re.match(r'%% \w|title\["|style title |linkStyle [\d,]+ ', line), line
    assert depth == 0
    assert sorted(vertices.values()) == sorted(list(vertex.lines) for vertex in drawn.vertices)
    assert [label for *_, label in arrows] == [list(arrow.lines) for arrow in drawn.arrows]
    assert {end for near, far, _ in arrows for end in (near, far)} <= set(vertices)


@pytest.mark.parametrize("name", PLANS)
def test_mermaid_says_the_same(name: str) -> None:
    assert_same_mermaid(drawing(evaluation(name), "both"))


def test_segments_whose_barriers_do_not_hold_are_marked() -> None:
    drawn = drawing(evaluation("mine-locomotive"), "wiring")
    missed = [number for number, arrow in enumerate(drawn.arrows) if arrow.missed]
    verdicts = [each for each in evaluation("mine-locomotive").verdicts if each.status == "missed"]
    assert len(missed) >= sum(each.target == "barrier working voltage" for each in verdicts) > 0
    assert f"linkStyle {','.join(map(str, missed))} " in mermaid_text(drawn)
    assert dot_text(drawn).count("red3") == 2 * len(missed)


# Odd names.


def odd_drawing(*names: str) -> Drawing:
    vertices = tuple(Vertex(name, "node", (name, "x"), (f"box {name}",), {"name": name}) for name in names)
    arrows = tuple(
        Arrow(str(number), "segment", names[0], name, (name,), {"name": name})
        for number, name in enumerate(names)
    )
    return Drawing(names[0], vertices, arrows)


ODD_LETTERS = 'ab"\\<>&;#|{}[]()`*_~$%@!:-.,/ ü±Ω'


@settings(max_examples=15)
@given(names=st.lists(st.text(ODD_LETTERS, min_size=1, max_size=8), min_size=1, max_size=4, unique=True))
def test_odd_names_break_nothing(names: list[str]) -> None:
    drawn = odd_drawing(*names)
    assert_same_dot(drawn)
    assert_same_mermaid(drawn)
    assert graphml_text(drawn).isascii()
    graph = graph_of(drawn)
    assert list(graph.nodes) == names
    assert [data["name"] for *_, data in graph.edges(data=True)] == names


def test_a_place_that_opens_within_a_node_says_so() -> None:
    loaded = load_source(parse_source(STRADDLED, "x"), Path("nowhere"))
    drawn = drawing(Evaluation(loaded.plan), "strings")
    (plug,) = [each for each in drawn.vertices if each.data.get("opening_name") == "service plug"]
    assert plug.data["within"] == "main.2"
    assert plug.lines == ("disconnect service plug", "above cell 20", "within main.2")


# The command.


def test_the_command_writes_each_format(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from chainplan.cli.app import app

    plan = str(CONFIGS / "rail-trolley.yaml")
    for form, start in (("dot", "// Danger"), ("graphml", "<?xml"), ("mermaid", "flowchart BT\n")):
        shown = CliRunner().invoke(app, ["graph", plan, "--format", form])
        assert shown.exit_code == 0
        assert shown.stdout.startswith(start)
        out = tmp_path / form
        written = CliRunner().invoke(app, ["graph", plan, "-f", form, "-o", str(out)])
        assert (written.exit_code, written.stdout) == (0, "")
        assert out.read_text(encoding="utf-8") == shown.stdout
    refused = CliRunner().invoke(app, ["graph", plan, "--format", "gml"])
    assert refused.exit_code == 2


def test_a_flowchart_too_long_for_most_viewers_is_told() -> None:
    from typer.testing import CliRunner

    from chainplan.cli.app import app

    run = CliRunner().invoke(app, ["graph", str(CONFIGS / "storage-container.yaml"), "-f", "mermaid"])
    arrows = len(drawing(evaluation("storage-container"), "both").arrows)
    assert (f"{arrows} arrows" in run.stderr) == (arrows > 500)
