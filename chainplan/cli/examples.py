"""Examples and exit codes of the commands, shown under each help screen and in the reference."""

from __future__ import annotations

from typing import NamedTuple


class Example(NamedTuple):
    """A command line, and what it is for."""

    line: str
    purpose: str


MET_OR_MISSED = {0: "all targets met", 1: "at least one missed"}
DONE = {0: "done"}

EVERY_COMMAND = {
    2: "something cannot be used: a plan with errors, an unknown name, a file, an option",
    3: "could not be finished: the memory came to its end, or a worker process died",
    70: "a fault of chainplan itself; please report what it says",
    129: "ended by SIGHUP",
    130: "interrupted (Ctrl-C)",
    141: "the reader of the output has gone",
    143: "ended by SIGTERM",
}
"""Exit codes that every command can end with."""

EXAMPLES: dict[str, tuple[Example, ...]] = {
    "report": (
        Example("chainplan report plan.yaml", "the answer on one screen"),
        Example("chainplan report plan.yaml -s targets -s isolation", "two sections of the whole report"),
        Example("chainplan report plan.yaml --full > report.txt", "80 columns, without colour"),
    ),
    "check": (
        Example("chainplan check plans/*.yaml", "several plans, for CI"),
        Example("chainplan check plan.yaml --strict", "what was not checked counts as missed"),
        Example("chainplan check plan.yaml --junit check.xml", "a test case per target"),
        Example("chainplan check plan.yaml --markdown -", "a table for a job page, on stdout"),
    ),
    "compare": (
        Example("chainplan compare before.yaml after.yaml", "what was changed, and what it did"),
        Example("chainplan compare a.yaml b.yaml c.yaml --markdown -", "for a review"),
    ),
    "explain": (
        Example("chainplan explain plan.yaml", "the names of all figures"),
        Example("chainplan explain plan.yaml scan", "the figure whose name has this word"),
        Example("chainplan explain plan.yaml latency over-voltage", "or all of these words"),
    ),
    "data": (
        Example("chainplan data plan.yaml --out results.json", "all results, for a program"),
        Example("chainplan data plan.yaml --reach", "with a search for how far chains could go"),
    ),
    "simulate": (
        Example("chainplan simulate plan.yaml", "a short simulation against every bound"),
        Example("chainplan simulate plan.yaml --seeds 100 --bit-errors 1e-6", "a longer one, with errors"),
    ),
    "printout": (
        Example("chainplan printout plan.yaml -o review.html", "a page for the design review"),
        Example("chainplan printout plan.yaml -o review.pdf", "the same on paper; needs the extra pdf"),
    ),
    "slots": (
        Example("chainplan slots plan.yaml -o slots.csv", "the slot table as rows"),
        Example("chainplan slots plan.yaml -f header -o slots.h", "as a header for the firmware"),
    ),
    "waveform": (
        Example("chainplan waveform plan.yaml -o scans.vcd", "for a waveform viewer"),
        Example("chainplan waveform plan.yaml --scans 4 -o scans.vcd", "the first four scans"),
    ),
    "tolerances": (
        Example("chainplan tolerances plan.yaml", "what drives the tightest targets"),
        Example("chainplan tolerances plan.yaml scan --samples 0", "of one figure, nothing drawn"),
    ),
    "study": (
        Example("chainplan study study.yaml -o results.csv", "every candidate, and the best of them"),
        Example("chainplan study study.yaml --plot front.svg", "with the first two objectives drawn"),
    ),
    "capture": (
        Example("chainplan capture plan.yaml wire.vcd -c D0=bms:1", "signal D0 was taken at a port"),
        Example("chainplan capture plan.yaml wire.csv --json", "what was found, for a program"),
    ),
    "graph": (
        Example("chainplan graph plan.yaml | dot -Tsvg > plan.svg", "a drawing by Graphviz"),
        Example("chainplan graph plan.yaml --of wiring -f mermaid", "the chains, for Markdown"),
        Example("chainplan graph plan.yaml -f graphml -o plan.graphml", "all attributes"),
    ),
    "start": (
        Example("chainplan start plan.yaml", "a small plan to fill in"),
        Example("chainplan start plan.yaml --modules 16 --cells 14 --strings 2 --ring", "of a larger pack"),
        Example("chainplan start plan.yaml --example rail-trolley --schema", "an example, help in editors"),
    ),
    "guide": (
        Example("chainplan guide", "all pages"),
        Example("chainplan guide studies", "one of them"),
        Example("chainplan guide node_types", "the keys of a part of the plan"),
    ),
    "schema": (
        Example("chainplan schema > plan.schema.json", "for an editor"),
        Example("chainplan schema results", "what `data` writes"),
    ),
    "reference": (
        Example("chainplan reference", "everything on the screen"),
        Example("chainplan reference --format man -o chainplan.1", "then: man -l chainplan.1"),
    ),
}

PANELS = {
    name: panel
    for panel, names in {
        "Plan": ("start", "report", "explain", "compare", "study", "guide", "schema", "reference"),
        "Check": ("check", "tolerances", "simulate"),
        "Firmware and bench": ("slots", "waveform", "capture"),
        "Share": ("printout", "graph", "data"),
    }.items()
    for name in names
}
"""The group in which the help lists each command."""

FIRST_STEPS = """\
Three first steps:
  chainplan start plan.yaml     write a small plan to fill in
  chainplan report plan.yaml    does it work in the worst case?
  chainplan explain plan.yaml   where each figure comes from
All commands: chainplan --help; what they mean, by topic: chainplan guide"""
"""What is told to someone who names no command."""

STEPS_WITH_A_PLAN = """\
   expected: a command before the plan, such as
  chainplan report {plan}    does it work in the worst case?
  chainplan check {plan}     only what is missed, for CI
  chainplan explain {plan}   where each figure comes from
All commands: chainplan --help"""
"""What is told to someone who names a plan first."""

EXIT_CODES: dict[str, dict[int, str]] = {
    "report": MET_OR_MISSED,
    "check": {
        0: "no target of any plan missed; some may not have been checked",
        1: "at least one missed, or with --strict not checked",
    },
    "compare": {0: "the last plan meets all targets", 1: "it misses one"},
    "explain": DONE,
    "data": DONE,
    "simulate": {0: "every bound held", 1: "a bound did not hold"},
    "printout": MET_OR_MISSED,
    "slots": DONE,
    "waveform": DONE,
    "tolerances": DONE,
    "study": {0: "a candidate meets what it must", 1: "none does"},
    "capture": {0: "all is inside the plan", 1: "something is not"},
    "graph": DONE,
    "start": DONE,
    "guide": DONE,
    "schema": DONE,
    "reference": DONE,
}
"""Exit codes of each command beside those of every command."""


def exit_codes(command: str) -> dict[int, str]:
    """Return the exit codes of a command, those of every command included."""
    return EXIT_CODES.get(command, {}) | EVERY_COMMAND


def help_end(command: str) -> str | None:
    """Return what stands under a command's help screen; None where it has no examples."""
    examples = EXAMPLES.get(command)
    if not examples:
        return None
    lines = [line for example in examples for line in (f"  {example.line}", f"      {example.purpose}")]
    codes = EXIT_CODES.get(command, {}) | {2: "invalid plan", 3: "not finished"}
    ends = ", ".join(f"{code} {meaning}" for code, meaning in codes.items())
    return "\n".join(("Examples:", *lines, "", f"Exit codes: {ends}."))
