"""The slot table: rows that any reader of RFC 4180 reads, and a header that a C compiler agrees with."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
from math import ceil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import plans
from typer.testing import CliRunner

from chainplan.cli.app import app
from chainplan.evaluation import Evaluation
from chainplan.exports.header import slots_header
from chainplan.exports.names import Names, comment, identifier
from chainplan.exports.slot_data import COLUMNS, slots_csv, slots_data
from chainplan.exports.slots import slot_table
from chainplan.figures.terms import Case
from chainplan.plan.load import load_plan
from chainplan.plan.model import Plan

CONFIGS = Path(__file__).parents[2] / "configs"
EXAMPLES = sorted(path.stem for path in CONFIGS.glob("*.yaml"))

COMPILER = shutil.which("cc") or shutil.which("gcc")

# Keywords of C11 (6.4.1) in ISO/IEC 9899:2011, from memory.
KEYWORDS = """
auto break case char const continue default do double else enum extern float for goto if inline int long
register restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
_Alignas _Alignof _Atomic _Bool _Complex _Generic _Imaginary _Noreturn _Static_assert _Thread_local
"""

FIELDS = (
    "start_worst_ns end_worst_ns start_typical_ns end_typical_ns "
    "exchanges frames sent_byte received_byte wire_bit"
)


def tables_of(plan: Plan) -> list[Any]:
    return [slot_table(scan) for scan in Evaluation(plan).scans.values()]


@settings(max_examples=15)
@given(plans())
def test_rows_are_the_budgets_slots_rounded_up_to_ns(plan: Plan) -> None:
    (scan,) = Evaluation(plan).scans.values()
    rows = list(csv.DictReader(io.StringIO(slots_csv([slot_table(scan)]), newline="")))
    expected = [
        (number, long, usual)
        for number in range(scan.phases.major_cycle)
        for long, usual in zip(scan.slots(number), scan.slots(number, Case.TYPICAL), strict=True)
    ]
    assert len(rows) == len(expected)
    for row, (number, long, usual) in zip(rows, expected, strict=True):
        assert (int(row["scan"]), row["task"]) == (number, long.task)
        exact = (long.start, long.end, usual.start, usual.end)
        assert [int(row[name]) for name in FIELDS.split()[:4]] == [ceil(time / 10**6) for time in exact]


def test_rows_keep_to_the_form_of_rfc_4180() -> None:
    plan = load_plan(CONFIGS / "mine-locomotive.yaml").plan
    text = slots_csv(tables_of(plan))
    lines = text.split("\r\n")
    assert lines[0] == ",".join(COLUMNS)
    assert lines[-1] == ""
    assert "\n" not in text.replace("\r\n", "")
    assert {line.count(",") for line in lines[:-1]} == {len(COLUMNS) - 1}


def test_frames_and_bytes_by_hand() -> None:
    # The trolley: a broadcast trigger and sequential reads of four nodes, one request and four answers each.
    plan = load_plan(CONFIGS / "rail-trolley.yaml").plan
    (table,) = tables_of(plan)
    (scan,) = Evaluation(plan).scans.values()
    for task, work in zip(table.tasks, scan.works, strict=True):
        triggers = sum(map(len, work.triggers.values()))
        reads = [each for reads in work.reads.values() for each in reads]
        answers = [each.answers for each in reads if each.answers]
        assert task.exchanges == triggers + len(reads)
        assert task.frames == triggers + len(reads) + 4 * len(answers)
        assert task.received == sum(bits // 8 for each in answers for bits in each)


# The header, as a compiler reads it.


def program(header: str, data: dict[str, Any]) -> str:
    """Return a program that prints every constant of the header, then every slot."""
    defined = re.findall(r"^#define (\w+) UINT(\d\d)_C", header, flags=re.MULTILINE)
    lines = [f'printf("{name} %" PRIu{bits} "\\n", {name});' for name, bits in defined]
    kind = "PRIu64" if "uint64_t" in header else "PRIu32"
    for array, size in re.findall(r"chainplan_slot (\w+)\[(\d+)\]", header):
        words = len(data["controllers"][0]["ports"]) // 33 + 1
        fields = ['printf("%" PRIu32 " %" PRIu32, s->scan, s->task);']
        fields += [f'printf(" %" {kind}, s->{name});' for name in FIELDS.split()]
        fields += [f'printf(" %" PRIu32, s->ports[{word}]);' for word in range(words)]
        loop = f"for (const struct chainplan_slot *s = {array}; s < {array} + {size}; s++)"
        lines.append(f'{loop} {{ {" ".join(fields)} printf("\\n"); }}')
    body = "\n    ".join(lines)
    return (
        '#include <inttypes.h>\n#include <stdio.h>\n#include "slots.h"\n#include "slots.h"\n\n'
        f"int main(void) {{\n    {body}\n    return 0;\n}}\n"
    )


def compiled(header: str, data: dict[str, Any], directory: Path) -> list[list[str]]:
    """Compile the header strictly and return the words that the program prints, line by line."""
    if COMPILER is None:
        pytest.skip("no C compiler on this machine")
    (directory / "slots.h").write_text(header, encoding="ascii")
    (directory / "main.c").write_text(program(header, data), encoding="ascii")
    strict = ["-std=c11", "-Wall", "-Wextra", "-Werror", "-pedantic"]
    subprocess.run([COMPILER, *strict, "main.c", "-o", "main"], cwd=directory, check=True)
    ran = subprocess.run(["./main"], cwd=directory, check=True, capture_output=True, text=True)
    return [line.split() for line in ran.stdout.splitlines()]


def compare(printed: list[list[str]], data: dict[str, Any]) -> None:
    """Hold what the program printed against the data of one controller."""
    (controller,) = data["controllers"]
    constants = {words[0]: int(words[1]) for words in printed if len(words) == 2}
    slots = [tuple(map(int, words)) for words in printed if len(words) > 2]
    names = [task["task"] for task in controller["tasks"]]
    wanted = []
    for slot in controller["slots"]:
        mask = sum(2 ** controller["ports"].index(port) for port in slot["ports"])
        words = [mask >> 32 * word & 0xFFFFFFFF for word in range(len(controller["ports"]) // 33 + 1)]
        figures = (slot[name] for name in FIELDS.split())
        wanted.append((slot["scan"], names.index(slot["task"]), *figures, *words))
    assert slots == wanted

    def constant(ending: str) -> list[int]:
        return [value for name, value in constants.items() if name.endswith(ending)]

    assert constant("_SCAN_PERIOD_NS") == [controller["scan_period_typical_ns"]]
    assert constant("_BUSIEST_SLOTS_NS") == [controller["busiest_slots_worst_ns"]]
    assert constant("_RETRY_RESERVE_NS") == [controller["retry_reserve_ns"]]
    assert constant("_MAJOR_CYCLE_SCANS") == [controller["major_cycle_scans"]]
    assert constant("_SLOTS") == [len(controller["slots"])]
    for ending, key in (
        ("_EVERY_SCANS", "every_scans"),
        ("_PHASE_SCANS", "phase_scans"),
        ("_WORST_NS", "worst_ns"),
        ("_TYPICAL_NS", "typical_ns"),
        ("_WAIT_NS", "conversion_wait_ns"),
        ("_LONGEST_BYTE", "longest_frame_byte"),
    ):
        assert constant(ending) == [task[key] for task in controller["tasks"]], ending


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_compiled_header_says_what_the_json_says(name: str, tmp_path: Path) -> None:
    file = str(CONFIGS / f"{name}.yaml")
    plan = load_plan(file).plan
    first = next(iter(plan.controllers))
    first = next(iter(Evaluation(plan).scans)) if first not in Evaluation(plan).scans else first
    out = {}
    for form in ("header", "json"):
        result = CliRunner().invoke(app, ["slots", file, "--controller", first, "--format", form])
        assert result.exit_code == 0, result.output
        out[form] = result.stdout
    data = json.loads(out["json"])
    assert any("lethal DC voltage" in caution for caution in data["cautions"])
    assert "lethal DC voltage" in " ".join(out["header"].replace("\n * ", " ").split())
    compare(compiled(out["header"], data, tmp_path), data)


def test_hostile_names_and_times_beyond_32_bits_still_compile(tmp_path: Path) -> None:
    tables = tables_of(load_plan(CONFIGS / "quarry-truck.yaml").plan)[:1]
    names = ["int", "Int", "größe */ 1", "groesse", "电压 ??/", "__x__", "a" * 100, "a" * 99 + "b"]
    tasks = tables[0].tasks
    long = tasks[0]._replace(worst=10**10, typical=5 * 10**9)
    tasks = (long, *tasks[1:])
    tasks = tuple(task._replace(name=name) for task, name in zip(tasks, names, strict=False))
    ports = tuple(f"9 c:{number}" for number in range(40))
    table = tables[0]._replace(controller="9 c\u202e", tasks=tasks, ports=ports)
    title = 'Title */ #error "no" /* ??/\n\\'
    header = slots_header([table], title, "1 */", ["remark $end */"])
    assert header.isascii()
    data = slots_data([table], {})
    printed = compiled(header, data, tmp_path)
    constants = {words[0] for words in printed if len(words) == 2}
    assert len(constants) == len({name[:63] for name in constants})
    slots = [list(map(int, words)) for words in printed if len(words) > 2]
    assert [slot[2] for slot in slots] == [slot["start_worst_ns"] for slot in data["controllers"][0]["slots"]]


def test_a_controller_without_tasks_compiles(tmp_path: Path) -> None:
    table = tables_of(load_plan(CONFIGS / "rail-trolley.yaml").plan)[0]._replace(tasks=(), slots=())
    data = slots_data([table], {})
    compare(compiled(slots_header([table], "t", "-", []), data, tmp_path), data)


@given(st.lists(st.text(), max_size=8))
def test_names_are_identifiers_and_no_two_alike(texts: list[str]) -> None:
    names = Names(20)
    found = [names.unique(f"A_{identifier(text)}") for text in texts]
    assert len({name.upper() for name in found}) == len(texts)
    for name in found:
        assert re.fullmatch(r"[A-Za-z](_?[A-Za-z0-9])*", name), name
        assert len(name) <= 20
        assert name not in KEYWORDS.split()


@given(st.text(alphabet="*/?$end \n\\x\u202e"))
def test_a_comment_ends_nothing(text: str) -> None:
    safe = comment(text)
    assert safe.isascii()
    assert safe.isprintable()
    assert not any(sign in safe for sign in ("*/", "/*", "??", "$end"))


def test_a_major_cycle_of_thousands_of_scans_is_written_whole() -> None:
    file = str(CONFIGS / "rail-trolley.yaml")
    settings = ["--with", "tasks.open wire.every=5000"]
    result = CliRunner().invoke(app, ["slots", file, "--format", "json", *settings])
    assert result.exit_code == 0, result.output
    (controller,) = json.loads(result.stdout)["controllers"]
    assert {slot["scan"] for slot in controller["slots"]} == set(range(5000))


def test_an_unknown_controller_is_refused_with_the_nearest() -> None:
    file = str(CONFIGS / "quarry-truck.yaml")
    result = CliRunner().invoke(app, ["slots", file, "--controller", "reader1"])
    assert result.exit_code == 2
    assert "did you mean: reader-1" in result.stderr
    assert result.stdout == ""
