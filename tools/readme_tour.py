"""Run every command of the README in order and compare the lines of output that it quotes.

A ```sh or ```python block is run; the lines of a ```text block after it must come out of it, blanks squeezed. A command
that is refused on purpose says so: ``# refused: exit code 3``. Lines that begin with make or .venv/bin are not run here.

python tools/readme_tour.py          in a copied tree, with the combust of this environment
python tools/readme_tour.py --fresh  clones the repository, runs make demo, then the tours with that environment
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).parents[1]
NOT_HERE = ("make ", ".venv/bin/")
PAGE = "http://127.0.0.1:8432/"


@dataclass
class Block:
    """A block of code with its kind, its place in the README and the output quoted after it."""

    kind: str
    heading: str
    line: int
    text: str
    quoted: list[str] = field(default_factory=list)


def blocks_of(text: str) -> list[Block]:
    """Return the sh and python blocks of a page, each with the text blocks that follow it."""
    found: list[Block] = []
    heading, kind, start, lines = "", None, 0, []
    for number, line in enumerate(text.splitlines(), 1):
        if kind is None and line.startswith("#"):
            heading = line.lstrip("# ")
        elif kind is None and line.startswith("```"):
            kind, start, lines = line[3:].strip(), number, []
        elif kind is not None and line.startswith("```"):
            if kind == "text":
                found[-1].quoted += [each for each in lines if each.strip()]
            else:
                found.append(Block(kind, heading, start, "\n".join(lines)))
            kind = None
        elif kind is not None:
            lines.append(line)
    return found


def commands_of(block: Block) -> Iterator[tuple[str, int]]:
    """Return (command, exit code expected) of each command of a block that can be run here."""
    if block.kind == "python":
        yield f"python - <<'END'\n{block.text}\nEND", 0
        return
    for line in block.text.replace("\\\n", " ").splitlines():
        refused = re.search(r"#\s*refused: exit code (\d+)", line)
        if line.strip() and not line.startswith(NOT_HERE):
            yield line, int(refused[1]) if refused else 0


def squeezed(text: str) -> str:
    """Return a text with every run of blanks as one."""
    return re.sub(r"\s+", " ", text).strip()


def run_block(block: Block, folder: Path, environment: Mapping[str, str]) -> list[str]:
    """Run the commands of a block; return what went wrong, in words."""
    told, wrong = "", []
    for command, expected in commands_of(block):
        done = subprocess.run(
            ["bash", "-c", command], cwd=folder, env=dict(environment), capture_output=True, text=True, check=False
        )
        told += done.stdout + done.stderr
        if done.returncode != expected or "Traceback" in done.stderr:
            wrong.append(
                f"README line {block.line}: code {done.returncode}, not {expected}: {command}\n{done.stderr[-800:]}"
            )
    if not told:
        return wrong
    lines = [squeezed(line) for line in told.splitlines()]
    missing = [each for each in block.quoted if not any(squeezed(each) in line for line in lines)]
    return wrong + [f"README line {block.line}: this line does not come: {each}" for each in missing]


def copied_tree(target: Path) -> Path:
    """Copy what a user's commands read into a fresh folder with an empty output folder."""
    shutil.copytree(ROOT / "data", target / "data")
    (target / "output").mkdir()
    return target


def run_all(folder: Path, environment: Mapping[str, str], *, only: str = "") -> list[str]:
    """Run the blocks of the README (of one section) in order; return what went wrong."""
    wrong = []
    for block in blocks_of((ROOT / "README.md").read_text(encoding="utf-8")):
        if only in block.heading:
            begun = time.monotonic()
            wrong += run_block(block, folder, environment)
            print(f"line {block.line:>3}  {time.monotonic() - begun:5.1f} s  {block.heading}", flush=True)
    return wrong


def environment_of(bin_folder: Path) -> dict[str, str]:
    """Return the environment in which ``combust`` and ``python`` are those of a folder."""
    return {**os.environ, "PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}"}


def fresh() -> list[str]:
    """Clone into a temporary folder, make demo, run the tours bare, then what needs an extra."""
    with tempfile.TemporaryDirectory(prefix="combust-tours-") as place:
        clone = Path(place) / "combust"
        _step("git", "clone", "--quiet", str(ROOT), str(clone), cwd=ROOT)
        _step("make", "demo", cwd=clone)
        environment = environment_of(clone / ".venv" / "bin")
        wrong = run_all(clone, environment)
        _step(str(clone / ".venv" / "bin" / "pip"), "install", "--quiet", "-e", ".[scale]", cwd=clone)
        wrong += run_all(clone, environment, only="fleet planner")
        tables = [f"--{name}=data/larkfell_fleet/{name}.csv" for name in ("vehicles", "sites")]
        _step(str(clone / ".venv/bin/combust"), "fleet", *tables, "--max-moves=20", "--out=output/moved", cwd=clone)
        plan = (clone / "output" / "moved" / "plan.html").read_text(encoding="utf-8")
        wrong += [] if "proved the best" in plan else ["With the extra the plan holds no assignment of vehicles."]
        return wrong + _page_answers(clone)


def _page_answers(clone: Path) -> list[str]:
    """Run ``make page`` until the page answers, then end it as Ctrl-C does."""
    _step("make", ".venv/.page", cwd=clone)
    page = subprocess.Popen([str(clone / ".venv" / "bin" / "combust"), "page"], cwd=clone)
    try:
        for _ in range(60):
            time.sleep(1.0)
            try:
                with urllib.request.urlopen(PAGE, timeout=60) as answer:
                    return [] if answer.status == 200 else [f"the page answers {answer.status}"]
            except OSError:
                continue
        return ["the page did not answer within a minute"]
    finally:
        page.terminate()
        page.wait(30)


def _step(*command: str, cwd: Path) -> None:
    begun = time.monotonic()
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"{' '.join(command)} ended with {done.returncode}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    print(f"{' '.join(command[:2])}: {time.monotonic() - begun:.0f} s", flush=True)


def main() -> None:
    """Run the tours; end with code 1 and what went wrong."""
    begun = time.monotonic()
    if "--fresh" in sys.argv[1:]:
        wrong = fresh()
    else:
        with tempfile.TemporaryDirectory(prefix="combust-tours-") as place:
            wrong = run_all(copied_tree(Path(place)), environment_of(Path(sys.executable).parent))
    if wrong:
        sys.exit("\n".join(wrong))
    print(f"Every command of the README ran, every quoted line came: {time.monotonic() - begun:.0f} s.")


if __name__ == "__main__":
    main()
