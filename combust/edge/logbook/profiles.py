"""Profiles of a folder, by the ids of their heaters: what is broken, has no id or comes twice is told, not taken."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from combust.data.errors import CombustError, Fault
from combust.data.near import did_you_mean, folded_id, near_matches
from combust.data.tables import read_toml
from combust.domain.heater import Heater
from combust.domain.result import plain

Profile = TypeVar("Profile")


def profiles_in(folder: str | Path) -> tuple[dict[str, Mapping[str, Any]], list[str]]:
    """Return (the profiles of a folder as they stand, by the ids of their heaters as those are compared; what is told).

    Raises
    ------
    CombustError
        No such folder.
    """
    if not Path(folder).is_dir():
        raise CombustError(Fault("heaters", str(folder), "missing", why="is no folder", hint="Check the path."))
    return _by_id(folder, partial(read_toml, quantity="profile"), lambda table: table.get("heater_id"))


def profile_in(folder: str | Path, heater_id: str) -> Mapping[str, Any]:
    """Return the profile of a heater from a folder of profiles, found by its id, whatever the files are called.

    Raises
    ------
    CombustError
        No such folder, no such heater (near ids and broken files are named), a profile with faults.
    """
    known, told = profiles_in(folder)
    found = known.get(folded_id(heater_id))
    if found is None:
        near = near_matches(heater_id.casefold(), known, n=3, cutoff=0.5)
        hint = did_you_mean(near, f"It holds {', '.join(known) or 'no profile'}; combust profile new writes one.")
        why, hint = f"has no profile in {folder}", " ".join([hint, *told])
        raise CombustError(Fault("heater_id", heater_id, "unknown_name", why=why, hint=hint))
    Heater.from_dict(found)
    return dict(plain(found))


def read_profiles(paths: Iterable[str | Path]) -> tuple[list[Heater], list[str]]:
    """Return the heaters of profiles, and of folders of them, with what is to be told of those that are left out.

    Raises
    ------
    CombustError
        A single file that is no profile, a folder without any.
    """
    heaters, told = list[Heater](), list[str]()
    for path in map(Path, paths):
        if not path.is_dir():
            heaters.append(Heater.load(path))
            continue
        found, more = _by_id(path, Heater.load, lambda heater: heater.heater_id)
        if not found and not more:
            why, hint = "holds no heater profile (*.toml)", "Write one: combust profile new, one file a heater."
            raise CombustError(Fault("folder", str(path), "missing", why=why, hint=hint))
        heaters += found.values()
        told += more
    return heaters, told


def _by_id(
    folder: str | Path, read: Callable[[Path], Profile], id_of: Callable[[Profile], object]
) -> tuple[dict[str, Profile], list[str]]:
    """Return (the profiles of a folder by the ids of their heaters as those are compared, what is told of the rest)."""
    found: dict[str, Profile] = {}
    told = []
    for file in sorted(Path(folder).glob("*.toml")):
        try:
            one = read(file)
        except CombustError as error:
            told.append(f"Profile {file.name} is broken and was left out: {error}")
            continue
        name = id_of(one)
        if not isinstance(name, str) or not name:
            told.append(f"Profile {file.name} names no heater_id and was left out: add it.")
        elif folded_id(name) in found:
            told.append(f"Two profiles name {name}: the first counts, {file.name} was left out.")
        else:
            found[folded_id(name)] = one
    return found, told
