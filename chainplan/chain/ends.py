"""A chain as it is read from one of its ends: what is open of it, and a ring the other way round.

A node counts the direction away from the port that reads it as downstream, so one that is reached from the
back has its relay's two delays the other way round. The node that is last from there turns traffic round,
answers first and is called the tail.
"""

from __future__ import annotations

from chainplan.chain.network import Chain, Node, Segment
from chainplan.plan.order import back_name
from chainplan.plan.schedule import Task
from chainplan.remembered import remembered


def as_sent(task: Task, chain: Chain) -> Chain:
    """Return a chain as a task meets it: a ring as it is from the port that the task's requests go in by.

    What is read from its back has a name of its own, and the ring's as `ring`. What a break has left of a
    ring is read from its own port, whatever the task says.
    """
    return _turned(chain) if task.sent_from == "back" and chain.back is not None else chain


@remembered
def _turned(ring: Chain) -> Chain:
    return from_back(ring)._replace(ring=ring.name)


def from_head(chain: Chain) -> Chain:
    """Return a chain read from its head only, without its return path."""
    if not chain.is_ring:
        return chain
    return _open(chain, chain.name, chain.head, chain.nodes, chain.segments[:-1])


def from_back(chain: Chain) -> Chain:
    """Return a ring read from its back port only: its nodes in reverse order, its segments turned round."""
    if chain.back is None:
        raise ValueError(f"{chain.name} is an open chain: it has no back port")
    name = back_name(chain.name)
    segments = []
    for number, segment in enumerate(reversed(chain.segments[1:]), start=1):
        hop, apart = segment.hop, segment.hop.separation
        hop = hop._replace(
            near_barrier=hop.far_barrier,
            far_barrier=hop.near_barrier,
            separation=apart._replace(near_barrier=apart.far_barrier, far_barrier=apart.near_barrier),
        )
        segments.append(Segment(name, number, segment.far, segment.near, hop))
    return _open(chain, name, chain.back, chain.nodes[::-1], tuple(segments))


def cut_short(chain: Chain, count: int) -> Chain:
    """Return the first `count` nodes of an open chain as a chain."""
    return chain._replace(nodes=chain.nodes[:count], segments=chain.segments[:count])


def _open(
    chain: Chain, name: str, head: str, nodes: tuple[Node, ...], segments: tuple[Segment, ...]
) -> Chain:
    plan = chain.plan.model_copy(update={"shape": "open", "back": None, "read_from": "head"})
    return chain._replace(name=name, plan=plan, head=head, back=None, nodes=nodes, segments=segments)
