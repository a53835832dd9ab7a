"""One parameter that fixes a miss, found without a search: its value follows from the miss itself.

A rating is raised to what is required; where a figure goes in proportion to a parameter, so does the fix; a
fault handling time says in its terms what each reading costs. Every fix was then evaluated once as a whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from chainplan.evaluation import Evaluation, kinds
from chainplan.figures.figure import Figure
from chainplan.headroom.movable import parameters
from chainplan.headroom.parameters import Move, Parameter, moved
from chainplan.headroom.search import ASKED
from chainplan.headroom.trials import Key, checked

MOST_TRIALS = 6
"""Plans that are evaluated at most."""

_PROPORTION = {
    "scan fits its period": "scan period",
    "utilisation": "scan period",
    "uplink load": "uplink bit rate",
    "response time": "uplink bit rate",
}
"""Parameters that a figure falls in proportion to, or faster, as they are raised."""


def quick_fixes(evaluation: Evaluation, missed: Iterable[Figure]) -> dict[Key, Move]:
    """Return for some missed targets a single move that meets them and misses nothing that is met now."""
    movable = parameters(evaluation)
    missed_now = frozenset(each.key for kind in kinds() for each in evaluation.limited(kind).missed)
    found: dict[Key, Move] = {}
    left = MOST_TRIALS
    for verdict in missed:
        for move in _guesses(movable, verdict):
            if not left:
                return found
            left -= 1
            trial = checked(moved(evaluation, (move,)))
            then = trial.of_kind(verdict.kind).by_key.get(verdict.key)
            if then and then.status == "met" and not any(trial.missed(ASKED, missed_now)):
                found[verdict.key] = move
                break
    return found


def _guesses(parameters: Iterable[Parameter], verdict: Figure) -> Iterator[Move]:
    value, limit = verdict.value, verdict.limit
    if value is None or not limit:
        return
    for each in parameters:
        if each.name == verdict.target:  # a rating of a barrier
            wanted = limit if verdict.sense == "at least" else value
        elif each.name == _PROPORTION.get(verdict.target):
            wanted = -(-each.present * value // limit)
        elif each.name == "readings to debounce" and (verdict.target, verdict.subject) == (
            "fault handling time",
            each.subject,
        ):
            wanted = each.present - _readings_too_many(verdict, value - limit)
        else:
            continue
        wanted = each.present + -(-(wanted - each.present) // each.grain) * each.grain
        if wanted != each.present and each.least <= wanted <= each.most:
            yield Move(each, wanted)


def _readings_too_many(verdict: Figure, excess: int) -> int:
    """Return how many readings less bring a time below its limit, by the longest term that is repeated."""
    figure = verdict.sums[0]
    repeated = [term for term in figure.terms if term.times > 1] if figure is not None else []
    longest = max(repeated, key=lambda term: term.total, default=None)
    return excess // longest.amount + 1 if longest is not None else 0
