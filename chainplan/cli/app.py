"""The commands and their options; what a command does is imported when it runs.

So a help screen costs what typer costs, and no command pays for another's libraries.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from importlib import import_module
from typing import Annotated, Literal, ParamSpec

import typer

from chainplan.cli.examples import FIRST_STEPS, PANELS, help_end
from chainplan.cli.guard import guarded
from chainplan.cli.options import Channels, JsonOut, Out, PlanFile, Sections, Settings, Topic, Width, Workers

_Options = ParamSpec("_Options")

app = typer.Typer(
    name="chainplan",
    help="Plan the communication chain of a high-voltage battery pack: does it work in the worst case?",
    epilog="A planning aid: it replaces neither measurement nor test nor a safety analysis of the pack.",
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _command(declared: Callable[_Options, None]) -> Callable[_Options, None]:
    """Add a command: what it does is `run` of its own module, which takes the options as they are named."""
    name = declared.__name__

    @wraps(declared)
    def run(*arguments: _Options.args, **options: _Options.kwargs) -> None:
        def work() -> int:
            code: int = import_module(f"chainplan.cli.{name}").run(*arguments, **options)
            return code

        raise typer.Exit(guarded(work))

    app.command(epilog=help_end(name), rich_help_panel=PANELS[name])(run)
    return declared


def _print_version(wanted: bool) -> None:
    if wanted:
        from chainplan import __version__

        typer.echo(f"chainplan {__version__}")
        raise typer.Exit


@app.callback()
def _whole_program(
    context: typer.Context,
    *,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and stop."),
    ] = False,
) -> None:
    if context.invoked_subcommand is None:
        typer.echo(FIRST_STEPS)
        raise typer.Exit


@_command
def report(
    plan: PlanFile,
    section: Sections = None,
    settings: Settings = None,
    width: Width = None,
    *,
    full: Annotated[
        bool, typer.Option("--full", help="The whole report, on a terminal through the pager ($PAGER).")
    ] = False,
) -> None:
    """Print the answer on one screen: the pack, the tightest targets, what is missed and not checked."""


@_command
def check(
    plan: Annotated[list[str], typer.Argument(metavar="PLAN", help="Plan files (YAML).", show_default=False)],
    junit: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write JUnit XML, a test case per target; - is stdout.")
    ] = None,
    markdown: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write a Markdown summary for a job page; - is stdout.")
    ] = None,
    settings: Settings = None,
    *,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit code 1 also if a target could not be checked.")
    ] = False,
) -> None:
    """Print missed targets only, for CI. Exit code 0: none missed; the last line counts those not checked."""


@_command
def compare(
    plans: Annotated[
        list[str],
        typer.Argument(metavar="PLAN", help="Two or more, the reference first.", show_default=False),
    ],
    width: Width = None,
    out: Annotated[
        str | None, typer.Option("--out", "-o", metavar="FILE", help="Write JSON instead; - is stdout.")
    ] = None,
    markdown: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write Markdown instead, for a review; - is stdout.")
    ] = None,
    *,
    everything: Annotated[bool, typer.Option("--all", help="Show targets that stay the same, too.")] = False,
) -> None:
    """Print what was changed between plans and what it did. Exit code 1: the last plan misses a target."""


@_command
def explain(
    plan: PlanFile,
    figure: Annotated[
        list[str] | None,
        typer.Argument(metavar="FIGURE", help="Name, or words of it; without one, all figures are listed."),
    ] = None,
    settings: Settings = None,
    width: Width = None,
) -> None:
    """Print one figure term by term, exactly, with its formula and source."""


@_command
def data(
    plan: PlanFile,
    settings: Settings = None,
    out: Out = None,
    *,
    headroom: Annotated[
        bool,
        typer.Option("--headroom", help="Search how far each parameter could go alone, too; takes seconds."),
    ] = False,
    reach: Annotated[
        bool, typer.Option("--reach", help="Search how far each chain could go, too; takes seconds.")
    ] = False,
) -> None:
    """Print all results as JSON, units in the keys."""


@_command
def simulate(
    plan: PlanFile,
    scans: Annotated[
        int, typer.Option(metavar="NUMBER", min=1, max=1_000_000, help="Scans per simulation, at least.")
    ] = 200,
    seeds: Annotated[
        int, typer.Option(metavar="NUMBER", min=1, max=100_000, help="Drawn simulations of each kind.")
    ] = 4,
    first_seed: Annotated[int, typer.Option(metavar="NUMBER", min=0, help="Seed of the first of them.")] = 0,
    workers: Workers = None,
    bit_errors: Annotated[
        float,
        typer.Option(
            metavar="NUMBER", min=0.0, max=1.0, help="Probability of a bit error in drawn simulations."
        ),
    ] = 0.0,
    burst: Annotated[
        str | None,
        typer.Option(metavar="BAD,ENTER,LEAVE", help="Bursts: bit error, entry and exit probability."),
    ] = None,
    settings: Settings = None,
    width: Width = None,
    out: JsonOut = None,
) -> None:
    """Simulate the plan frame by frame and hold every bound against it. Exit code 1: one did not hold."""


@_command
def tolerances(
    plan: PlanFile,
    figure: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="FIGURE", help="Words of a target or a figure; without any, those with the least margin."
        ),
    ] = None,
    settings: Settings = None,
    samples: Annotated[
        int,
        typer.Option(metavar="NUMBER", min=0, max=100_000, help="Sets of parts to draw; 0 leaves them out."),
    ] = 1000,
    seed: Annotated[
        int, typer.Option(metavar="NUMBER", min=0, help="Seed of the draws: the same one draws the same.")
    ] = 0,
    workers: Workers = None,
    width: Width = None,
    out: JsonOut = None,
) -> None:
    """Print which tolerances drive the worst cases, and how far below them Monte Carlo sets of parts stay."""


@_command
def slots(
    plan: PlanFile,
    controller: Annotated[
        str | None, typer.Option("--controller", metavar="NAME", help="Of this controller only.")
    ] = None,
    form: Annotated[
        Literal["csv", "json", "header"],
        typer.Option("--format", "-f", help="Rows (RFC 4180), data, or a header of C11."),
    ] = "csv",
    settings: Settings = None,
    out: Out = None,
) -> None:
    """Write the slot table for the firmware: what runs in which scan from when to when, in whole ns."""


@_command
def waveform(
    plan: PlanFile,
    out: Annotated[
        str,
        typer.Option("--out", "-o", metavar="FILE", help="Write to this file, atomically."),
    ],
    scans: Annotated[
        int | None,
        typer.Option(
            metavar="NUMBER",
            min=1,
            max=100_000,
            help="Scans from scan 0 on; else the major cycle, at most 64.",
        ),
    ] = None,
    case: Annotated[
        Literal["worst", "typical"], typer.Option(help="Which end of every tolerance is drawn.")
    ] = "worst",
    settings: Settings = None,
) -> None:
    """Write the planned scans as a value change dump (IEEE 1364) for a waveform viewer."""


@_command
def printout(
    plan: PlanFile,
    out: Annotated[
        str,
        typer.Option("--out", "-o", metavar="FILE", help="Write FILE.html or FILE.pdf.", show_default=False),
    ],
    paper: Annotated[Literal["A4", "Letter"], typer.Option(help="Size of the paper.")] = "A4",
    date: Annotated[str, typer.Option(metavar="DATE", help="Date instead of the plan's.")] = "",
    prepared: Annotated[str, typer.Option(metavar="NAME", help="Who prepared it.")] = "",
    checked: Annotated[str, typer.Option(metavar="NAME", help="Who checked it.")] = "",
    approved: Annotated[str, typer.Option(metavar="NAME", help="Who approved it.")] = "",
    settings: Settings = None,
) -> None:
    """Write the results for a design review, drawings and every term included, as HTML or PDF."""


@_command
def graph(
    plan: PlanFile,
    form: Annotated[
        Literal["dot", "graphml", "mermaid"],
        typer.Option("--format", "-f", help="DOT language, GraphML, or a Mermaid flowchart."),
    ] = "dot",
    of: Annotated[
        Literal["wiring", "strings", "both"],
        typer.Option(help="The chains from port to node, the strings from HV- to HV+, or both."),
    ] = "both",
    settings: Settings = None,
    out: Out = None,
) -> None:
    """Write the network as a graph: boards, nodes, segments with length, barriers and voltages."""


@_command
def capture(
    plan: PlanFile,
    file: Annotated[str, typer.Argument(metavar="FILE", help="The capture of the wire.", show_default=False)],
    channel: Channels = None,
    form: Annotated[
        Literal["vcd", "csv"] | None,
        typer.Option("--format", "-f", help="Value change dump or rows; else as the file looks."),
    ] = None,
    trace: Annotated[
        Literal["busy", "edges"],
        typer.Option(help="Signals are active while the wire is busy, or are the line with all its edges."),
    ] = "busy",
    active: Annotated[Literal["high", "low"], typer.Option(help="Level of a busy wire.")] = "high",
    idle: Annotated[
        str | None, typer.Option(metavar="TIME", help="Pause that parts frames, else out of the plan.")
    ] = None,
    glitch: Annotated[
        str | None, typer.Option(metavar="TIME", help="Pulses below are left out, else below one bit.")
    ] = None,
    resolution: Annotated[
        str | None, typer.Option(metavar="TIME", help="Sample time of the capture, else its time step.")
    ] = None,
    clock_error: Annotated[
        str | None, typer.Option(metavar="RATIO", help="Error of the capture's clock, such as '50 ppm'.")
    ] = None,
    time_unit: Annotated[
        Literal["s", "ms", "us", "ns", "ps", "fs"] | None,
        typer.Option(help="Unit of time in rows, where their header does not name it."),
    ] = None,
    findings: Annotated[
        int,
        typer.Option(metavar="NUMBER", min=0, max=1000, help="Findings that are listed; all are counted."),
    ] = 20,
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, units in the keys.")] = False,
    settings: Settings = None,
    width: Width = None,
    out: Out = None,
) -> None:
    """Hold a capture of the wire against the plan. Exit code 0: all inside, 1: something is not."""


@_command
def study(
    study: Annotated[str, typer.Argument(metavar="STUDY", help="The study file (YAML).", show_default=False)],
    out: Annotated[
        str | None,
        typer.Option("--out", "-o", metavar="FILE", help="Write all candidates: FILE.csv or FILE.parquet."),
    ] = None,
    plot: Annotated[
        str | None, typer.Option(metavar="FILE.svg", help="Draw the first two objectives.")
    ] = None,
    workers: Workers = None,
    joblib: Annotated[
        str | None,
        typer.Option(
            metavar="BACKEND[@ADDRESS]",
            help="Run on a backend of joblib: loky, or a cluster such as dask@tcp://HOST:8786 or ray.",
        ),
    ] = None,
    width: Width = None,
    *,
    restart: Annotated[
        bool, typer.Option("--restart", help="Throw away what an interrupted run has left.")
    ] = False,
) -> None:
    """Evaluate many candidates for a plan and find the best. Exit code 1: none meets what it must."""


@_command
def start(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The plan file to write.", show_default=False)],
    *,
    modules: Annotated[int | None, typer.Option(min=1, max=200, help="Modules in each string.")] = None,
    cells: Annotated[int | None, typer.Option(min=1, max=90, help="Cells in each module.")] = None,
    strings: Annotated[int | None, typer.Option(min=1, max=100, help="Strings, a chain on each.")] = None,
    ring: Annotated[bool, typer.Option("--ring", help="Rings instead of open chains.")] = False,
    example: Annotated[str | None, typer.Option(help="An invented example, with what it includes.")] = None,
    schema: Annotated[bool, typer.Option("--schema", help="A JSON Schema for editors beside it.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")] = False,
) -> None:
    """Write a small commented plan to start from, of the size you give, or an example."""


@_command
def guide(topic: Topic = None, width: Width = None) -> None:
    """Show the guide: its pages, or the page or part with this name."""


@_command
def schema(
    of: Annotated[
        Literal["plan", "results", "comparison", "study"],
        typer.Argument(help="Of the plan or the study file, for editors, of `data` or of `compare`."),
    ] = "plan",
    out: Out = None,
) -> None:
    """Print the JSON Schema of the plan file, the results, a comparison or the study file."""


@_command
def reference(
    form: Annotated[
        Literal["text", "markdown", "man"],
        typer.Option("--format", "-f", help="Plain text, Markdown, or a page for `man`."),
    ] = "text",
    out: Out = None,
) -> None:
    """Print the whole reference: commands, options, exit codes, environment, every key of the plan file."""
