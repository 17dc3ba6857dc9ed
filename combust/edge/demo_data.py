"""Where the invented demo data lie."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from combust.data.errors import CombustError, Fault

READINGS = "larkfell_readings.csv"


def demo_data(folder: str | Path | None = None) -> Path:
    """Return the folder with the demo data: the clone's, the one a package carries, or a data/ from here upwards.

    Raises
    ------
    CombustError
        No demo data in the folder that was asked for, or in any of these.
    """
    root, here = Path(__file__).parents, Path.cwd()
    shipped = [root[2] / "data", root[1] / "demo_data", *(place / "data" for place in (here, *here.parents))]
    places = shipped if folder is None else [Path(folder)]
    return folder_with(READINGS, places, "data")


def folder_with(file: str, places: Sequence[Path], option: str) -> Path:
    """Return the first folder that holds a file; ``option`` is the one that names another folder.

    Raises
    ------
    CombustError
        None of them does.
    """
    for place in places:
        if (place / file).is_file():
            return place
    hint = f"Run it from a clone of the project, or give --{option}."
    raise CombustError(Fault(option, str(places[0]), "missing", why=f"holds no {file}", hint=hint))
