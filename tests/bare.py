"""What holds of an installation without extras, told in one place: for the built wheel, and for this process blocked.

Run as a program it checks the `combust` that is imported: ``python tests/bare.py FOLDER`` (FOLDER is written to). It
uses the standard library and click alone, so that it runs where nothing but the wheel and its base dependencies are.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

EXTRAS = ("cantera", "jupyterlab", "notebook", "ipywidgets", "starlette", "uvicorn", "python_multipart", "segno",
          "httpx2", "axe_core_python",
          "dask", "distributed", "scipy", "pvlib", "hypothesis",
          "pytest", "nbclient", "nbformat", "selenium", "chemicals", "fluids", "CoolProp", "ambiance", "psychrolib",
          "airportsdata", "pint", "uncertainties", "html5lib", "polars", "atheris", "jupytext", "sphinx", "myst_nb",
          "numpydoc")  # fmt: skip
# What needs an extra: arguments -> the line that installs it.
NEED = {
    ("page",): "pip install 'combust[web]'",
    ("site", "--heater", "{demo}/heaters/heater-0312.toml", "--points", "{out}/points.parquet", "--points-out",
     "{out}/derated", "--workers", "2"): "pip install 'combust[scale]'",
    ("fleet", "--vehicles", "{demo}/larkfell_fleet/vehicles.csv", "--sites", "{demo}/larkfell_fleet/sites.csv",
     "--routes", "{out}/points.parquet", "--workers", "2", "--out", "{out}/fleet"): "pip install 'combust[scale]'",
}  # fmt: skip


class Without:
    """A finder of modules that finds none of the extras, as where they were never installed."""

    def __init__(self, finder: Any) -> None:
        self.finder = finder

    def find_spec(self, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None) -> Any:
        """Return what the finder finds, and nothing for a module of the extras."""
        return None if fullname.split(".")[0] in EXTRAS else self.finder.find_spec(fullname, path, target)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.finder, name)


def run(*arguments: str) -> tuple[int, str, str]:
    """Run a command in this process; (exit code, stdout, stderr)."""
    from combust.edge.cli.main import main

    out, err, code = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([*arguments])
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 1
    return code, out.getvalue(), err.getvalue()


def check(condition: bool, *told: object) -> None:
    """End with a message when something does not hold."""
    if not condition:
        raise SystemExit(f"bare installation: {' '.join(str(one) for one in told)}")


def check_help() -> int:
    """Every command and every sub-command answers --help; returns how many."""
    import click

    from combust.edge.cli.main import COMMANDS, cli

    lines: list[tuple[str, ...]] = [()]
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        lines += [(name,), *((name, sub) for sub in getattr(command, "commands", {}))]
    for line in lines:
        code, out, err = run(*line, "--help")
        check(code == 0 and out.startswith("Usage: combust") and not err, line, code, err)
    return len(lines)


def check_extras(demo: Path, out: Path) -> None:
    """What needs an extra names the line that installs it, in one sentence, with exit code 3."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    pq.write_table(pa.table({"route_id": ["a"], "altitude_m": [500.0], "temp_c": [0.0], "minutes": [5.0]}),
                   out / "points.parquet")  # fmt: skip
    for line, install in NEED.items():
        code, _, err = run(*(piece.format(demo=demo, out=out) for piece in line))
        told = [sentence for sentence in err.splitlines() if install in sentence]
        check(code == 3 and len(told) == 1 and "Traceback" not in err, line, code, err)
    arguments = ("--vehicles", f"{demo}/larkfell_fleet/vehicles.csv", "--sites", f"{demo}/larkfell_fleet/sites.csv")
    code, shown, err = run("fleet", *arguments, "--out", str(out / "fleet"))
    check(code == 0 and "pip install" not in shown, "fleet without moves", code, err)
    code, shown, err = run("fleet", *arguments, "--max-moves", "5", "--out", str(out / "fleet"))
    check(code == 0 and "pip install 'combust[scale]'" in shown, "fleet without scipy", code, err)
    from combust.application.chemistry.equilibrium import cantera
    from combust.data.errors import CombustError
    from combust.edge.notebook import widget_library

    for load, install in ((cantera, "combust[chem]"), (widget_library, "combust[notebooks]")):
        with contextlib.suppress(CombustError):
            load()
            check(False, load, "did not refuse")
        try:
            load()
        except CombustError as error:
            check(install in str(error), load, error)


def check_demo(out: Path) -> Path:
    """The demo runs, and writes what it says; returns the folder with its data."""
    from combust.edge.demo_data import demo_data

    code, shown, err = run("demo", "--out", str(out / "demo"))
    check(code == 0 and "Everything was written" in shown, "demo", code, err)
    check((out / "demo" / "readings_interpreted.csv").is_file(), "demo wrote no table")
    code, shown, err = run("exercises", "--seed", "7", "--cards", "--out", str(out / "exercises"))
    check(code == 0 and (out / "exercises" / "exercises_7_key.html").is_file(), "exercises", err)
    return demo_data()


def check_files(root: Path) -> None:
    """The installed package holds the same data files and templates as the clone it was built from."""
    import combust

    here = Path(combust.__file__).parent
    for path in sorted(root.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc":
            copy = here / path.relative_to(root)
            check(copy.is_file() and copy.read_bytes() == path.read_bytes(), "lacks or alters", path.relative_to(root))


def main() -> None:
    """Check the installation; with --blocked in a process where the extras cannot be imported."""
    if "--blocked" in sys.argv:
        sys.meta_path[:] = [Without(finder) for finder in sys.meta_path]
    out = Path(sys.argv[1]).resolve()
    out.mkdir(parents=True, exist_ok=True)
    os.chdir(out)
    if len(sys.argv) > 2 and not sys.argv[2].startswith("-"):
        check_files(Path(sys.argv[2]))
    number = check_help()
    demo = check_demo(out)
    check_extras(demo, out)
    print(f"Bare installation: {number} helps, demo, exercises, {len(NEED) + 3} refusals that name their extra.")


if __name__ == "__main__":
    main()
