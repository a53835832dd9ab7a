"""Results that come in pieces: atomically, to a file and to stdout."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from chainplan.cli import files
from chainplan.cli.files import write_result

PIECES = ["{\n", '  "volts": [', "1, 2", "]\n", "}\n"]


def broken() -> Iterator[str]:
    yield from PIECES[:3]
    raise KeyboardInterrupt


@pytest.mark.parametrize("kept", [1, 1_000_000])
@pytest.mark.parametrize("out", [None, "-"])
def test_pieces_to_stdout(
    kept: int, out: str | None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(files, "KEPT", kept)
    write_result(iter([*PIECES, "µ\r\n" * 50_000]), out)
    assert capsys.readouterr().out == "".join(PIECES) + "µ\r\n" * 50_000
    with pytest.raises(KeyboardInterrupt):
        write_result(broken(), out)
    assert capsys.readouterr().out == ""


def test_pieces_to_a_file(tmp_path: Path) -> None:
    out = tmp_path / "results.json"
    write_result(iter(PIECES), str(out))
    assert out.read_bytes() == "".join(PIECES).encode()
    with pytest.raises(KeyboardInterrupt):
        write_result(broken(), str(out))
    assert out.read_bytes() == "".join(PIECES).encode()
    assert os.listdir(tmp_path) == ["results.json"]
