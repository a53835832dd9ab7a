"""Every single fault walked: harm, the scan on what is left, and the targets that are met after it.

Counts of the examples are worked out by hand from the numbers in configs/*.yaml. That a break of an open
chain loses all beyond it and that a ring survives any one break are facts of paths and cycles (Menger, 1927;
Whitney, 1932; see tests/chain/test_degraded.py).
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from fault_plans import (
    CONFIGS,
    EXAMPLES,
    evaluate_after,
    example,
    known,
    outcome,
    recovery,
    unmonitored_cells,
    verdicts,
    walked,
    with_jabber_limit,
    with_recovery,
    with_targets,
    without_recovery,
)
from hypothesis import HealthCheck, Phase, given, settings
from isolation_packs import pack
from standby_packs import CONTROLLER, evaluation_of, plan_of, ticks, unchecked
from strategies import plans

from chainplan.after_faults import SCANNING, aftermath, fault_rows, targets_lost
from chainplan.budgets.faults.walk import Outcome
from chainplan.budgets.scanning.traffic import bytes_budget
from chainplan.chain.build import build_network
from chainplan.chain.degraded import single_faults
from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure
from chainplan.figures.terms import Case, parts_add_up
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan
from chainplan.plan.quantity_text import parse_quantity
from chainplan.plan.schedule import Hazard, Task
from chainplan.quantity import TIME, Span

BUSES_OF_FOUR_RINGS: list[dict[str, list[int]]] = [
    {"a": [1], "b": [2], "c": [3], "d": [4]},
    {"a": [1, 2, 3, 4]},
    {"a": [1, 3], "b": [2], "c": [4]},
    {"a": [2, 4]},
]
"""Which rings are on which bus; those on none have ports of their own."""

FEW = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # a plan takes long to shrink
)


def test_a_controller_without_chains_has_no_faults() -> None:
    network = build_network(unchecked(1, controllers={"C": CONTROLLER, "spare": CONTROLLER}))
    assert [fault.part for fault in single_faults(network) if fault.kind == "controller dead"] == ["C"]


class TestLimits:
    def test_a_range_counts_at_its_lower_end(self) -> None:
        limits = {"fault_detection": "200 ms .. 300 ms", "recovery": "400 ms .. 500 ms"}
        plan = with_targets(with_recovery(example("harbour-ferry")), **limits)
        (found,) = verdicts(plan, "recovery").values()
        assert (found.limit, found.note) == (parse_quantity("400 ms", TIME).typical, "")
        (found,) = verdicts(plan, "fault known").values()
        assert found.limit == parse_quantity("200 ms", TIME).typical

    def test_of_a_single_node_nothing_is_left_to_recover(self) -> None:
        evaluation = evaluation_of(1, targets={"recovery": "1 s"})
        (found,) = (each for each in evaluation.verdicts if each.target == "recovery")
        assert (found.status, found.value) == ("not checked", None)
        assert found.note == "nothing has to be recovered after any fault"


class TestHarm:
    def test_trolley(self) -> None:
        # Four nodes of 12 cells on an open chain: the k-th break loses the last 4 - k + 1 nodes.
        faults = walked(example("rail-trolley"))
        assert faults.cells == 48
        lost = {each.name: (each.nodes, each.cells, each.others) for each in faults.outcomes}
        for k in range(1, 5):
            assert lost[f"segment line#{k} open or shorted"] == (5 - k, 12 * (5 - k), 12 * (5 - k))
            assert lost[f"node main.{k} silent"] == (5 - k, 12 * (5 - k), 12 * (4 - k))
            assert lost[f"node main.{k} babbling"] == (4, 48, 36)
        assert lost["port trolley:1 dead"] == (4, 48, 48)
        assert lost["controller trolley dead"] == (4, 48, 48)
        assert len(lost) == 14
        assert faults.worst is not None
        assert faults.worst.cells == 48
        # All but the last node falling silent blind cells of other nodes.
        assert {each.name for each in faults.outcomes} - {each.name for each in faults.single_points} == {
            "node main.4 silent"
        }

    def test_nodes_of_unlike_size(self) -> None:
        # An open chain of nodes with 4, 3 and 2 cells: what a silent node blinds beside its own cells.
        network = pack([{"cells": 9}], boards=[[4], [3], [2]], tasks={"cells": {"value": "16 bit"}})
        faults = Evaluation(network.plan).faults
        found = {each.name: (each.nodes, each.cells, each.others) for each in faults.outcomes}
        assert found["node S.1 silent"] == (3, 9, 5)
        assert found["node S.2 silent"] == (2, 5, 2)
        assert found["node S.3 silent"] == (1, 2, 0)

    def test_ferry(self) -> None:
        # Four rings of ten nodes of 18 cells. Without a jabber limit a babbling node jams a whole ring.
        faults = walked(example("harbour-ferry"))
        worst = {kind: each.cells for kind, each in faults.worst_of_kind.items()}
        assert worst == {
            "segment open or shorted": 0,
            "node silent": 18,
            "node babbling": 180,
            "port dead": 0,
            "controller dead": 720,
        }
        assert {each.fault.kind for each in faults.single_points} == {"node babbling", "controller dead"}
        # 11 segments, 10 nodes twice, 2 ports for each ring, and the controller.
        assert len(faults.outcomes) == 4 * (11 + 20 + 2) + 1
        babbling = outcome(faults, "node bank-3.4 babbling")
        assert unmonitored_cells(faults, babbling) == {"bank-3": 180}
        assert [node.name for node in faults.unmonitored_nodes(babbling)] == [
            f"bank-3.{n}" for n in range(1, 11)
        ]

    def test_a_ring_that_is_not_switched(self) -> None:
        # By hand: one of four rings of 180 cells cut at its first segment: nobody turns to its back, 540 of
        # 720 cells are seen. Cut at its last, it is read as before. One read across falls silent as a whole.
        ferry = without_recovery(example("harbour-ferry"))
        faults = walked(ferry)
        assert outcome(faults, "segment ring-1#1 open or shorted").cells == 180
        assert outcome(faults, "segment ring-1#4 open or shorted").cells == (10 - 3) * 18
        assert outcome(faults, "segment ring-1#11 open or shorted").cells == 0
        assert outcome(faults, "port bridge:back-1 dead").cells == 0
        assert faults.seen(outcome(faults, "port bridge:out-1 dead")).total == 75 * 10**10
        found = verdicts(
            with_targets(ferry, cells_monitored_after_fault="85 %"), "cells monitored after a fault"
        )
        assert found["one segment open or shorted"].value == 75 * 10**10
        ring = ferry.chains["ring"].model_copy(update={"read_from": "across"})
        across = walked(ferry.model_copy(update={"chains": {"ring": ring}}))
        assert outcome(across, "segment ring-1#11 open or shorted").cells == 180

    def test_a_jabber_limit_saves_the_ring(self) -> None:
        faults = walked(with_jabber_limit(example("harbour-ferry")))
        assert faults.worst is not None
        assert faults.worst.cells == 18
        assert [each.name for each in faults.single_points] == ["controller bridge dead"]

    def test_sorted_by_harm(self) -> None:
        for name in EXAMPLES:
            outcomes = walked(example(name)).outcomes
            cells = [each.cells for each in outcomes]
            assert cells == sorted(cells, reverse=True)
            for one, other in pairwise(outcomes):
                if (one.cells, one.nodes) == (other.cells, other.nodes):
                    assert other.known is not None or one.known is None
                    if one.known and other.known:
                        assert one.known.time.total >= other.known.time.total

    def test_an_open_and_a_shorted_segment_are_walked_once(self) -> None:
        faults = [each.fault for each in walked(example("storage-container")).outcomes]
        assert len(set(faults)) == len(faults)
        assert sum(each.kind == "segment open or shorted" for each in faults) == 48


class TestCellsTarget:
    KINDS = ("one segment open or shorted", "one node silent", "one node babbling", "one port dead")

    def test_an_open_chain_misses_all_cells(self) -> None:
        found = verdicts(
            with_targets(example("rail-trolley"), cells_monitored_after_fault="100 %"),
            "cells monitored after a fault",
        )
        assert {subject: each.status for subject, each in found.items()} == dict.fromkeys(
            self.KINDS, "missed"
        )
        assert found["one segment open or shorted"].value == 0

    def test_rings_meet_it_for_segments_and_ports(self) -> None:
        plan = with_targets(example("harbour-ferry"), cells_monitored_after_fault="100 %")
        found = verdicts(plan, "cells monitored after a fault")
        status = {subject: each.status for subject, each in found.items()}
        assert status == dict(zip(self.KINDS, ("met", "missed", "missed", "met"), strict=True))
        assert found["one node silent"].value == 702 * 10**12 // 720
        assert found["one node babbling"].value == 540 * 10**12 // 720

    def test_rings_with_jabber_limits_meet_all_but_one_board(self) -> None:
        plan = with_targets(with_jabber_limit(example("harbour-ferry")), cells_monitored_after_fault="97.5 %")
        assert {each.status for each in verdicts(plan, "cells monitored after a fault").values()} == {"met"}
        more = with_targets(plan, cells_monitored_after_fault="97.6 %")
        assert verdicts(more, "cells monitored after a fault")["one node silent"].status == "missed"

    def test_the_walk_is_made_only_for_a_target(self) -> None:
        evaluation = Evaluation(example("harbour-ferry"))
        assert evaluation.verdicts
        assert evaluation.sums()
        assert "faults" not in vars(evaluation)


class TestExamplesAsTheyStand:
    """The targets for faults that the example plans hold: the ferry meets them, the locomotive does not."""

    @staticmethod
    def judged(name: str, target: str) -> dict[str, tuple[str, int | None]]:
        found = verdicts(load_plan(CONFIGS / f"{name}.yaml").plan, target)
        return {subject: (each.status, each.value) for subject, each in found.items()}

    def test_the_ferry_sees_all_but_one_board(self) -> None:
        # 4 rings of 10 boards of 18 cells; a babbling node is cut off, so its ring is read from both ends
        whole, one_less = ("met", 10**12), ("met", 702 * 10**12 // 720)
        assert self.judged("harbour-ferry", "cells monitored after a fault") == dict(
            zip(TestCellsTarget.KINDS, (whole, one_less, one_less, whole), strict=True)
        )
        ((status, _),) = self.judged("harbour-ferry", "recovery").values()
        assert status == "met"

    def test_the_locomotive_loses_a_chain(self) -> None:
        # two open chains, 6 boards of 12 cells and 6 of 18: any kind of fault can take the 108 cells of one
        assert self.judged("mine-locomotive", "cells monitored after a fault") == dict.fromkeys(
            TestCellsTarget.KINDS, ("missed", 72 * 10**12 // 180)
        )
        ((status, _),) = self.judged("mine-locomotive", "fault known").values()
        assert status == "met"


class TestKnownByHand:
    """An open chain of four nodes, 1 bit in 1 us, nothing framed: answers of 72 us, the tail first."""

    LOST = {"kind": "chain loss", "ftti": "10 s", "reaction": "switch"}  # noqa: RUF012

    @pytest.mark.parametrize("place", [1, 2, 3, 4])
    @pytest.mark.parametrize("fault", ["segment line#{} open or shorted", "node S.{} silent"])
    def test_a_sequential_read(self, fault: str, place: int) -> None:
        # Two bad runs in a row, one more that is lost: three periods of 100 ms. Temperatures come before in
        # every other scan: two set-ups of 20 us, 8 us, 3 ms, 8 us and 4 * 40 us, and a time-out of 70 us as
        # the cell voltages have. The place is needed up to its own answer, which place - 1 answers follow;
        # both set-ups may take 10 us in that run and 20 us in the one that misses. The evaluation: 11 ms.
        evaluation = evaluation_of(
            hazards={"lost": self.LOST | {"debounce": 2, "lost_readings": 1, "on_lost": "hold"}},
            protocol={"time_out": "70 us"},
            controller={"set_up": "10 us .. 20 us"},
            tasks={
                "warm": {"reads": "temperatures", "value": "16 bit", "every": 2},
                "cells": {"value": "16 bit"},
            },
        )
        time = outcome(evaluation.faults, fault.format(place)).known
        assert time is not None
        expected = 300_000 + (40 + 8 + 3000 + 8 + 160) + 20 + 72 * (place - 1) + 2 * 70 + 11_000
        assert time.time.total == expected * ticks("1 us")

    def test_while_a_node_babbles_every_read_is_waited_for(self) -> None:
        protocol = {"read_style": "polled", "time_out": "70 us"}
        plan = plan_of(
            hazards={"lost": self.LOST},
            protocol=protocol,
            node={"jabber_limit": "5 ms"},
            controller={"retry_reserve": 1},  # so that a run is known to be bad at its end
        )
        faults = walked(plan)
        waits = {
            kind: faults._detections["C"].waits(each.fault, each.gaps).runs
            for kind in ("silent", "babbling")
            for each in [outcome(faults, f"node S.3 {kind}")]
        }
        assert waits == {"silent": (2 * ticks("70 us"),), "babbling": (4 * ticks("70 us"),)}
        for kind, (time_outs,) in waits.items():
            time = outcome(faults, f"node S.3 {kind}").known
            assert time is not None
            assert [term.total for term in time.time.terms if term.label == "time-outs"] == [time_outs]


class TestScanOnWhatIsLeft:
    @FEW
    @given(plans())
    def test_any_plan(self, plan: Plan) -> None:
        self.assert_same(with_recovery(plan))

    @pytest.mark.parametrize("name", ["rail-trolley", "mine-locomotive"])
    def test_examples(self, name: str) -> None:
        self.assert_same(example(name))

    def test_the_slowest_conversion_of_a_chain_counts_wherever_it_is(self) -> None:
        slow = {2: {"conversions": {"cell voltages": {"time": "7 ms"}}}}
        chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": "C:2"}}
        plan = plan_of(kinds=slow, chains=chains)
        self.assert_same(plan, step=1)
        faults = walked(plan)
        whole = faults.rescan(outcome(faults, "node S.4 silent"))
        cut = faults.rescan(outcome(faults, "node S.2 silent"))
        assert whole.total - cut.total == ticks("5 ms")  # 7 ms and 2 ms; two answers last longer than one

    @pytest.mark.parametrize("by", ["one core", "each port"])
    @pytest.mark.parametrize("head", ["C:1", "C:2"])
    def test_two_chains_with_one_read_each(self, by: str, head: str) -> None:
        chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": head}}
        self.assert_same(plan_of(chains=chains, controller={"set_up": "40 us", "set_up_by": by}), step=1)

    def test_a_write_is_not_retried(self) -> None:
        # Two ports on one bus, by turns: writes of 8 us go out over the bus at 0 and 8 us and over the wire
        # from 8 and 16 us on; the gap of 5 us after the second ends at 29 us. No answer can be missing.
        chains = {"lower": {"order": ["S.1..2"]}, "upper": {"order": ["S.3..4"], "head": "C:2"}}
        controller = {
            "host_bus": {"bit_rate": "1 Mbit/s", "arbitration": "by turns"},
            "retry_reserve": 1,
        }
        plan = plan_of(
            chains=chains,
            protocol={"frame_gap": "5 us"},
            controller=controller,
            tasks={"tell": {"kind": "write", "data": "0 bit"}},
        )
        self.assert_same(plan, step=1)
        faults = walked(plan)
        rescan = faults.rescan(outcome(faults, "node S.4 silent"))
        assert (rescan.reserve.total, rescan.total) == (0, 29 * ticks("1 us"))

    @pytest.mark.parametrize("arbitration", ["any", "by turns"])
    @pytest.mark.parametrize("by", ["one core", "each port"])
    @pytest.mark.parametrize("served", BUSES_OF_FOUR_RINGS, ids=str)
    def test_copies_of_a_ring(self, served: dict[str, list[int]], by: str, arbitration: str) -> None:
        buses = {
            bus: [f"{end}-{ring}" for ring in rings for end in ("out", "back")]
            for bus, rings in served.items()
        }
        plan = example("harbour-ferry")
        bridge = plan.controllers["bridge"]
        assert bridge.host_bus is not None
        host_bus = bridge.host_bus.model_copy(update={"serves": buses, "arbitration": arbitration})
        changed = bridge.model_copy(update={"host_bus": host_bus, "set_up_by": by})
        self.assert_same(plan.model_copy(update={"controllers": {"bridge": changed}}), step=2)

    @staticmethod
    def assert_same(plan: Plan, step: int = 3) -> None:
        """The figures are those of the whole budget on what is left of the network."""
        evaluation = Evaluation(plan)
        faults = evaluation.faults
        for each in faults.outcomes[::step]:
            scan = evaluate_after(evaluation, each).scans[each.fault.controller]
            rescan = faults.rescan(each)
            lengths = {
                work.name: run.length for work, run in zip(scan.works, scan.runs[Case.WORST], strict=True)
            }
            whole = zip(evaluation.scans[each.fault.controller].works, rescan.lengths, strict=True)
            assert {work.name: length for work, length in whole if length} == lengths
            assert rescan.total == scan.worst.total == rescan.worst.total
            assert rescan.period == scan.period
            assert faults.wire_bits(each).total == bytes_budget(scan).busiest_scan.total

    def test_a_shorter_chain_scans_faster(self) -> None:
        evaluation = Evaluation(example("rail-trolley"))
        times = [
            evaluation.faults.rescan(outcome(evaluation.faults, f"node main.{k} silent")).total
            for k in range(1, 5)
        ]
        assert times == sorted(times)
        assert times[0] == 0  # the controller has nothing left to do
        assert times[-1] < evaluation.scans["trolley"].worst.total


def lost_after(evaluation: Evaluation) -> dict[Outcome, tuple[Figure, ...]]:
    """Return the targets lost after every fault, all faults judged."""
    return dict(aftermath(evaluation, 10**9).lost)


class TestAfterwards:
    def test_nothing_is_lost_of_the_ferry(self) -> None:
        evaluation = Evaluation(example("harbour-ferry"))
        names = ["segment ring-1#1 open or shorted", "node bank-4.5 silent", "node bank-2.1 babbling"]
        lost = lost_after(evaluation)
        for name in names:
            assert lost.get(outcome(evaluation.faults, name), ()) == ()

    def test_two_frames_instead_of_one_break_a_tight_target(self) -> None:
        # A ring in two parts is read by two frames per task: a limit of the fault-free bits is missed by it.
        plan = example("harbour-ferry")
        carried = Evaluation(plan).traffic[0].busiest_scan.total
        targets = plan.targets.model_copy(update={"bytes_per_scan": Span.exact(carried)})
        evaluation = Evaluation(plan.model_copy(update={"targets": targets}))
        cut = outcome(evaluation.faults, "segment ring-3#4 open or shorted")
        lost = lost_after(evaluation)
        (verdict,) = lost[cut]
        assert (verdict.target, verdict.status) == ("data per scan", "missed")
        # Cell voltages and open wire, trigger and read each, meet in that scan: four more frames of 16 + 8
        # bits framing and 3 + 2 bytes of request, and no block of data more.
        assert verdict.value == carried + 4 * (16 + 8 + 5 * 8)
        silent = outcome(evaluation.faults, "node bank-3.4 silent")
        assert lost.get(silent, ()) == ()  # one block of 38 bytes less, twice

    def test_summary_says_how_many_were_judged(self) -> None:
        evaluation = Evaluation(example("rail-trolley"))
        after = aftermath(evaluation)
        assert (after.judged, after.faults) == (13, 13)
        short = aftermath(evaluation, most_nodes=4)
        assert short.judged < 13
        for (target, subject), outcomes in targets_lost(after).items():
            assert target in {"data per sample", "efficiency"}
            assert subject
            assert outcomes

    def test_rows(self) -> None:
        faults = walked(with_recovery(example("harbour-ferry")))
        rows = fault_rows(faults, 50)
        assert len(rows) == 50
        assert rows[0].name == "controller bridge dead"
        assert rows[0].known is None
        row = next(row for row in fault_rows(faults) if row.name == "node bank-2.3 silent")
        assert row.cells_monitored == Fraction(702, 720)
        assert unmonitored_cells(faults, row.outcome) == {"bank-2": 18}
        assert row.known == known(faults, row.name)
        assert row.detected_by == "cell voltages"
        assert row.recovery == recovery(faults, row.name)
        assert not row.single_point


class TestFigures:
    @pytest.mark.parametrize("name", EXAMPLES)
    def test_terms_add_up_and_verdicts_name_their_figures(self, name: str) -> None:
        plan = with_targets(
            with_recovery(with_jabber_limit(example(name))),
            cells_monitored_after_fault="50 %",
            fault_detection="1 s",
            recovery="2 s",
        )
        evaluation = Evaluation(plan)
        sums = evaluation.sums()
        named = [each for each in evaluation.verdicts if each.figure.startswith("faults/")]
        rooms = {"cells monitored after a fault", "fault known", "faults that a read shows", "recovery"}
        assert {each.target for each in named} == rooms
        assert len(named) >= 7
        for each in named:
            figure = sums[each.figure]()
            assert figure.total == each.value
            assert all(map(parts_add_up, figure.terms))


def test_what_a_fault_loses_is_found_without_the_scans_of_the_other_controllers(tmp_path: Path) -> None:
    text = (CONFIGS / "rail-trolley.yaml").read_text(encoding="utf-8")
    text = text.replace("include: [library/", f"include: [{CONFIGS}/library/")
    for old, new in (
        ("  main:\n", "  main:\n    count: 3\n"),
        ("  trolley:\n    ports", "  trolley:\n    count: 3\n    ports"),
        ("  line:\n    head: trolley:1", '  line:\n    count: 3\n    head: "trolley-{n}:1"'),
        ("order: [main.1..4]", 'order: ["main-{n}.1..4"]'),
        ("efficiency: 35 %", "efficiency: 37 %"),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "three.yaml"
    path.write_text(text, encoding="utf-8")
    evaluation = Evaluation(load_plan(path).plan)
    met = {
        (each.target, each.subject) for each in evaluation.judged(kinds(*SCANNING)) if each.status == "met"
    }
    found = 0
    lost_then = lost_after(evaluation)
    for each in evaluation.faults.counted:
        whole = evaluate_after(evaluation, each).judged(kinds(*SCANNING))
        lost = tuple(
            verdict
            for verdict in whole
            if verdict.status == "missed" and (verdict.target, verdict.subject) in met
        )
        assert lost_then.get(each, ()) == lost
        found += len(lost)
    assert found


class TestWhatWouldFixIt:
    """A miss names the way out of it."""

    WAY_BACK = Task.model_validate({"kind": "read", "reads": "status", "data": "1 byte", "sent_from": "back"})

    def shown(self, plan: Plan) -> str:
        return verdicts(with_targets(plan, fault_detection="1 s"), "faults that a read shows")["bridge"].where

    def test_a_hidden_return_path(self) -> None:
        where = self.shown(example("harbour-ferry"))
        assert where.startswith("never known: segment ring-1#11 open or shorted, ")
        assert where.endswith(" and 5 more; a task `sent_from: back` would use the return path")

    def test_a_task_that_nobody_counts(self) -> None:
        plan = example("harbour-ferry")
        actuators = plan.controllers["bridge"].actuators
        lost = Hazard.model_validate(
            {"kind": "chain loss", "task": "cells", "ftti": "1 s", "reaction": next(iter(actuators))}
        )
        tasks = {"cells": next(iter(plan.tasks.values())), "return path": self.WAY_BACK}
        plan = plan.model_copy(update={"tasks": tasks, "hazards": {"lost": lost}})
        hint = "; task return path misses answers after 8 of them, but no hazard `chain loss` counts that"
        assert self.shown(plan).endswith(" and 5 more" + hint)
        anyone = {"lost": lost.model_copy(update={"task": None})}
        assert self.shown(plan.model_copy(update={"hazards": anyone})) == ""

    def test_a_node_that_nothing_cuts_off(self) -> None:
        for plan, says in (
            (example("harbour-ferry"), True),
            (with_jabber_limit(example("harbour-ferry")), False),
        ):
            found = verdicts(
                with_targets(plan, cells_monitored_after_fault="80 %"), "cells monitored after a fault"
            )
            where = found["one node babbling"].where
            assert where.endswith(" babbling; nothing cuts it off: its type has no `jabber_limit`") is says
