"""The reference holds every command, option and key there is; help screens end with examples that work."""

from __future__ import annotations

import glob
import os
import re
import shlex
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt
from typer.main import get_command
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.cli.examples import EVERY_COMMAND, EXAMPLES, EXIT_CODES
from chainplan.cli.reference import ENVIRONMENT, manual_of
from chainplan.evaluation import kinds
from chainplan.plan.editor_schema import plan_schema
from chainplan.plan.model import Plan
from chainplan.plan.starter import STARTER
from chainplan.report.manual import (
    Block,
    Manual,
    ManualHeading,
    ManualLines,
    ManualParagraph,
    ManualTerm,
    manual_markdown,
    manual_roff,
    manual_text,
)
from chainplan.report.plan_keys import file_parts

PROGRAM: Any = get_command(app)
FORMS = {"text": manual_text, "markdown": manual_markdown, "man": manual_roff}


@cache
def manual() -> Manual:
    return manual_of(PROGRAM, "1.2.3")


def chapter(heading: str) -> list[Block]:
    """Return the blocks from a heading to the next one."""
    blocks = list(manual().blocks)
    start = next(
        index for index, each in enumerate(blocks) if isinstance(each, ManualHeading) and each[0] == heading
    )
    found: list[Block] = []
    for block in blocks[start + 1 :]:
        if isinstance(block, ManualHeading):
            break
        found.append(block)
    return found


def terms(blocks: list[Block]) -> list[str]:
    return [block.term for block in blocks if isinstance(block, ManualTerm)]


def test_every_figure_is_in_it_with_its_meaning() -> None:
    blocks = list(manual().blocks)
    terms = {
        each.term: each.text
        for each in blocks[blocks.index(ManualHeading("Figures")) :]
        if isinstance(each, ManualTerm)
    }
    for kind in kinds():
        assert terms[kind.name].startswith(kind.meaning)
        assert len(kind.meaning) > 20
        assert (f"targets.{kind.target}," in terms[kind.name]) == bool(kind.target)
    assert terms["scan time"].endswith("In s, for each controller. Target: targets.scan_time, at most.")


@pytest.mark.parametrize("name", PROGRAM.commands)
def test_every_command_is_there_with_every_option(name: str) -> None:
    command = PROGRAM.commands[name]
    found = chapter(f"chainplan {name}")
    assert ManualParagraph(" ".join(command.help.split())) in found
    words = {word for term in terms(found) for word in re.split(r"[, ]+", term)}
    for parameter in command.params:
        if parameter.param_type_name == "option":
            assert {*parameter.opts, *parameter.secondary_opts} <= words
        else:
            assert any((parameter.metavar or parameter.name).upper() in term for term in terms(found))
        assert parameter.help, f"{name} {parameter.name} has no words"
    assert "--help" in words


@pytest.mark.parametrize("name", PROGRAM.commands)
def test_every_command_has_examples_and_exit_codes_on_its_help_screen(name: str) -> None:
    assert EXIT_CODES[name][0]
    run = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"})
    assert run.exit_code == 0
    lines = run.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    for example in EXAMPLES[name]:
        assert f"   {example.line}" in [line.rstrip() for line in lines], (
            "it stands on one line, to be copied"
        )
    assert "Exit codes: 0 " in run.stdout


def test_every_command_has_words_for_its_help_screen() -> None:
    assert set(EXAMPLES) == set(EXIT_CODES) >= set(PROGRAM.commands)


SLOW = (
    r"--reach",
    r"--seeds",
    r"\.pdf$",
    r"^chainplan tolerances plan\.yaml$",
    r"^chainplan (simulate|study|capture|report) ",
)
"""Examples that take seconds or files of their own: their words are checked here, other tests run them."""

BEFORE_AFTER = ("before.yaml", "after.yaml")


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_work(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plans").mkdir()
    for file in ("plan.yaml", "plans/a.yaml", "plans/b.yaml", "a.yaml", "b.yaml", "c.yaml", *BEFORE_AFTER):
        Path(file).write_text(STARTER, encoding="utf-8")
    for example in EXAMPLES[name]:
        assert example.purpose
        program, command, *words = shlex.split(re.split(r" [|>] ", example.line)[0])
        assert (program, command) == ("chainplan", name)
        known = {option for each in PROGRAM.commands[name].params for option in each.opts}
        assert {word for word in words if word.startswith("-") and len(word) > 1} <= known
        if name == "start":
            Path("plan.yaml").unlink()
        if not any(re.search(slow, example.line) for slow in SLOW):
            arguments = [file for word in words for file in sorted(glob.glob(word)) or [word]]
            run = CliRunner().invoke(app, [name, *arguments])
            assert run.exit_code == 0, (example.line, run.stderr)


def test_every_key_of_the_plan_is_there() -> None:
    schema = plan_schema()
    parts = [part for part in (schema, *schema["$defs"].values()) if "properties" in part]
    of_schema = sorted(sorted(part["properties"]) for part in parts if set(part["properties"]) - ENDS)
    assert of_schema == sorted(sorted(key.name for key in part.keys) for part in file_parts(Plan, "the plan"))
    for part in file_parts(Plan, "the plan"):
        found = chapter(part.places[0])
        assert terms(found) == [key.name for key in part.keys]
        assert all(block.text.strip(". ") for block in found if isinstance(block, ManualTerm))


ENDS = {"min", "typical", "nominal", "max"}
"""Keys of a quantity's ends, which are no part of the plan."""


def test_environment_exit_codes_units_and_cautions_are_there() -> None:
    assert terms(chapter("Environment")) == list(ENVIRONMENT)
    assert list(map(str, EVERY_COMMAND)) == terms(chapter("Exit codes"))
    assert "bit rate" in terms(chapter("Units"))
    assert "Danger of death" in str(chapter("Cautions"))


def flat(text: str) -> str:
    return " ".join(text.split())


def test_markdown_shows_the_manual_as_it_is() -> None:
    tokens = MarkdownIt("commonmark").parse(manual_markdown(manual()))
    shown = [
        flat("".join(child.content for child in token.children or ()))
        for token in tokens
        if token.type == "inline"
    ]
    headings = [shown_ for token, shown_ in zip(inline_parents(tokens), shown, strict=True) if token == "h"]
    assert headings == ["chainplan 1.2.3", *(b.text for b in manual().blocks if isinstance(b, ManualHeading))]
    for block in manual().blocks:
        if isinstance(block, ManualTerm):
            assert flat(f"{block.term}: {block.text}") in shown
        elif isinstance(block, ManualParagraph):
            assert flat(block.text) in shown
        elif isinstance(block, ManualLines):
            assert any(token.content == "\n".join(block.lines) + "\n" for token in tokens)


def inline_parents(tokens: list[Any]) -> list[str]:
    return [tokens[index - 1].tag[0] for index, token in enumerate(tokens) if token.type == "inline"]


def test_plain_text_is_80_columns_wide_and_whole() -> None:
    text = manual_text(manual())
    assert max(map(len, text.splitlines())) <= 80
    words = flat(text)
    for block in manual().blocks:
        if not isinstance(block, (ManualHeading, ManualLines)):
            assert flat(block[-1]) in words


ODD = Manual(
    "odd",
    "1",
    ".summary",
    (
        ManualHeading(".head 'x'"),
        ManualParagraph(".TH looks like a request"),
        ManualParagraph("'so does this \\n \\fB"),
        ManualTerm("-o, --out", "naïve ± – \"quoted\" ~^` 'single'"),
        ManualLines((".SH", "  'x' --y")),
        ManualTerm(".", ""),
    ),
)


def roff_output(text: str) -> str:
    done = subprocess.run(
        ["groff", "-man", "-Kutf8", "-Tutf8", "-P-c", "-ww", "-rLL=80n"],
        input=text,
        capture_output=True,
        check=True,
        text=True,
        timeout=60,
    )
    assert done.stderr == ""
    return re.sub(".\b|\x1b\\[[0-9;]*m", "", done.stdout)


@pytest.mark.skipif(shutil.which("groff") is None, reason="groff is not installed")
def test_the_man_page_is_set_without_a_warning_and_whole() -> None:
    page = flat(roff_output(manual_roff(manual())))
    for block in manual().blocks:
        if isinstance(block, ManualTerm):
            assert flat(block.term) in page
        if isinstance(block, (ManualTerm, ManualParagraph)):
            assert flat(block[-1]) in page
    odd = roff_output(manual_roff(ODD))
    for words in (".TH looks like a request", "'so does this \\n \\fB", "naïve ± – \"quoted\" ~^` 'single'"):
        assert words in odd
    assert ".SH\n" in odd
    assert "'x' --y" in odd


def test_the_man_page_is_ascii() -> None:
    assert manual_roff(manual()).isascii()
    assert manual_roff(ODD).isascii()


@pytest.mark.parametrize("form", FORMS)
def test_the_command_writes_each_format(form: str, tmp_path: Path) -> None:
    shown = CliRunner().invoke(app, ["reference", "--format", form])
    written = CliRunner().invoke(app, ["reference", "-f", form, "-o", str(tmp_path / "x")])
    assert (shown.exit_code, written.exit_code, written.stdout) == (0, 0, "")
    assert (tmp_path / "x").read_text(encoding="utf-8") == shown.stdout


def completed(words: str, position: int) -> tuple[set[str], set[str]]:
    """Return what the completion of bash offers, and the modules that it took."""
    code = (
        "import sys\n"
        "sys.argv = ['chainplan']\n"
        "from chainplan.cli.program import main\n"
        "try:\n    main()\nfinally:\n    sys.stderr.write(' '.join(sys.modules))\n"
    )
    asked = {"_CHAINPLAN_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(position)}
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=Path(__file__).parents[2],
        env={**os.environ, **asked},
        capture_output=True,
        check=False,
        text=True,
        timeout=60,
    )
    return set(done.stdout.split()), set(done.stderr.split())


def test_the_shell_completes_commands_and_choices_and_loads_no_planner_for_it() -> None:
    commands, modules = completed("chainplan gr", 1)
    assert commands == {"graph"}
    assert not modules & {"chainplan.evaluation", "chainplan.plan", "networkx", "yaml"}
    assert completed("chainplan graph plan.yaml --format ", 4)[0] == {"dot", "graphml", "mermaid"}
    assert completed("chainplan report plan.yaml --section s", 4)[0] == {
        "scan",
        "slots",
        "single",
        "sample",
        "start-up",
        "self-consumption",
    }


def test_the_version_is_told() -> None:
    import chainplan

    run = CliRunner().invoke(app, ["--version"])
    assert (run.exit_code, run.stdout) == (0, f"chainplan {chainplan.__version__}\n")
