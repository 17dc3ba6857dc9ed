"""The two files of cases that are dealt once for all tests of the mystery commands."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from combust.edge.mystery_files import KeyFile, LearnerFile
from tests.application.mystery_study import dealt


def files_in(folder: Path) -> Callable[..., tuple[Path, Path]]:
    """Return what writes the two files of a case into a folder: (learner's, trainer's)."""

    def written(seed: int, name: str = "case", place: str = "") -> tuple[Path, Path]:
        key = dealt(seed)
        if place:
            key = replace(key, case=replace(key.case, context={**key.case.context, "location": place}))
        held, keys = folder / f"{name}.json", folder / "key.json"
        held.write_text(json.dumps(LearnerFile(key.case).to_dict()))
        account = KeyFile({}, "a secret of ids", {})
        account.add(key)
        if not keys.exists():
            keys.write_text(json.dumps(account.to_dict()))
        return held, keys

    return written
