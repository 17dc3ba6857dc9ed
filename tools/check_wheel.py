"""Build the wheel, install it without extras into an environment of its own, and check it there (``make wheel-check``)."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).parents[1]


def run(*command: str | Path, cwd: Path) -> None:
    """Run a program; its failure ends this one. Nothing of the clone is on its path."""
    env = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "VIRTUAL_ENV")}
    subprocess.run([str(piece) for piece in command], check=True, cwd=cwd, env=env)


def main() -> None:
    """Build, install, check."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", folder, ROOT, cwd=folder)
        (wheel,) = folder.glob("*.whl")
        venv.create(folder / "bare", with_pip=True)
        python = folder / "bare" / "bin" / "python"
        run(python, "-m", "pip", "install", "--quiet", wheel, cwd=folder)
        (folder / "bare.py").write_bytes((ROOT / "tests" / "bare.py").read_bytes())
        run(python, folder / "bare.py", folder / "out", ROOT / "combust", cwd=folder)
        run(folder / "bare" / "bin" / "combust", "--help", cwd=folder)
        print(f"{wheel.name}: {wheel.stat().st_size / 1e3:.0f} kB, works without extras.")


if __name__ == "__main__":
    main()
