"""Printouts for several test files: pages of plans, read by html5lib, an independent parser of HTML."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib

from chainplan.evaluation import Evaluation
from chainplan.headroom.budget import Headroom
from chainplan.plan.load import LoadedPlan, load_plan, load_source
from chainplan.plan.source import parse_source
from chainplan.plan.starter import STARTER
from chainplan.printout.document import printout_html
from chainplan.printout.options import Options, PlanFile

CONFIGS = Path(__file__).parents[2] / "configs"

VERSION = "9.8.7"


def evaluated(loaded: LoadedPlan) -> Evaluation:
    """Return the evaluation of a plan; headroom, which takes a search, has tests of its own."""
    evaluation = Evaluation(loaded.plan)
    evaluation.__dict__["headroom"] = Headroom((), (), "not searched in this test")
    return evaluation


def altered_starter(changes: Mapping[str, str]) -> LoadedPlan:
    text = STARTER
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    return load_source(parse_source(text, "starter.yaml"), CONFIGS)


def long_plan(boards: int) -> LoadedPlan:
    """Return the rail trolley with so many boards on its one chain."""
    text = (CONFIGS / "rail-trolley.yaml").read_text(encoding="utf-8")
    half = boards // 2
    text = text.replace("modules: 2, cells: 12}", f"modules: {half}, cells: 12}}")
    text = text.replace("count: 4}", f"count: {2 * half}}}").replace("main.1..4", f"main.1..{2 * half}")
    return load_source(parse_source(text, "long.yaml"), CONFIGS)


@cache
def example(name: str) -> LoadedPlan:
    return load_plan(CONFIGS / f"{name}.yaml")


@cache
def example_evaluated(name: str) -> Evaluation:
    return evaluated(example(name))


@cache
def example_page(name: str) -> str:
    files = (PlanFile("plan.yaml", b"abc"),)
    return printout_html(example(name), example_evaluated(name), VERSION, Options(files=files))


@cache
def example_root(name: str) -> Element:
    return parsed(example_page(name))


def page(loaded: LoadedPlan, options: Options | None = None) -> str:
    files = (PlanFile("plan.yaml", b"abc"),)
    return printout_html(loaded, evaluated(loaded), VERSION, options or Options(files=files))


def parsed(html: str) -> Element:
    """Return the document; html5lib in its strict form refuses whatever the HTML standard calls an error."""
    root: Element = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(html)
    return root


def text_of(element: Element) -> str:
    return " ".join(" ".join(element.itertext()).split())


def tables_of(root: Element) -> Iterator[tuple[list[str], list[list[str]]]]:
    """Yield the titles and the rows of every table with a head."""
    for table in root.iter("table"):
        head = table.find("thead")
        if head is not None:
            rows = [
                [text_of(cell) for cell in row] for body in table.iter("tbody") for row in body.iter("tr")
            ]
            yield [text_of(cell) for cell in head.iter("th")], rows
