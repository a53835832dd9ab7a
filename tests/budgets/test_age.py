"""Sample age by hand, in packs of round figures.

1 bit takes 1 us and nothing is framed: a run of `cells` on n nodes is a trigger of 8 us, a conversion of
2 ms, a request of 8 us and n answers of 72 us. A kilometre of cable takes 5 us. No source but
the definitions at the top of chainplan/budgets/values/age.py.
"""

from __future__ import annotations

from standby_packs import CELLS, LONG, STEPS, TWO_PORTS, evaluation_of, ticks, timing_of

from chainplan.budgets.values.age import overlapped_conversion

US, MS = ticks("1 us"), ticks("1 ms")
PERIOD = 100 * MS

WARM = {"reads": "temperatures", "value": "16 bit"}


class TestAge:
    def test_trigger_to_memory(self) -> None:
        # sampled when the trigger is in, in memory 2 ms and 8 + 4 * 72 us later
        timing = timing_of()
        assert timing.age.total == PERIOD + 2 * MS + 296 * US
        assert timing.typical_age.total == timing.age.total

    def test_sampled_early_and_late_in_memory(self) -> None:
        # A bit takes 1 to 2 us: the trigger is in after 8 us, the last answer after twice 8 + 8 + 288 us.
        age = timing_of(protocol={"bit_rate": "0.5 Mbit/s .. 1 Mbit/s"}).age.total
        assert age == PERIOD + 2 * MS + (2 * (8 + 8 + 288) - 8) * US

    def test_jitter_counts_once_and_only_at_the_worst(self) -> None:
        timing = timing_of(controller={"scan_jitter": "3 ms"})
        assert timing.age.total == PERIOD + 3 * MS + 2 * MS + 296 * US
        assert timing.typical_age.total == PERIOD + 2 * MS + 296 * US

    def test_overlap_reads_one_period_later(self) -> None:
        timing = timing_of(tasks={"cells": CELLS | {"overlap": True}})
        assert timing.age.total == 2 * PERIOD + 296 * US

    def test_a_seldom_task_stands_for_its_period(self) -> None:
        timing = timing_of(tasks={"cells": CELLS | {"every": 3}})
        assert timing.age.total == 3 * PERIOD + 2 * MS + 296 * US

    def test_a_task_before_it_shifts_its_slot(self) -> None:
        # Temperatures take 8 us, 3 ms, 8 us and 4 * 40 us in every other scan: so much later the next value
        # of a cell may be sampled than this one.
        timing = timing_of(tasks={"warm": WARM | {"every": 2}, "cells": CELLS})
        assert timing.age.total == PERIOD + 3176 * US + 2 * MS + 296 * US

    def test_a_task_always_before_it_shifts_nothing(self) -> None:
        tasks = {"warm": WARM | {"every": 2, "phase": 1}, "cells": CELLS | {"every": 2, "phase": 1}}
        assert timing_of(tasks=tasks).age.total == 2 * PERIOD + 2 * MS + 296 * US

    def test_a_later_block_is_sampled_later(self) -> None:
        # Two cells at a time, 20 us from channel to channel: blocks of 8 + 4 * 40 us; the second one holds
        # what was sampled 40 us after the trigger.
        timing = timing_of(node=STEPS, tasks={"cells": CELLS | {"values_per_read": 2}})
        assert timing.age.total == PERIOD + 2 * MS + (2 * 168 - 40) * US

    def test_a_polled_node_samples_when_its_own_trigger_is_in(self) -> None:
        # Three nodes, 5 us of cable before each: the last one has the trigger 15 us after the first bit's end
        # and its answer is in after all others: 8 us out, 72 us back, and the cables both ways.
        timing = timing_of(nodes=3, protocol={"read_style": "polled"}, chains={"line": LONG})
        polls = 3 * (8 + 72) + 2 * (5 + 10 + 15)
        assert (
            timing.age.total == PERIOD + 2 * MS + polls * US
        )  # the trigger's 15 us out are in both instants
        assert timing.where == "S.3"

    def test_without_a_trigger_a_value_may_be_a_conversion_old(self) -> None:
        # A read: the request leaves at once, the value was sampled 2 ms before. Where whole rounds are
        # published, one sampled at the begin of a round of 2 ms can be read until the end of the next one.
        rounds = {"cell voltages": {"time": "2 ms", "publishes": "each value"}}
        timing = timing_of(tasks={"cells": CELLS | {"kind": "read"}}, node={"conversions": rounds})
        assert timing.age.total == PERIOD + 2 * MS + 296 * US
        timing = timing_of(tasks={"cells": CELLS | {"kind": "read"}})
        assert timing.age.total == PERIOD + 4 * MS + 296 * US

    def test_the_oldest_value_is_named_at_its_worst(self) -> None:
        # The upper chain has fewer values, but its nodes may take 5 ms to answer.
        slow = {4: {"turn_around": {"min": "1 us", "typical": "1 us", "max": "5 ms"}}}
        chains = {"lower": {"order": ["S.1..3"]}, "upper": {"order": ["S.4"], "head": "C:2"}}
        timing = timing_of(kinds=slow, chains=chains)
        assert timing.where == "S.4"
        assert timing.age.total == PERIOD + 2 * MS + (8 + 72) * US + 5 * MS


class TestOverlappedConversion:
    def test_by_hand(self) -> None:
        # The later of two triggers is sent after two set-ups of 10 us at most and its 8 bit; then the longest
        # settling and conversion of any node.
        slow = {3: {"conversions": {"cell voltages": {"time": "7 ms"}}}}
        scan = evaluation_of(
            kinds=slow,
            node={"balancing": {"current": "100 mA", "settling": "1 ms"}},
            chains=TWO_PORTS,
            controller={"set_up": "5 us .. 10 us", "set_up_by": "one core"},
            tasks={"cells": CELLS | {"overlap": True, "pause_balancing": True}},
        ).scans["C"]
        assert overlapped_conversion(scan, 0).total == (10 + 10 + 8) * US + 1 * MS + 7 * MS

    def test_nodes_that_are_not_triggered_do_not_convert(self) -> None:
        slow = {3: {"conversions": {"cell voltages": {"time": "7 ms"}}}}
        tasks = {
            "cells": CELLS | {"overlap": True, "chains": ["lower"]},
            "rest": CELLS | {"chains": ["upper"]},
        }
        scan = evaluation_of(kinds=slow, chains=TWO_PORTS, tasks=tasks).scans["C"]
        assert overlapped_conversion(scan, 0).total == 8 * US + 2 * MS
