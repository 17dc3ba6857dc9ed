"""One fuzz target in a process of its own: ``python -m tests.fuzz.one NAME INPUTS FOLDER`` under atheris.

What an input raises is kept (by the place it was raised) and the run goes on, so that a run tells all there is to mend.
"""

from __future__ import annotations

import json
import os
import sys
import time
import traceback
from pathlib import Path
from typing import Any

import atheris

with atheris.instrument_imports(include=["combust"], enable_loader_override=False):
    from tests.fuzz.registry import LostRowError, Target
    from tests.fuzz.regressions import REGRESSIONS
    from tests.fuzz.targets import TARGETS

MOST_BYTES = 4096
SLOW_S = 20
MOST_MEMORY_MB = 4096


class Watch:
    """Counts the inputs of a target, keeps what they raise, and ends the process when the run is complete."""

    def __init__(self, found: Target, inputs: int, folder: Path) -> None:
        self.found, self.inputs, self.folder = found, inputs, folder
        self.done = self.tracebacks = self.lost = 0
        self.places: dict[str, dict[str, Any]] = {}
        self.began = time.monotonic()

    def __call__(self, data: bytes) -> None:
        """Give one input to the target."""
        try:
            self.found.run(data)
        except LostRowError as error:
            self.lost += 1
            self.keep(data, error)
        except Exception as error:
            self.tracebacks += 1
            self.keep(data, error)
        self.done += 1
        if self.done >= self.inputs:
            self.leave()

    def keep(self, data: bytes, error: Exception) -> None:
        """Keep the first input for each place where something was raised."""
        frames = traceback.extract_tb(error.__traceback__)
        ours = [frame for frame in frames if "/combust/" in frame.filename] or list(frames)
        place = f"{type(error).__name__} at {Path(ours[-1].filename).name}:{ours[-1].lineno}"
        row = self.places.setdefault(place, {"count": 0, "said": str(error)[:300], "input": repr(data)})
        row["count"] += 1
        if row["count"] == 1:
            text = "".join(traceback.format_exception(error))
            (self.folder / f"finding_{len(self.places)}.txt").write_text(f"{data!r}\n\n{text}", encoding="utf-8")
            (self.folder / f"finding_{len(self.places)}.bin").write_bytes(data)

    def leave(self) -> None:
        """Write what was counted, and end: atheris has no other way to stop after a number of inputs."""
        facts = {"target": self.found.name, "inputs": self.done, "seconds": time.monotonic() - self.began,
                 "tracebacks": self.tracebacks, "lost": self.lost, "places": self.places}  # fmt: skip
        (self.folder / "result.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")
        os._exit(0)


def main() -> None:
    """Fuzz the target that the command line names."""
    name, inputs, folder = sys.argv[1], int(sys.argv[2]), Path(sys.argv[3])
    found = TARGETS[name]
    corpus = folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate([*found.seeds(), *REGRESSIONS.get(name, ())]):
        (corpus / f"seed_{number}").write_bytes(seed)
    words = folder / "words.dict"
    quoted = ("".join(f"\\x{byte:02x}" for byte in word.encode()) for word in found.words())
    words.write_text("".join(f'"{word}"\n' for word in quoted if word), encoding="ascii")
    options = [f"-dict={words}", f"-max_len={MOST_BYTES}", f"-timeout={SLOW_S}", f"-rss_limit_mb={MOST_MEMORY_MB}"]
    options += [f"-artifact_prefix={folder}/", "-seed=1", "-print_final_stats=0", str(corpus)]
    atheris.Setup([sys.argv[0], *options], Watch(found, inputs, folder))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
