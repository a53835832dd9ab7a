"""Waveforms: read back by an independent reader (pyvcd), checked against budget and simulation."""

from __future__ import annotations

import io
from collections import defaultdict
from math import gcd
from pathlib import Path

import pytest
from hypothesis import given, settings
from strategies import plans
from typer.testing import CliRunner
from vcd.reader import TokenKind, tokenize

from chainplan.cli.app import app
from chainplan.evaluation import Evaluation
from chainplan.exports.passages import exchange_train
from chainplan.exports.vcd import coarsest_scale, code, scale_text, vcd_text
from chainplan.exports.waveform import plan_waveform
from chainplan.figures.terms import Case
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.witness.compare import phases_of
from chainplan.witness.draw import Draw
from chainplan.witness.pack import Pack
from chainplan.witness.simulate import simulate

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path.stem for path in CONFIGS.glob("*.yaml"))

FS = {"fs": 1, "ps": 10**3, "ns": 10**6, "us": 10**9, "ms": 10**12, "s": 10**15}

Spans = list[tuple[int, int]]


def read(text: str) -> tuple[dict[str, Spans], int]:
    """Read a dump with pyvcd: per signal its busy spans, fs, and the number of the last scan."""
    scope: list[str] = []
    names: dict[str, str] = {}
    spans: dict[str, Spans] = defaultdict(list)
    high: dict[str, int] = {}
    scale = time = last_scan = 0
    for token in tokenize(io.BytesIO(text.encode("ascii"))):
        if token.kind is TokenKind.TIMESCALE:
            scale = token.timescale.magnitude * FS[token.timescale.unit.value]
        elif token.kind is TokenKind.SCOPE:
            scope.append(token.scope.ident)
        elif token.kind is TokenKind.UPSCOPE:
            scope.pop()
        elif token.kind is TokenKind.VAR:
            assert token.var.id_code not in names
            names[token.var.id_code] = "/".join([*scope[1:], token.var.reference])
        elif token.kind is TokenKind.CHANGE_TIME:
            assert token.time_change * scale >= time
            time = token.time_change * scale
        elif token.kind is TokenKind.CHANGE_VECTOR:
            assert isinstance(token.vector_change.value, int)
            last_scan = token.vector_change.value
        elif token.kind is TokenKind.CHANGE_SCALAR:
            name = names[token.scalar_change.id_code]
            if token.scalar_change.value == "1":
                assert name not in high
                high[name] = time
            elif name in high:
                spans[name].append((high.pop(name), time))
    assert not scope
    assert not high
    assert len(set(names.values())) == len(names)
    return spans, last_scan


def dump(evaluation: Evaluation, scans: int, case: Case) -> dict[str, Spans]:
    waveform = plan_waveform(evaluation.scans, evaluation.units, scans, case)
    spans, last_scan = read(vcd_text(waveform, "title", "tool", ["remark"]))
    assert last_scan == scans - 1
    return spans


def merged(spans: Spans) -> Spans:
    """Return the union of spans, by counting how many are open."""
    found: Spans = []
    level = begin = 0
    for time, step in sorted(
        [(start, 1) for start, end in spans if end > start]
        + [(end, -1) for start, end in spans if end > start],
        key=lambda change: (change[0], -change[1]),
    ):
        if not level:
            begin = time
        level += step
        if not level:
            found.append((begin, time))
    return found


@settings(max_examples=12)
@given(plans())
def test_tasks_and_ports_are_busy_when_the_budget_says(plan: Plan) -> None:
    evaluation = Evaluation(plan)
    (scan,) = evaluation.scans.values()
    for case in (Case.WORST, Case.TYPICAL):
        spans = dump(evaluation, 3, case)
        expected: dict[str, Spans] = defaultdict(list)
        begin = 0
        for number in range(3):
            slots = scan.slots(number, case)
            for slot, index in zip(slots, scan.due(number), strict=True):
                start = begin + slot.start
                expected[f"task_{slot.task.replace(' ', '_')}"].append((start, begin + slot.end))
                for step in scan.runs[case][index].drawn:
                    port = f"port_{step.port.rpartition(':')[2]}"
                    expected[f"{port}/busy"].append((start + step.start, start + step.end))
                    expected[f"{port}/set_up"].append((start + step.start, start + step.wire))
            length = slots[-1].end if slots else 0
            expected["scan_under_way"].append((begin, begin + length))
            if case is Case.WORST:
                length += scan.reserve.total
                begin += max(length, scan.controller.settings.scan_period.min)
            else:
                begin += max(length, scan.controller.settings.scan_period.typical)
        for name, wanted in expected.items():
            assert spans[f"controller_C/{name}"] == merged(wanted), name


def watched(evaluation: Evaluation, draw: Draw) -> dict[tuple[str, int, str], Spans]:
    """Simulate one scan; return every passage by chain, segment and way."""
    seen: dict[tuple[str, int, str], Spans] = defaultdict(list)

    def watch(chain: str, segment: int, way: str, first: int, last: int) -> None:
        seen[chain, segment, way].append((first, last))

    simulate(Pack.of(evaluation.plan), phases_of(evaluation), 1, draw, watcher=watch)
    return seen


@settings(max_examples=12)
@given(plans())
def test_segments_are_busy_when_the_simulated_frames_pass(plan: Plan) -> None:
    """The simulation shares no formula with the exports; at its corners it knows every frame's instants."""
    evaluation = Evaluation(plan)
    (scan,) = evaluation.scans.values()
    chains = {chain.name: chain for chain in scan.chains}
    for case, kind in ((Case.WORST, "worst"), (Case.BEST, "best")):
        if case is Case.BEST and scan.ways[case].shared and scan.ways[case].host.order == "any":
            continue  # at its best each exchange is taken as if it had the bus for itself
        seen = watched(evaluation, Draw(kind, bus="by turns"))  # type: ignore[arg-type]
        begin = scan.controller.settings.scan_jitter.max if case is Case.WORST else 0
        expected: dict[tuple[str, int, str], Spans] = defaultdict(list)
        for index in scan.due(0):
            run = scan.runs[case][index]
            for step in run.drawn:
                chain = chains[step.exchange.chain]
                wire = begin + step.wire
                for passage in exchange_train(chain, step.exchange, case).passages:
                    there = passage.delay if passage.way == "out" else 0  # outward the far end is watched
                    first = wire + passage.sent + there
                    key = chain.name, passage.segment, passage.way
                    expected[key].append((first, first + passage.time))
            begin += max(step.end for step in run.drawn) + scan.works[index].reversal[case]
        assert {key: sorted(spans) for key, spans in seen.items()} == {
            key: sorted(spans) for key, spans in expected.items()
        }


def example(name: str) -> Evaluation:
    return Evaluation(load_plan(CONFIGS / f"{name}.yaml").plan)


@pytest.mark.parametrize("name", ["quarry-truck", "rail-trolley", "mine-locomotive"])
def test_the_head_segment_carries_what_the_simulation_saw(name: str) -> None:
    """One plan with summation frames, one read in turn, one polled."""
    evaluation = example(name)
    scan = next(iter(evaluation.scans.values()))
    spans = dump(evaluation, 2, Case.WORST)
    chain = scan.controller.chains[0]
    delay = chain.segments[0].hop.delay.max
    passed = watched(evaluation, Draw("worst"))
    seen = [(first - delay, last) for first, last in passed[chain.name, 0, "out"]]
    seen += [(first, last + delay) for first, last in passed[chain.name, 0, "home"]]
    begin = scan.controller.settings.scan_jitter.max  # the simulated scan begins as late as it may
    own = f"controller_{scan.controller.name.replace('-', '_')}"
    found = spans[f"{own}/chain_{chain.name.replace('-', '_')}/segment_1_busy"]
    wanted = merged([(first - begin, last - begin) for first, last in seen])
    assert found[: len(wanted)] == wanted
    # A probe at the port has the frame that leaves one delay earlier than the far end, one that comes later.
    there = [(first - delay, last - delay) for first, last in passed[chain.name, 0, "out"]]
    there += [(first + delay, last + delay) for first, last in passed[chain.name, 0, "home"]]
    probed = spans[f"{own}/port_{chain.head.rpartition(':')[2].replace('-', '_')}/wire"]
    wanted = merged([(first - begin, last - begin) for first, last in there])
    assert probed[: len(wanted)] == wanted


@pytest.mark.parametrize(
    ("name", "title", "controller", "port"),
    [
        ("rail-trolley", "Rail_inspection_trolley", "trolley", "1"),
        ("harbour-ferry", "Harbour_ferry_one_bank", "bridge", "out_1"),
    ],
)
def test_the_planned_wire_is_inside_its_own_plan(
    name: str, title: str, controller: str, port: str, tmp_path: Path
) -> None:
    plan, file = str(CONFIGS / f"{name}.yaml"), str(tmp_path / "plan.vcd")
    assert CliRunner().invoke(app, ["waveform", plan, "-o", file]).exit_code == 0
    signal = f"{title}.controller_{controller}.port_{port}.wire"
    place = f"{controller}:{port}".replace("_", "-")
    result = CliRunner().invoke(app, ["capture", plan, file, "-c", f"{signal}={place}"])
    assert result.exit_code == 0, result.output
    assert "Everything is inside the plan." in result.output


def test_nodes_convert_after_the_trigger_by_hand() -> None:
    evaluation = example("rail-trolley")
    (scan,) = evaluation.scans.values()
    (chain,) = scan.controller.chains
    spans = dump(evaluation, 1, Case.WORST)
    first = scan.due(0)[0]
    (step,) = scan.runs[Case.WORST][first].triggers
    # The last node has the broadcast when the exchange has ended, but for the frame gap after it.
    heard = step.end - chain.protocol.frame_gap.max
    converting = {name: busy for name, busy in spans.items() if name.endswith("/converting")}
    assert len(converting) == len(chain.nodes)
    task = scan.works[first].task
    conversion = chain.nodes[-1].type.conversions[task.conversion or task.reads]
    begin, end = list(converting.values())[-1][0]
    assert begin == heard
    assert end == heard + scan.works[first].settling + conversion.time.max


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_are_written_and_read(name: str, tmp_path: Path) -> None:
    out = tmp_path / "a.vcd"
    result = CliRunner().invoke(
        app, ["waveform", str(CONFIGS / f"{name}.yaml"), "--out", str(out), "--scans", "2"]
    )
    assert result.exit_code == 0, result.output
    text = out.read_text(encoding="ascii")
    assert "lethal DC voltage" in text
    spans, last_scan = read(text)
    assert last_scan == 1
    evaluation = Evaluation(load_plan(CONFIGS / f"{name}.yaml").plan)
    assert {name.split("/")[0] for name in spans} == {
        f"controller_{each.replace('-', '_')}" for each in evaluation.scans
    }


def test_too_many_scans_are_refused_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("chainplan.exports.waveform.MOST_SPANS", 500)
    out = tmp_path / "a.vcd"
    file = str(CONFIGS / "rail-trolley.yaml")
    result = CliRunner().invoke(app, ["waveform", file, "--out", str(out), "--scans", "100"])
    assert result.exit_code == 2
    assert "busy spans" in result.stderr
    assert not out.exists()


def test_the_time_scale_is_exact_and_in_the_words_of_the_standard() -> None:
    # IEEE 1364-2005, 18.2.3.8: 1, 10 or 100, and s, ms, us, ns, ps or fs. From memory.
    assert scale_text(coarsest_scale(gcd(3 * 10**12, 5 * 10**11))) == "100 us"
    assert [scale_text(10**power) for power in (0, 1, 2, 3, 15, 17)] == [
        "1 fs", "10 fs", "100 fs", "1 ps", "1 s", "100 s",
    ]  # fmt: skip
    assert coarsest_scale(10**18) == 10**17


def test_identifier_codes_are_all_different_and_printable() -> None:
    codes = [code(number) for number in range(94 + 94**2 + 94)]
    assert len(set(codes)) == len(codes)
    assert set("".join(codes)) == {chr(sign) for sign in range(33, 127)}
    assert {len(each) for each in codes} == {1, 2, 3}
