"""The help reads as a map and names units; the TAB key loads little and answers with the right words."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from combust.edge.cli.main import COMMANDS, MAP
from tests.edge.runs import ROOT, call, tool

pytestmark = pytest.mark.regression

LONGEST = 3.0  # what one press of TAB loads, in times of what numpy loads
PROFILE = str(ROOT / "data" / "heaters" / "heater-0312.toml")
UNITS = {"M", "MM", "S", "C", "HPA", "PA", "PCT", "PPM", "V", "KW", "L/H", "K/MIN", "RPM", "HZ", "ML", "MIN", "A", "W",
         "MOHM", "MM2", "AH", "H"}  # fmt: skip


LEAVES = tool("make_docs").leaves()


def test_the_map_groups_every_command_by_what_the_person_does() -> None:
    text = call("--help").out
    assert [line.rstrip(":") for line in text.splitlines() if line.rstrip(":") in MAP] == list(MAP)
    for name, (_, line) in COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(line)}$", text, re.MULTILINE)
    assert max(map(len, text.splitlines())) <= 110
    assert "combust reading --fuel diesel" in text


@pytest.mark.parametrize("path", LEAVES)
def test_each_help_shows_an_example_and_fits_the_width(path: str) -> None:
    text = call(*path.split(), "--help").out
    assert re.search(r"^ +combust \w", text, re.MULTILINE), "no example"
    assert max(map(len, text.splitlines())) <= 122  # an example line is not broken
    if " " not in path:
        assert re.search(r"^  Next: combust (\w+|--help)", text, re.MULTILINE), "names no next command"


@pytest.mark.parametrize("path", LEAVES)
def test_each_option_with_a_unit_says_it(path: str) -> None:
    for param in LEAVES[path].params:
        if isinstance(param, click.Option) and not param.hidden and param.metavar in UNITS:
            assert re.search(r"\[[^\]]+\]", param.help or ""), (param.opts, param.help)


def tab(line: str, *, shell: str = "bash", cwd: Path | None = None) -> list[str]:
    """Press TAB at the end of a line: click's own protocol, in a process of its own as the shell does it."""
    words = line.split(" ")
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "_COMBUST_COMPLETE": f"{shell}_complete"}
    environment |= {"COMP_WORDS": line, "COMP_CWORD": str(len(words) - 1)}
    code = "import sys; from combust.edge.cli.main import main; sys.argv[0] = 'combust'; main()"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, cwd=cwd or ROOT, check=False
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done.stdout.split()


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("combust re", {"plain,reading", "plain,readings"}),
        ("combust reading --co2", {"plain,--co2-dry", "plain,--co2-origin", "plain,--co2-wet"}),
        ("combust reading --fuel die", {"plain,diesel", "plain,diesel_b0", "plain,diesel_b7"}),
        ("combust reading --location ", {"plain,outdoors", "plain,indoors"}),
        (f"combust cause --heater {PROFILE} --stage ", {"plain,high", "plain,low"}),
        ("combust cause --heater data/hea", {"file,data/hea"}),
        ("combust mystery play c.json --take port", {"plain,port_pressures"}),
        ("combust mystery de", {"plain,deal"}),
        ("combust fleet --out ", {"dir,"}),
        ("combust start --pump p", {"plain,pulsing"}),
        ("combust supply --fed after", {"plain,after_disconnect"}),
        ("combust word pair_im", {"plain,pair_impossible"}),
        ("combust visit enter w.book terminals ", {"plain,clear", "plain,intake_blocked"}),
        ("combust visit enter w.book o2 8.2 flu", {"plain,flue", "plain,flue_temp_c"}),
        ("combust start data/hea", {"file,data/hea"}),
        ("combust nothing_of_ours ", set()),
    ],
)
def test_tab_offers_the_right_words(line: str, wanted: set[str]) -> None:
    found = set(tab(line))
    assert wanted <= found
    typed = line.split(" ")[-1]
    assert all(word.partition(",")[2].startswith(typed) for word in found)


def last_line(code: str, **more: str) -> tuple[str, str]:
    """Return all that a piece of code prints in a process of its own, and the last line of it."""
    told = subprocess.run([sys.executable, "-c", code], env=os.environ | more, capture_output=True, text=True).stdout
    return told, told.rstrip().splitlines()[-1]


def test_tab_loads_little_and_nothing_heavy() -> None:
    """Told in the modules that numpy loads, the same on a busy machine: the time is in ``make bench``, start."""
    code = (
        "import sys; from combust.edge.cli.main import main; sys.argv[0] = 'combust'\n"
        "heavy = ('pandas', 'matplotlib', 'pyarrow', 'scipy')\n"
        "try: main()\n"
        "finally: print(len(sys.modules), [name for name in heavy if name in sys.modules])"
    )
    line = {
        "_COMBUST_COMPLETE": "bash_complete",
        "COMP_CWORD": "4",
        "COMP_WORDS": f"combust cause --heater {PROFILE} --",
    }
    told, ended = last_line(code, PYTHONPATH=str(ROOT), **line)
    assert "--o2-dry" in told
    loaded, _, heavy = ended.partition(" ")
    assert heavy == "[]"
    measure = int(last_line("import sys, numpy; print(len(sys.modules))")[1])
    assert int(loaded) < LONGEST * measure, (loaded, measure)


@pytest.mark.parametrize(
    ("shell", "word"), [("bash", "complete -o"), ("zsh", "compdef"), ("fish", "complete --no-files")]
)
def test_each_shell_gets_its_lines(shell: str, word: str) -> None:
    run = call("completion", shell)
    assert run.code == 0
    assert word in run.out
    assert "_COMBUST_COMPLETE" in run.out
    if shutil.which(shell):
        checked = subprocess.run([shell, "-n"], input=run.out, text=True, capture_output=True, check=False)
        assert checked.returncode == 0, checked.stderr


def test_bash_itself_completes(tmp_path: Path) -> None:
    """The printed lines, read by a real bash, fill COMPREPLY."""
    (tmp_path / "combust").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m combust "$@"\n', encoding="utf-8")
    (tmp_path / "combust").chmod(0o755)
    (tmp_path / "lines").write_text(call("completion", "bash").out, encoding="utf-8")
    script = (
        f". {tmp_path}/lines; COMP_WORDS=(combust reading --location o); COMP_CWORD=3; "
        '_combust_completion combust; printf "%s\\n" "${COMPREPLY[@]}"'
    )
    environment = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(["bash", "-c", script], env=environment, capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["outdoors"], done.stderr
