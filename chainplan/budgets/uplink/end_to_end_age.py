"""The uplink: how old what its messages tell is where they are received.

A value stands in its sender's memory until its successor arrives, its age there at most A (the sample age of
its task, :mod:`chainplan.budgets.values.age`). A message takes it along when it is released, arrives R later
at the latest (:mod:`chainplan.budgets.uplink.buses`) and stands at the receiver until the next one, released
one period P later, has arrived:

    age at the receiver = A + P + R                       (turns * P where values go out in turns)

A master, or a controller that evaluates what it tells, runs its evaluation (period P_h, run time C_h) out of
step with all of these; what comes of it stands until the next one ends. Each stage of a chain of messages so
adds

    P_h + C_h + P + R

Values in turns need a receiver that sees every frame. One that finds the newest frame alone at its
evaluations does so only if one of them falls between any two arrivals: frames released P apart arrive no
closer than P - R, so P_h + R <= P. Else its evaluations may always meet the same turns: there is no bound.

In the worst case each period on the way is as long as it can be; the typical case has the middle of each.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from graphlib import TopologicalSorter
from typing import NamedTuple

from chainplan.budgets.uplink.buses import DAVIS, Arrival, Bus, Message, messages_of
from chainplan.budgets.values.age import SampleTiming
from chainplan.chain.build import Unit
from chainplan.figures.budget import budget
from chainplan.figures.figure import Figure, Kind
from chainplan.figures.terms import Case, Sum, Term, nonzero
from chainplan.plan.layout import EvaluationPlan
from chainplan.plan.uplink import UplinkPlan
from chainplan.quantity import TIME


class Age(NamedTuple):
    """How old a value of one controller's task gets where a message is received, at the most.

    `time` and `typical` are None where a message on the way has no bound, `unbounded` then says why.
    """

    message: str
    family: str
    controller: str
    task: str
    path: tuple[str, ...]
    """Messages and the stages between them, from the sender that reads to the last bus."""
    time: Sum | None
    typical: Sum | None
    unbounded: str = ""

    @property
    def figure(self) -> str:
        """Return the name of its sum."""
        return f"vehicle/{self.message}/{self.controller}/{self.task}"


@budget
def end_to_end_ages(
    samples: list[SampleTiming], buses: dict[str, Bus], units: dict[str, Unit], uplink: UplinkPlan | None
) -> tuple[Age, ...]:
    """How old the values get that messages above the controllers carry, where they are received."""
    return () if uplink is None else tuple(_ages(units, uplink, messages_of(buses), samples))


def ages_of(end_to_end_ages: Iterable[Age], family: str) -> dict[str, list[Age]]:
    """Return the ages of what a message and its copies carry, by task, the greatest first."""
    found: dict[str, list[Age]] = {}
    for age in end_to_end_ages:
        if age.family == family:
            found.setdefault(age.task, []).append(age)
    for ages in found.values():
        ages.sort(key=lambda age: -1 if age.time is None else -age.time.total)
        ages.sort(key=lambda age: not age.unbounded)
    return found


def passed_on(uplink: UplinkPlan | None) -> frozenset[str]:
    """Return the messages that another message passes on: what they carry goes further."""
    messages = uplink.messages.values() if uplink else ()
    return frozenset(name for message in messages for name in message.forwards)


class _Told(NamedTuple):
    """What one message tells of one controller's task: the ages so far, worst and typical."""

    controller: str
    task: str
    path: tuple[str, ...]
    terms: tuple[Term, ...]
    typical: tuple[Term, ...]
    unbounded: str

    @property
    def worth(self) -> tuple[bool, int]:
        """Sort key: the later of two ways last."""
        return bool(self.unbounded), sum(term.total for term in self.terms)


def _ages(
    units: dict[str, Unit], uplink: UplinkPlan, messages: dict[str, Message], samples: Iterable[SampleTiming]
) -> Iterator[Age]:
    timings = {(timing.controller, timing.task): timing for timing in samples}
    families: dict[str, list[Message]] = {}
    for message in messages.values():
        families.setdefault(message.family, []).append(message)
    order = TopologicalSorter({name: message.forwards for name, message in uplink.messages.items()})
    told: dict[str, list[_Told]] = {}
    for family in order.static_order():
        for message in families.get(family, ()):
            told[message.name] = list(_told(units, message, timings, families, told))
    for name, message in messages.items():
        yield from (_age(message, each) for each in told[name])


def _told(
    units: dict[str, Unit],
    message: Message,
    timings: dict[tuple[str, str], SampleTiming],
    families: dict[str, list[Message]],
    told: dict[str, list[_Told]],
) -> Iterator[_Told]:
    """Yield what a message tells, its own way on the bus included."""
    if not message.sender:
        return
    evaluation = units[message.sender].evaluation
    if message.plan.carries:
        timing = timings.get((message.sender, message.plan.carries))
        if timing is None:
            return
        label = f"sample age in the memory of {message.sender}"
        start = _Told(
            message.sender,
            timing.task,
            (message.sender,),
            (Term(label, timing.age.total, parts=timing.age.terms),),
            (Term(label, timing.typical_age.total, parts=timing.typical_age.terms),),
            "",
        )
        yield _sent_on(start, message, evaluation if message.plan.evaluated else None)
    heard = [other for family in message.plan.forwards for other in families.get(family, ())]
    slowest: dict[tuple[str, str], _Told] = {}
    for other in heard:
        why = overlooked(other, message.sender, evaluation)
        for before in told[other.name]:
            each = before._replace(unbounded=before.unbounded or why)
            key = each.controller, each.task
            if key not in slowest or each.worth > slowest[key].worth:
                slowest[key] = each
    for each in slowest.values():
        yield _sent_on(each, message, evaluation)


def evaluation_terms(unit: str, evaluation: EvaluationPlan, case: Case) -> tuple[Term, ...]:
    """Return what the evaluation of a unit adds to the age of what it works on, fs."""
    return (
        Term(f"wait for the next evaluation of {unit}", evaluation.period[case]),
        Term(f"run time of the evaluation of {unit}", evaluation.run_time[case]),
    )


def overlooked(message: Message, unit: str, evaluation: EvaluationPlan) -> str:
    """Return why a unit may never see one of the turns of a message; empty where it sees every frame."""
    plan, response = message.plan, message.response.time
    if plan.multiplexed_over == 1 or plan.received == "queued" or response is None:
        return ""
    if evaluation.period.max + response.total <= plan.period.min:
        return ""
    return (
        f"{unit} finds the newest frame alone at its evaluations, which are too far apart to see each of the "
        f"{plan.multiplexed_over} turns of {message.name}"
    )


def _sent_on(told: _Told, message: Message, evaluation: EvaluationPlan | None) -> _Told:
    """Return what was told, one message further; `evaluation` is what it goes through before, if any."""
    path = told.path
    before: dict[Case, tuple[Term, ...]] = {Case.WORST: (), Case.TYPICAL: ()}
    if evaluation is not None:
        path = path if path[-1] == message.sender else (*path, message.sender)
        before = {case: evaluation_terms(message.sender, evaluation, case) for case in before}
    return _Told(
        told.controller,
        told.task,
        (*path, message.name),
        (*told.terms, *before[Case.WORST], *on_the_way(message, message.response, Case.WORST)),
        (*told.typical, *before[Case.TYPICAL], *on_the_way(message, message.typical_response, Case.TYPICAL)),
        told.unbounded or _unbounded(message),
    )


def _unbounded(message: Message) -> str:
    why = message.response.unbounded
    return f"{message.name}: {why}" if why else ""


def on_the_way(message: Message, arrival: Arrival, case: Case) -> tuple[Term, ...]:
    """Return what a message adds to the age of what it tells, fs; its period alone where it has no bound."""
    turns = message.plan.multiplexed_over
    how = f"once in {turns} periods" if turns > 1 else ""
    period = Term(f"period of {message.name}", message.plan.period[case], turns, how)
    if arrival.time is None:
        return (period,)
    return (period, Term(f"response time of {message.name}", arrival.time.total, parts=arrival.time.terms))


def _age(message: Message, told: _Told) -> Age:
    name = message.name
    if told.unbounded:
        return Age(name, message.family, told.controller, told.task, told.path, None, None, told.unbounded)
    label = f"age of {told.task} of {told.controller} at the receivers of {name}"
    formula = (
        "sample age in memory + per stage: evaluation period and run time + message period + response time"
    )
    return Age(
        name,
        message.family,
        told.controller,
        told.task,
        told.path,
        Sum(label, TIME, nonzero(*told.terms), formula, DAVIS),
        Sum(f"typical {label}", TIME, nonzero(*told.typical), formula),
    )


END_TO_END_AGE = Kind[Age](
    "end-to-end age",
    TIME,
    ("message", "task"),
    "uplink",
    lambda age: age.time,
    lambda age: age.typical,
    named=lambda age: age.figure,
    where=lambda age: " to ".join(age.path),
    target="end_to_end_age",
    by="message",
    nobody="no controller that sends this message samples what it carries",
)


@END_TO_END_AGE.of
def ages_at_the_vehicle(end_to_end_ages: tuple[Age, ...]) -> Iterator[Figure]:
    """How old a value gets that a message carries, where it is received; of its copies the oldest."""
    for family in dict.fromkeys(age.family for age in end_to_end_ages):
        for task, ages in ages_of(end_to_end_ages, family).items():
            age = ages[0]
            if age.time is not None:
                yield END_TO_END_AGE(family, task, item=age)
            else:
                path, why = " to ".join(age.path), age.unbounded
                yield END_TO_END_AGE(family, task, where=path, note=why, boundless=True, judged=False)


MESSAGE_AGE = Kind[Age](
    "age at the receivers of a message",
    TIME,
    ("message", "controller", "task"),
    "uplink",
    lambda age: age.time,
    lambda age: age.typical,
    named="vehicle/{}/{}/{}",
)


@MESSAGE_AGE.of
def message_ages(end_to_end_ages: tuple[Age, ...]) -> Iterator[Figure]:
    """How old a value of one controller gets that a message carries, where it is received."""
    for age in end_to_end_ages:
        if age.time is not None:
            yield MESSAGE_AGE(age.message, age.controller, age.task, item=age)
