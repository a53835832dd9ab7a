"""What a fault leaves of a chain, looked up in running sums, beside the plain way: each time from the start.

The plain way is the rest of the project on what is left of the network, or the formulas written out again.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

import pytest
from fault_plans import EXAMPLES, evaluate_after, example, with_jabber_limit, with_recovery
from hypothesis import HealthCheck, Phase, given, settings
from strategies import plans

from chainplan.after_faults import fault_rows
from chainplan.budgets.faults.beginnings import bits_on_first, times_on_first
from chainplan.budgets.faults.walk import FaultBudget, Outcome
from chainplan.budgets.scanning.exchange import (
    exchange_terms,
    exchange_wire_bits,
    read_exchanges,
    write_exchange,
)
from chainplan.budgets.scanning.runs import applies_to
from chainplan.budgets.scanning.scan import ControllerScan
from chainplan.budgets.scanning.wire import way_along
from chainplan.budgets.values.age import runs_from_sample_to_memory
from chainplan.chain.degraded import Left
from chainplan.chain.ends import cut_short, from_back, from_head
from chainplan.chain.network import Chain
from chainplan.evaluation import Evaluation
from chainplan.figures.terms import Case
from chainplan.plan.model import Plan
from chainplan.plan.schedule import Task

FEW = settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)


@FEW
@given(plans())
def test_running_sums_are_the_times_of_the_chain_cut_short(plan: Plan) -> None:
    network = Evaluation(plan).network
    for chain in network.chains.values():
        for side in (from_head(chain), from_back(chain)) if chain.is_ring else (chain,):
            for name, task in plan.tasks.items():
                write = task.kind == "write"
                exchanges = [write_exchange(name, task, side)] if write else read_exchanges(name, task, side)
                for exchange in exchanges:
                    if exchange.style == "polled":
                        continue
                    bits = bits_on_first(side, exchange)
                    for case in Case:
                        way = way_along(side, case)
                        times = times_on_first(side, way, exchange, case)
                        for count in range(1, len(side.nodes) + 1):
                            short = cut_short(side, count)
                            cut = exchange._replace(answers=exchange.answers[:count])
                            terms = exchange_terms(short, way_along(short, case), cut, case)
                            assert times[count - 1] == sum(term.total for term in terms)
                            assert bits[count - 1] == exchange_wire_bits(side.protocol, cut)


class TestRecovery:
    @FEW
    @given(plans())
    def test_any_plan(self, plan: Plan) -> None:
        self.assert_as_written_out(with_recovery(plan), 4)
        self.assert_as_written_out(with_recovery(with_jabber_limit(plan)), 4)

    @pytest.mark.parametrize("name", EXAMPLES)
    def test_examples(self, name: str) -> None:
        self.assert_as_written_out(with_recovery(with_jabber_limit(example(name))), 11)

    @classmethod
    def assert_as_written_out(cls, plan: Plan, step: int) -> None:
        evaluation = Evaluation(plan)
        faults = evaluation.faults
        for outcome in faults.counted:
            recovery = faults.recovery(outcome)
            assert (recovery.total is None) is (recovery.time is None) is bool(recovery.note)
            if recovery.time is not None:
                assert recovery.total == recovery.time.total
            if outcome.known is not None:
                assert outcome.known.total == outcome.known.time.total
        for outcome in faults.outcomes[::step]:
            recovery = faults.recovery(outcome)
            if recovery.total is not None and outcome.known is not None:
                pace = evaluation.scans[outcome.fault.controller].controller.settings
                busiest = (
                    faults._detections[outcome.fault.controller].waits(outcome.fault, outcome.gaps).busiest
                )
                assert recovery.total > outcome.known.total
                if pace.scan_jitter.max + busiest <= pace.scan_period.min:  # no scan runs into the next one
                    assert recovery.total <= cls.written_out(evaluation, faults, outcome)

    @classmethod
    def written_out(cls, evaluation: Evaluation, faults: FaultBudget, outcome: Outcome) -> int:
        """Return a bound by the plain formula, from the whole scan of what is left after the fault."""
        fault, known = outcome.fault, outcome.known
        assert known is not None
        whole, after = evaluation.scans[fault.controller], evaluate_after(evaluation, outcome)
        scan, plan = after.scans[fault.controller], whole.controller.settings
        limit = None
        if fault.kind == "node babbling":
            limit = evaluation.network.chains[fault.chain].nodes[fault.place - 1].type.jabber_limit
        switch, addressing, slowest = 0, 0, 0
        for left in outcome.left:
            chain = evaluation.network.chains[left.chain]
            kept = (*chain.nodes[: left.ahead], *chain.nodes[len(chain.nodes) - left.behind :])
            reading = [
                work
                for work in whole.works
                if work.task.kind != "write" and applies_to(work.task, chain)
                if work.task.reads != "temperatures" or any(node.temperatures for node in kept)
            ]
            cells = [work for work in reading if work.task.reads == "cell voltages"] or reading
            if not left.ahead + left.behind or (
                limit is None and any(cls.reads_on(work.task, chain, left) for work in cells)
            ):
                continue
            if chain.is_ring:
                assert plan.recovery is not None
                switch = plan.recovery.switch.max
            last = chain.nodes[left.ahead - 1 : left.ahead] if left.ahead else ()
            anew = Counter(
                node.type.addressing.max for node in (*last, *chain.nodes[len(chain.nodes) - left.behind :])
            )
            addressing += sum((plan.set_up.max + time) * count for time, count in anew.items())
            slowest = max(slowest, min(cls.until_done(whole, scan, work.name) for work in cells))
        action = switch + addressing
        busy = faults._detections[fault.controller].waits(fault, outcome.gaps).busiest
        starts = -(-(plan.scan_jitter.max + busy + action) // plan.scan_period.min)
        period = max(plan.scan_period.max, busy)
        attempt = action + max(period, starts * period - action) + plan.scan_jitter.max + slowest
        spoiled = max(0, limit.max + attempt - known.total) if limit else 0
        return known.total + spoiled + attempt

    @staticmethod
    def reads_on(task: Task, chain: Chain, left: Left) -> bool:
        """What is polled is read on in front of a break, everything where only the far port is cut off."""
        from_back = task.sent_from == "back" and chain.is_ring
        near, far = (left.behind, left.ahead) if from_back else (left.ahead, left.behind)
        style = task.read_style or chain.protocol.read_style
        if far:
            return False
        if near == len(chain.nodes):
            return style != "summation" or from_back or chain.plan.read_from != "across"
        return style == "polled"

    @staticmethod
    def until_done(whole: ControllerScan, after: ControllerScan, name: str) -> int:
        """Return the longest time from a scan's start to the end of a task's next run with new values."""
        left = {run.task: run.length for run in after.runs[Case.WORST]}
        lengths = [left.get(work.name, 0) for work in whole.works]
        index = next(index for index, work in enumerate(whole.works) if work.name == name)
        task = whole.works[index].task
        before = max(
            sum(lengths[other] for other in due if other < index)
            for due in map(whole.due, range(whole.phases.major_cycle))
            if index in due
        )
        scans = task.every - 1 + task.every * runs_from_sample_to_memory(task)
        return scans * after.period + before + lengths[index] + after.reserve.total


def test_rows_count_the_cells_still_seen() -> None:
    evaluation = Evaluation(example("storage-container"))
    for row in fault_rows(evaluation.faults):
        blind = sum(node.cells for node in evaluation.faults.unmonitored_nodes(row.outcome))
        assert row.cells_monitored == 1 - Fraction(blind, evaluation.faults.cells)
