"""The files of a table: the input is never overwritten, and a file that cannot be is refused before the work."""

from __future__ import annotations

from pathlib import Path

import pytest

from combust.data.errors import CombustError
from combust.edge.tables.readings import interpret_file
from tests.edge.runs import says_all
from tests.edge.test_tables import TWO


@pytest.mark.parametrize("name", ["in.csv", "./in.csv", "link.csv"])
def test_the_input_is_never_overwritten(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in.csv").write_bytes(TWO)
    (tmp_path / "link.csv").symlink_to("in.csv")
    with pytest.raises(CombustError, match="is the input"):
        interpret_file(tmp_path / "in.csv", name)
    with pytest.raises(CombustError, match="is the input"):
        interpret_file(tmp_path / "in.csv", "fine.csv", rejects=name)
    with pytest.raises(CombustError, match="is to be written twice"):
        interpret_file(tmp_path / "in.csv", "fine.csv", rejects="./fine.csv")
    assert (tmp_path / "in.csv").read_bytes() == TWO


@pytest.mark.parametrize("out", ["", ".", "folder", "file/below.csv", "nul\0l.csv"])
def test_an_output_that_cannot_be_is_refused_before_the_work(tmp_path: Path, out: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("kept")
    (tmp_path / "in.csv").write_bytes(TWO)
    with pytest.raises(CombustError) as refused:
        interpret_file(tmp_path / "in.csv", str(tmp_path / out) if out else "")
    says_all(str(refused.value))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder", "in.csv"]


@pytest.mark.parametrize("name", ["gone.csv", ".", "nul\0l.csv"])
def test_an_input_that_cannot_be_read_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(CombustError) as refused:
        interpret_file(tmp_path / name, tmp_path / "out.csv")
    says_all(str(refused.value))
