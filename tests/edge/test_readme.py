"""The README as a newcomer meets it: every command is run in order, and the lines it prints really come."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from tests.edge.runs import ROOT, tool

pytestmark = pytest.mark.regression

TOUR = tool("readme_tour")
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = TOUR.blocks_of(TEXT)
TOURS = ("service engineer", "fleet planner", "trainer")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copied tree with an empty output folder, shared by the sections as by a reader."""
    return TOUR.copied_tree(tmp_path_factory.mktemp("readme"))


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An environment in which combust and python are the ones under test."""
    place = tmp_path_factory.mktemp("bin")
    for name, call in (("combust", "-m combust"), ("python", "")):
        script = place / name
        script.write_text(f'#!/bin/sh\nexec "{sys.executable}" {call} "$@"\n', encoding="utf-8")
        script.chmod(0o755)
    return {**TOUR.environment_of(place), "PYTHONPATH": str(ROOT)}


@pytest.mark.parametrize("block", BLOCKS, ids=[f"line {block.line}" for block in BLOCKS])
def test_each_block_runs_and_prints_what_is_quoted(block, folder: Path, environment: dict[str, str]) -> None:
    wrong = TOUR.run_block(block, folder, environment)
    assert not wrong, "\n".join(wrong)


def test_each_of_the_three_users_has_a_tour_with_output_to_recognise() -> None:
    for user in TOURS:
        mine = [block for block in BLOCKS if user in block.heading]
        assert len(mine) >= 3, user
        assert sum(len(block.quoted) for block in mine) >= 3, user
    assert any(block.kind == "python" and block.quoted for block in BLOCKS)
    assert len(TEXT.splitlines()) <= 275
    assert '"no stop condition found in what was entered"' in " ".join(TEXT.replace("\n> ", " ").split())


def test_the_engineers_visit_is_twelve_short_lines_at_most_from_opening_to_the_printed_page() -> None:
    (text,) = [part.split("```")[0] for part in TEXT.split("```sh\n")[1:] if "--visit-id V017 --out" in part]
    lines = text.strip().splitlines()
    assert (lines[0].split()[:3], lines[-1].split()[:3]) == (["combust", "visit", "day"], ["combust", "visit", "print"])
    assert len(lines) <= 12
    assert max(map(len, lines)) <= 120


def test_a_quoted_line_that_does_not_come_is_told(folder: Path) -> None:
    """The comparison itself can fail: a number off by one, and a command that is not refused as it says."""
    text = "# T\n```sh\necho 'lambda   1.60'\nfalse\ntrue # refused: exit code 3\n```\n"
    text += "```text\nlambda 1.60\nlambda 1.61\n```\n"
    wrong = TOUR.run_block(TOUR.blocks_of(text)[0], folder, dict(os.environ))
    assert len(wrong) == 3
    assert "lambda 1.61" in wrong[-1]


def test_files_and_links_named_in_the_readme_are_there() -> None:
    for name in ("docs/commands.md", "docs/glossary.md", "docs/errors.md", "DEVELOPERS.md", "CHANGELOG.md"):
        assert f"]({name})" in TEXT
        assert (ROOT / name).is_file()


def test_the_long_description_of_the_package_leads_to_nothing_that_only_the_repository_has() -> None:
    """In a wheel a relative picture or link leads nowhere; all else of the README stays, and no host is named."""
    told = tool("long_description").without_neighbours(TEXT)
    assert "](" not in told
    assert "http" not in told
    assert [block.text for block in TOUR.blocks_of(told)] == [block.text for block in BLOCKS]
    assert "command, word, table of a fleet, refusal." in told
