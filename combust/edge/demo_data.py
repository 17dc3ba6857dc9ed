"""Where the invented demo data lie."""

from __future__ import annotations

from pathlib import Path

from combust.data.errors import CombustError, Fault

READINGS = "larkfell_readings.csv"


def demo_data(folder: str | None = None) -> Path:
    """Return the folder with the demo data: the clone's, the one a package carries, or a data/ here or above.

    Parameters
    ----------
    folder : str, optional
        Where they are, if they lie nowhere of this.

    Raises
    ------
    CombustError
        No demo data there.
    """
    package, here = Path(__file__).parents[1], Path.cwd()
    shipped = [package.parent / "data", package / "demo_data", *(place / "data" for place in (here, *here.parents))]
    for place in [Path(folder)] if folder else shipped:
        if (place / READINGS).is_file():
            return place
    hint = "Work in a clone of the project, or give the command demo --data."
    raise CombustError(Fault("data", folder or str(here), "missing", why="holds no demo data", hint=hint))
