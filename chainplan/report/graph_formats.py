"""A drawing written down: in the DOT language, as a Mermaid flowchart, as GraphML."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from itertools import count

from chainplan.cautions import CAUTIONS
from chainplan.report.graph_parts import NOTICE, Arrow, Drawing, Vertex

# DOT.

_DOT_HEAD = """\
  rankdir=BT; labelloc=t; fontname="sans-serif"; nodesep=0.4; ranksep=0.4;
  node [fontname="sans-serif", fontsize=11, shape=box, style=rounded];
  edge [fontname="sans-serif", fontsize=9, arrowsize=0.6];"""
"""Drawn from the bottom to the top, as a string goes from HV- upward."""

_DOT_LOOKS = {
    "port": ", shape=cds, style=solid",
    "node": "",
    "terminal": ", shape=plaintext",
    "opening": ", shape=hexagon, style=solid",
}


def dot_text(drawn: Drawing) -> str:
    """Return a drawing in the DOT language; controllers, strings and boards of several nodes are boxes."""
    boxes = count()

    def opened(group: str) -> str:
        return f'subgraph "cluster_{next(boxes)}" {{ label={dot_label((group,))}; color="gray50";'

    def vertex(each: Vertex) -> str:
        return f"{dot_name(each.name)} [label={dot_label(each.lines)}{_DOT_LOOKS[each.kind]}];"

    lines = [f"// {caution}" for caution in CAUTIONS]
    lines += ["digraph chainplan {", _DOT_HEAD, f"  label={dot_label((drawn.title, NOTICE))};"]
    lines += (f"  {line}" for line in _boxed(drawn.vertices, opened, "}", vertex))
    lines += (f"  {_dot_arrow(arrow)}" for arrow in drawn.arrows)
    return "\n".join((*lines, "}")) + "\n"


def _dot_arrow(arrow: Arrow) -> str:
    looks = [f"label={dot_label(arrow.lines)}"] if arrow.lines else []
    if arrow.kind == "string":
        looks += ["style=dashed", 'color="gray50"']
    if arrow.missed:
        looks += ['color="red3"', 'fontcolor="red3"', "penwidth=2"]
    return f"{dot_name(arrow.near)} -> {dot_name(arrow.far)} [{', '.join(looks)}];"


def dot_label(lines: Iterable[str]) -> str:
    r"""Return a label, `\n` between its lines; what DOT or its entities would take for markup is escaped."""
    return '"' + r"\n".join(_in_quotes(line).replace("&", "&amp;") for line in lines) + '"'


def dot_name(name: str) -> str:
    """Return a name in quotes; different names stay different."""
    return f'"{_in_quotes(name)}"'


def _in_quotes(text: str) -> str:
    return text.replace("\\", r"\\").replace('"', r"\"")


# Mermaid.

MERMAID_MOST = 500
"""Arrows that viewers of Mermaid draw unless they are told otherwise (its `maxEdges`; from memory)."""

_MERMAID_SHAPES = {
    "port": ("([", "])"),
    "node": ("[", "]"),
    "terminal": ("((", "))"),
    "opening": ("{{", "}}"),
}

_MERMAID_MARKUP = re.compile(r"[^\w\s.,:/+=±()-]|_")
"""What Mermaid, or the Markdown and HTML within its labels, could take for markup."""


def mermaid_text(drawn: Drawing) -> str:
    """Return a drawing as a Mermaid flowchart, which wikis and code hosts draw within Markdown."""
    names = {vertex.name: f"v{number}" for number, vertex in enumerate(drawn.vertices)}
    boxes = count()

    def opened(group: str) -> str:
        return f"subgraph b{next(boxes)}[{mermaid_label((group,))}]"

    def vertex(each: Vertex) -> str:
        before, after = _MERMAID_SHAPES[each.kind]
        return f"{names[each.name]}{before}{mermaid_label(each.lines)}{after}"

    lines = ["flowchart BT", *(f"  %% {caution}" for caution in CAUTIONS)]
    lines += [f"  title[{mermaid_label((drawn.title, NOTICE))}]", "  style title fill:none,stroke:none"]
    lines += (f"  {line}" for line in _boxed(drawn.vertices, opened, "end", vertex))
    for arrow in drawn.arrows:
        shaft = "-.->" if arrow.kind == "string" else "-->"
        label = f"|{mermaid_label(arrow.lines)}|" if arrow.lines else ""
        lines.append(f"  {names[arrow.near]} {shaft}{label} {names[arrow.far]}")
    missed = [str(number) for number, arrow in enumerate(drawn.arrows) if arrow.missed]
    lines += [f"  linkStyle {','.join(missed)} stroke:#c00,stroke-width:2px"] if missed else []
    return "\n".join(lines) + "\n"


def mermaid_label(lines: Iterable[str]) -> str:
    """Return a label in quotes; markup is written as the numbers of its characters."""
    texts = (_MERMAID_MARKUP.sub(lambda found: f"#{ord(found[0])};", line) for line in lines)
    return '"' + "<br/>".join(texts) + '"'


# GraphML.


def graphml_text(drawn: Drawing) -> str:
    """Return a drawing as GraphML: every attribute with its unit in its name, names as in the plan.

    The text is ASCII, so that every stream carries it; a reader sees the letters that its numbers stand for.
    """
    import networkx

    graph: networkx.MultiDiGraph[str] = networkx.MultiDiGraph()
    graph.graph.update(title=drawn.title, notice=NOTICE, cautions=" ".join(CAUTIONS))
    for vertex in drawn.vertices:
        graph.add_node(vertex.name, kind=vertex.kind, **vertex.data)
    for arrow in drawn.arrows:
        graph.add_edge(arrow.near, arrow.far, key=arrow.name, kind=arrow.kind, **arrow.data)
    body = "\n".join(networkx.generate_graphml(graph)).encode("ascii", "xmlcharrefreplace")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body.decode("ascii")}\n'


def _boxed(
    vertices: Iterable[Vertex],
    opened: Callable[[str], str],
    closed: str,
    vertex: Callable[[Vertex], str],
    depth: int = 0,
) -> Iterator[str]:
    """Yield the lines of vertices, each within its boxes, which are `opened` and `closed` around them."""
    boxes: dict[str, list[Vertex]] = {}
    margin = "  " * depth
    for each in vertices:
        if len(each.group) > depth:
            boxes.setdefault(each.group[depth], []).append(each)
        else:
            yield margin + vertex(each)
    for group, members in boxes.items():
        yield margin + opened(group)
        yield from _boxed(members, opened, closed, vertex, depth + 1)
        yield margin + closed
