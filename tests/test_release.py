"""What a release writes: one version in every file, a changelog that is not empty; hooks that fetch nothing."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from tests.edge.runs import ROOT, tool


def test_every_file_tells_one_version() -> None:
    assert len(set(tool("make_release").versions_in(ROOT).values())) == 1


def test_a_release_moves_what_is_unreleased_under_its_version(tmp_path: Path) -> None:
    release = tool("make_release")
    for name in (*release.VERSIONED, "CHANGELOG.md"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    told = (ROOT / "CHANGELOG.md").read_text("utf-8")
    (tmp_path / "CHANGELOG.md").write_text(
        f"# Changelog\n\n{release.TOP}\n* new\n{told.partition(release.TOP)[2]}", "utf-8"
    )
    release.write_version(tmp_path, "9.1.2", "2027-02-03")
    assert set(release.versions_in(tmp_path).values()) == {"9.1.2"}
    assert "## Unreleased\n\n## 9.1.2 – 2027-02-03\n\n* new\n" in (tmp_path / "CHANGELOG.md").read_text("utf-8")
    assert "version: 9.1.2\ndate-released: 2027-02-03\n" in (tmp_path / "CITATION.cff").read_text("utf-8")
    assert tomllib.loads((tmp_path / "pyproject.toml").read_text("utf-8"))["project"]["version"] == "9.1.2"


def test_nothing_is_released_without_a_word_in_the_changelog() -> None:
    with pytest.raises(SystemExit, match="nothing to release"):
        tool("make_release").changelog_of("# Changelog\n\n## Unreleased\n\n## 0.1.0\n\n* old\n", "9.0.0", "2027-02-03")
    with pytest.raises(SystemExit, match="is no version"):
        tool("make_release").numbers("1.0")


def test_hooks_before_a_commit_are_local_and_fetch_nothing() -> None:
    text = (ROOT / ".pre-commit-config.yaml").read_text("utf-8")
    assert re.findall(r"repo: (\S+)", text) == ["local"]
    assert "http" not in text
