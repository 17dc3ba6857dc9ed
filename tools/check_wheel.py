"""Install a wheel without extras into an environment of its own, and check it there.

``make wheel-check`` builds it first; ``make pythons`` does so with each Python that is here, and names those that are not.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
PYTHONS = ("3.11", "3.12", "3.13", "3.14")


def run(*command: str | Path, cwd: Path) -> None:
    """Run a program; its failure ends this one. Nothing of the clone is on its path."""
    env = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "VIRTUAL_ENV")}
    subprocess.run([str(piece) for piece in command], check=True, cwd=cwd, env=env)


def build(source: Path, folder: Path) -> Path:
    """Build the wheel of a clone or of an sdist into a folder and return it."""
    run(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", folder, source, cwd=folder)
    (wheel,) = folder.glob("*.whl")
    return wheel


def check(wheel: Path, folder: Path, python: str | Path = sys.executable, clone: Path = ROOT) -> None:
    """Install a wheel of a clone with its base dependencies and nothing else, and let it do the main job there."""
    run(python, "-m", "venv", folder / "bare", cwd=folder)
    bare = folder / "bare" / "bin" / "python"
    run(bare, "-m", "pip", "install", "--quiet", wheel, cwd=folder)
    (folder / "bare.py").write_bytes((clone / "tests" / "bare.py").read_bytes())
    run(bare, folder / "bare.py", folder / "out", clone / "combust", cwd=folder)
    run(folder / "bare" / "bin" / "combust", "--help", cwd=folder)


def found(version: str) -> str | None:
    """Return the interpreter of a version: on the path, one that uv knows, or one of pyenv whose shim is switched off."""
    return next((one for one in _named(version) if _runs(one)), None)


def _named(version: str) -> Iterator[str]:
    yield _said("uv", "python", "find", "--no-project", "--no-python-downloads", version)
    yield shutil.which(f"python{version}") or ""
    if root := _said("pyenv", "root"):
        yield from (str(one) for one in sorted(Path(root).glob(f"versions/{version}.*/bin/python{version}")))


def _said(*command: str) -> str:
    """Return what a program says, nothing where it is not there."""
    there = shutil.which(command[0])
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip() if there else ""


def _runs(python: str) -> bool:
    """Return True for an interpreter that starts: a shim may stand where none does."""
    return bool(python) and subprocess.run([python, "--version"], capture_output=True, check=False).returncode == 0


def main() -> None:
    """Build, install, check: with this Python, or with each that is here."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", action="store_true", help=f"With each Python of {', '.join(PYTHONS)} that is here.")
    every = parser.parse_args().every
    told = []
    with tempfile.TemporaryDirectory() as name:
        wheel = build(ROOT, Path(name))
        for version in PYTHONS if every else (f"{sys.version_info.major}.{sys.version_info.minor}",):
            python = found(version) if every else sys.executable
            if python is None:
                told.append(f"Python {version}: not here, NOT checked.")
                continue
            folder = Path(name) / version
            folder.mkdir()
            check(wheel, folder, python)
            told.append(f"Python {version}: {wheel.name}, {wheel.stat().st_size / 1e3:.0f} kB, works without extras.")
    print("\n".join(told))


if __name__ == "__main__":
    main()
