"""The program from its first word to its exit code; only the command that is asked for is made ready."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from copy import copy

import typer
from typer.models import CommandInfo

from chainplan.cli.app import app
from chainplan.cli.examples import STEPS_WITH_A_PLAN
from chainplan.cli.guard import PIPE_CLOSED, UNUSABLE, UserError, begin, drop_output, guarded


def main() -> None:
    """Run the command line."""
    begin()
    sys.exit(guarded(_program))  # once more around all: help screens are written before a command runs


def _program() -> int:
    every = app.registered_commands
    first = sys.argv[1] if len(sys.argv) > 1 else ""
    if first.lower().endswith((".yaml", ".yml")):
        from chainplan.plan.problems import escape

        steps = STEPS_WITH_A_PLAN.format(plan=escape(first))
        raise UserError(f"{escape(first)}: this is no command\n{steps}")
    app.registered_commands = asked_for(sys.argv[1:], every)
    try:
        app(prog_name="chainplan")
    except SystemExit as end:
        if isinstance(end.__context__, BrokenPipeError):  # of which typer and rich make a code 1
            drop_output()
            return PIPE_CLOSED
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
        is_verdict = isinstance(end.__context__, typer.Exit)  # only a command ends with a 1 of its own
        return UNUSABLE if code == 1 and not is_verdict else code
    except (KeyError, ValueError):
        if COMPLETING not in os.environ:
            raise
        raise UserError(f"{COMPLETING} is set, but not by a shell that completes a command line") from None
    finally:
        app.registered_commands = every
    return 0


def asked_for(words: Sequence[str], every: list[CommandInfo]) -> list[CommandInfo]:
    """Return the commands that a command line can need, for typer works out every option of all it is given.

    That is the one named; all where the name is none, or of the command that tells of all; and where there is
    none, all but their options.
    """
    name = next((word for word in words if not word.startswith("-")), None)
    if COMPLETING in os.environ or name == "reference":
        return every
    if name is None:
        return list(map(_listed, every))
    return [each for each in every if each.callback is not None and each.callback.__name__ == name] or every


COMPLETING = "_CHAINPLAN_COMPLETE"
"""Set by a shell that asks what a word can become."""


def _listed(command: CommandInfo) -> CommandInfo:
    """Return a command as it stands in a list, without its options."""

    def nothing() -> None: ...

    assert command.callback is not None  # every command here is a function
    nothing.__name__, nothing.__doc__ = command.callback.__name__, command.callback.__doc__
    listed = copy(command)
    listed.callback = nothing
    return listed
