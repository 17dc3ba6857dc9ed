"""The catalogue of fuels: names, aliases, formulas, blends, and a user's own TOML file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from combust.data.errors import CombustError, Fault
from combust.data.fields import Field, as_number, check_fields, fields_of
from combust.data.near import did_you_mean, near_matches
from combust.data.tables import load_table, read_toml
from combust.data.told import ByName
from combust.domain.blend import blend_parts, mix_fuels
from combust.domain.formula import is_formula_like, parse_formula
from combust.domain.fuel import FUEL_FIELDS, Fuel, fuel_from_formula
from combust.kernel.stoichiometry import net_heating_value_from_formation

Catalogue = Mapping[str, Fuel]
LABORATORY = ("pure", "surrogate")
MIXTURE_FIELDS = fields_of({key: {"kind": "raw"} for key in ("parts", "by", "label", "family", "source", "status")})
SECTIONS = {
    key: Field(key, "table", hint=f"Write [{key}.NAME] and its lines below it.") for key in ("fuel", "mixture", "alias")
}


def get_fuel(name: str | Fuel, *, catalogue: Catalogue | None = None, near: bool = True) -> Fuel:
    """Return a fuel by catalogue name, alias, formula per carbon atom or blend of those.

    Parameters
    ----------
    name : str or Fuel
        ``"diesel_b7"``, the alias ``"diesel"``, a formula such as ``"CH1.86O0.007"``, or a blend of them such as
        ``"0.8 diesel_b7 + 0.2 kerosene by volume"``. A Fuel comes back as it is.
    catalogue : mapping, optional
        Fuels beside the shipped ones, from :func:`load_fuels`; they win over shipped names.
    near : bool
        Look for near matches of an unknown name (half a millisecond).

    Returns
    -------
    Fuel
        Per carbon atom [mol/mol, MJ/kg, kg/m³]; ``asked_as`` holds the alias when one was used.

    Raises
    ------
    CombustError
        Unknown name (near matches are told) or a formula of no fuel.

    References
    ----------
    combust/data/fuels.toml, source and status beside each value.

    Examples
    --------
    >>> get_fuel("diesel").name
    'diesel_b7'
    >>> round(get_fuel("CH1.80").co2_maximum_pct, 1)
    15.5
    """
    if isinstance(name, Fuel):
        return name
    if not isinstance(name, str):
        raise CombustError(Fault("fuel", name, "format", why="is no fuel name", hint='Give a name like "diesel_b7".'))
    text = name.strip()
    if catalogue and text in catalogue:
        return catalogue[text]
    if text in shipped_fuels():
        return shipped_fuels()[text]
    if text in aliases():
        return replace(shipped_fuels()[aliases()[text]], asked_as=text)
    if "+" in text:
        return _written_blend(text, catalogue)
    if is_formula_like(text):
        return fuel_from_formula(text)
    alike = _alike(text.lower(), catalogue or {}) if near else []
    hint = did_you_mean(alike, "List the names with: combust fuel")
    raise CombustError(Fault("fuel", name, "unknown_name", why="is not in the catalogue", hint=hint))


def _written_blend(text: str, catalogue: Catalogue | None) -> Fuel:
    items, by = blend_parts(text)
    parts = [(get_fuel(name, catalogue=catalogue), share) for name, share in items]
    name = " + ".join(f"{share:g} {part.name}" for part, share in parts) + f" by {by}"
    return mix_fuels(parts, by=by, name=name)


@cache
def setting_co2_maximum(setting: str) -> float | None:
    """Return the CO2 maximum behind the fuel set in an analyser [vol %].

    Parameters
    ----------
    setting : str
        A common setting ("heating oil"), a fuel of the catalogue, or the CO2 maximum itself ("15.4").

    Returns
    -------
    float or None
        CO2 maximum [vol %, dry]; None where it is not known.

    References
    ----------
    combust/data/instruments.toml, source beside each row.

    Examples
    --------
    >>> setting_co2_maximum("15.4")
    15.4
    """
    table, text = load_table("instruments"), setting.strip().lower()
    text = table["setting_alias"].get(text, text)
    if text in table["setting"]:
        return float(table["setting"][text])
    if text[:1].isdigit():
        return as_number(text.replace(",", "."))
    for name in (setting, text):
        try:
            return get_fuel(name, near=False).co2_maximum_pct
        except CombustError:
            continue
    return None


def _alike(text: str, catalogue: Catalogue) -> list[str]:
    """Return near matches; molecules and mixtures for the laboratory only where nothing that is sold is near.

    A word of another language may look like the other fuel ("Gasöl" is diesel): what is less alike is not proposed.
    """
    sold = [*aliases(), *catalogue, *(name for name, one in shipped_fuels().items() if one.family not in LABORATORY)]
    return near_matches(text, sold, n=3, cutoff=0.75) or near_matches(text, shipped_fuels(), n=3, cutoff=0.75)


def blend(
    parts: Mapping[str | Fuel, float], *, by: str, name: str = "blend", catalogue: Catalogue | None = None
) -> Fuel:
    """Return a blend of fuels, for example ``blend({"diesel_b0": 0.8, "biodiesel_b100": 0.2}, by="volume")``.

    Parameters
    ----------
    parts : mapping
        Fuel (name, formula or Fuel) -> share [-], 0 to 1; shares that do not sum to 1 are refused.
    by : {"mass", "volume", "mole"}
        What the shares are of.
    name : str
        What the blend is called.
    catalogue : mapping, optional
        Fuels beside the shipped ones, from :func:`load_fuels`.

    Returns
    -------
    Fuel
        The blend [per carbon atom, MJ/kg, kg/m³].

    Raises
    ------
    CombustError
        Unknown fuel or basis, shares that do not sum to 1, missing density or molecule.

    References
    ----------
    Balance of the elements.

    Examples
    --------
    >>> blend({"C6H14": 0.5, "C12H26": 0.5}, by="mole").formula  # 20 H for 9 C
    'CH2.2222'
    """
    return mix_fuels([(get_fuel(part, catalogue=catalogue), share) for part, share in parts.items()], by=by, name=name)


@cache
def shipped_fuels() -> dict[str, Fuel]:
    """Return the shipped catalogue.

    Returns
    -------
    dict of str to Fuel
        By name.
    """
    return _fuels_of(load_table("fuels"), "combust/data/fuels.toml", {})


@cache
def aliases() -> dict[str, str]:
    """Return the other names of the shipped fuels.

    Returns
    -------
    dict of str to str
        Alias -> name.
    """
    return dict(load_table("fuels")["alias"])


def load_fuels(path: str | Path) -> ByName[Fuel]:
    """Return the fuels of a user's TOML file, in the layout of the shipped one (``combust fuel --template`` shows it).

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    dict of str to Fuel
        By name, as the file says; a notebook shows one row each.

    Raises
    ------
    CombustError
        Every fault of the file at once.
    """
    return ByName(_fuels_of(read_toml(path, quantity="fuels file"), str(path), shipped_fuels()))


def _fuels_of(table: Mapping[str, Any], origin: str, known: Mapping[str, Fuel]) -> dict[str, Fuel]:
    found: dict[str, Fuel] = {}
    sections, refused = check_fields(table, SECTIONS, what="a file of fuels")
    faults = [fault for _, fault in refused]
    # The aliases of the shipped table are looked up by name; those of a user's file become fuels.
    makers: dict[str, Callable[[str, Any, Catalogue], Fuel]] = {"fuel": _fuel_of, "mixture": _mixture_of}
    for section, made in (makers | ({"alias": _alias_of} if known else {})).items():
        for name, row in sections.get(section, {}).items():
            try:
                if section != "alias":
                    SECTIONS[section].checked(row)
                found[name] = made(name, row, {**known, **found})
            except CombustError as error:
                faults.extend(error.faults)
    if not found and not faults:
        why, hint = "holds no [fuel.NAME] and no [mixture.NAME]", "combust fuel --template prints a file to start from."
        faults.append(Fault("fuels file", origin, "missing", why=why, hint=hint))
    if faults:
        raise CombustError(faults)
    return found


def _value(entry: Any) -> tuple[Any, str]:
    """Return (value, provenance) of ``1.0`` or ``{value = 1.0, source = "...", status = "..."}``."""
    if isinstance(entry, Mapping):
        return entry.get("value"), _origin(entry)
    return entry, "user's file, no source given"


def _origin(entry: Mapping[str, Any]) -> str:
    return f"{entry.get('source', 'no source given')} ({entry.get('status', 'status not given')})"


def _alias_of(name: str, target: str, known: Catalogue) -> Fuel:
    return replace(get_fuel(target, catalogue=known), asked_as=name)


def _fuel_of(name: str, row: Mapping[str, Any], _: Catalogue) -> Fuel:
    entries = {key: _value(entry) if key in FUEL_FIELDS else (entry, "") for key, entry in row.items()}
    known, refused = check_fields(
        {key: value for key, (value, _) in entries.items()}, FUEL_FIELDS, what="a fuel", gaps=False
    )
    if refused:
        raise CombustError(fault.within(f"fuel.{name}.") for _, fault in refused)
    provenance = {key: entries[key][1] for key in known if key not in ("label", "family")}
    base, carbon = fuel_from_formula(known["formula"]), parse_formula(known["formula"])[0]
    net = known.get("net_heating_value")
    if "formation" in known:
        net = net_heating_value_from_formation(known["formation"] * 1e6, carbon, base)
        provenance["net_heating_value"] = "from the enthalpy of formation of the liquid: " + provenance["formation"]
    elif net is None:
        net, provenance["net_heating_value"] = base.net_heating_value_mj_per_kg, base.provenance["net_heating_value"]
    return replace(
        base,
        name=name,
        label=str(known.get("label", name)),
        family=str(known.get("family", "user")),
        h_c_u=known.get("h_c_u", 0.0),
        net_heating_value_mj_per_kg=net,
        density_kg_per_m3=known.get("density"),
        expansion_per_k=known.get("expansion"),
        provenance=provenance,
    )


def _mixture_of(name: str, row: Mapping[str, Any], known: Catalogue) -> Fuel:
    parts, by = row.get("parts"), row.get("by", "volume")
    if unknown := check_fields(row, MIXTURE_FIELDS, what="a mixture")[1]:
        raise CombustError(fault.within(f"mixture.{name}.") for _, fault in unknown)
    if not isinstance(parts, Mapping) or not all(as_number(share) is not None for share in parts.values()):
        hint = "Write it like { diesel_b0 = 0.8, biodiesel_b100 = 0.2 }."
        raise CombustError(Fault(f"mixture.{name}.parts", parts, "format", why="holds no shares", hint=hint))
    items = [(get_fuel(part, catalogue=known), float(share)) for part, share in parts.items()]
    mixed = mix_fuels(items, by=str(by), name=name, label=str(row.get("label", name)))
    provenance = {**mixed.provenance, "composition": _origin(row)}
    return replace(mixed, family=str(row.get("family", "blend")), provenance=provenance)
