"""The fuel: atoms per carbon, heating values, density, and where each number comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from combust.data.arguments import names_keywords
from combust.data.errors import CombustError
from combust.data.fields import fields_of
from combust.data.told import Told, label_of
from combust.domain.formula import formula_text, parse_formula
from combust.kernel import stoichiometry
from combust.kernel.constants import ATOMIC_WEIGHT
from combust.kernel.printed_forms import fuel_factor

# Net heat per mol of O2 used, for a fuel known by formula alone: Thornton's rule (1917), here the middle of the
# catalogue's liquid fuels; they lie within 2 % of it (computed, see the tests) [kJ per mol O2].
NET_HEAT_PER_OXYGEN = 409.0

# What a file of fuels says of one; key -> Field.
FUEL_FIELDS = fields_of(
    {
        "formula": {
            "kind": "text",
            "required": True,
            "meaning": "the formula per carbon atom",
            "example": "CH1.86O0.007",
        },
        "h_c_u": {"unit": "mol/mol", "band": (0.0, 0.5)},
        "net_heating_value": {"unit": "MJ/kg", "band": (5.0, 60.0)},
        "formation": {"unit": "kJ/mol"},
        "density": {"unit": "kg/m³", "band": (0.1, 2000.0)},
        "expansion": {"unit": "1/K", "band": (0.0, 0.01)},
        "label": {"kind": "raw"},
        "family": {"kind": "raw"},
    }
)


@names_keywords
@dataclass(frozen=True, slots=True)
class Fuel(Told):
    """A fuel per carbon atom, CH_h O_o N_n S_s.

    Attributes
    ----------
    name, label, family : str
        Catalogue name (or formula), plain words, family (diesel, kerosene, gasoline, pure, surrogate, formula, blend).
    h_c, o_c, n_c, s_c : float
        Atoms per carbon atom [mol/mol].
    h_c_u : float
        Standard uncertainty of H/C between batches [mol/mol].
    net_heating_value_mj_per_kg : float
        At 25 °C, water as vapour.
    density_kg_per_m3, expansion_per_k, carbon : float or None
        At 15 °C; volume expansion; carbon atoms of the (mean) molecule. None = unknown.
    alias_of : str or None
        Set when the name asked for was an alias; ``name`` is the target.
    provenance : mapping
        Value name -> "source (status)".
    holds : frozenset of str
        Families of the parts of a blend.
    """

    name: str
    h_c: float
    o_c: float
    n_c: float = 0.0
    s_c: float = 0.0
    h_c_u: float = 0.0
    net_heating_value_mj_per_kg: float = math.nan
    density_kg_per_m3: float | None = None
    expansion_per_k: float | None = None
    carbon: float | None = None
    label: str = ""
    family: str = "formula"
    asked_as: str | None = None
    provenance: Mapping[str, str] = field(default_factory=dict, hash=False)
    holds: frozenset[str] = frozenset()
    aside = ("asked_as", "provenance", "holds")
    derived = ("formula", "gross_heating_value_mj_per_kg", "co2_maximum_pct")
    marks = MappingProxyType(dict.fromkeys(("h_c", "o_c", "n_c", "s_c", "h_c_u"), "mol/mol"))

    def origins(self) -> dict[str, str]:
        """Return the source of each value.

        Returns
        -------
        dict
            Label of the row -> words.
        """
        told = {label_of(key)[0]: text for key, text in self.provenance.items()}
        return told | {"gross heating value": "from the net one and the hydrogen"}

    def __post_init__(self) -> None:
        heat, density, expansion = self.net_heating_value_mj_per_kg, self.density_kg_per_m3, self.expansion_per_k
        numbers = {"net_heating_value": heat, "density": density, "expansion": expansion, "h_c_u": self.h_c_u}
        given = {key: value for key, value in numbers.items() if value is not None}
        faults = [fault for key, value in given.items() for fault in FUEL_FIELDS[key].faults_of(value)]
        if faults:
            raise CombustError(fault.within(f"fuel.{self.name}.") for fault in faults)

    @property
    def families(self) -> frozenset[str]:
        """Its own family and those of its parts [-]."""
        return self.holds | {self.family}

    @property
    def formula(self) -> str:
        """Formula per carbon atom."""
        return formula_text(self.h_c, self.o_c, self.n_c, self.s_c)

    @property
    def molar_mass_per_carbon(self) -> float:
        """Mass that holds one kmol of carbon [kg/kmol C]."""
        return float(stoichiometry.molar_mass_per_carbon(self))

    @property
    def gross_heating_value_mj_per_kg(self) -> float:
        """Gross heating value at 25 °C [MJ/kg]."""
        return float(stoichiometry.gross_from_net_heating_value(self.net_heating_value_mj_per_kg, self))

    @property
    def heating_value_is_estimated(self) -> bool:
        """True when the heating value follows from the formula alone."""
        return self.provenance.get("net_heating_value", "").startswith("estimated")

    @property
    def co2_maximum_pct(self) -> float:
        """CO2 of the dry gas without excess air [vol %]."""
        return float(stoichiometry.co2_maximum(self))

    def to_dict(self) -> dict[str, object]:
        """Return everything known and derived as plain values for JSON (unknown is None).

        Returns
        -------
        dict
            Key -> value, units in the keys.
        """
        mass = self.molar_mass_per_carbon
        weight = ATOMIC_WEIGHT
        given = {key: getattr(self, key) for key in self.__slots__ if key not in ("carbon", "holds")}
        return given | {
            "asked_as": self.asked_as or self.name,
            "formula": self.formula,
            "carbon_mass_share": weight["C"] / mass,
            "hydrogen_mass_share": weight["H"] * self.h_c / mass,
            "oxygen_mass_share": weight["O"] * self.o_c / mass,
            "stoichiometric_air_kg_per_kg": float(stoichiometry.stoichiometric_air_mass(self)),
            "stoichiometric_air_m3_per_kg": float(stoichiometry.stoichiometric_air_volume(self)),
            "dry_flue_gas_m3_per_kg": float(stoichiometry.dry_flue_gas_volume(self)),
            "wet_flue_gas_m3_per_kg": float(stoichiometry.wet_flue_gas_volume(self)),
            "flue_water_kg_per_kg": float(stoichiometry.flue_water_mass(self)),
            "co2_maximum_pct": self.co2_maximum_pct,
            "fuel_factor": fuel_factor(0.0, self.co2_maximum_pct),
            "gross_heating_value_mj_per_kg": self.gross_heating_value_mj_per_kg,
            "provenance": dict(self.provenance),
        }

    def __str__(self) -> str:
        asked = f" (asked for as {self.asked_as})" if self.asked_as and self.asked_as != self.name else ""
        return f"{self.name}{asked}, {self.formula}"


def fuel_from_formula(text: str) -> Fuel:
    """Return a fuel known by its formula alone; the heating value is estimated and says so.

    Validity record ``heat_from_formula`` (``combust/data/approximate_forms.toml``).

    Parameters
    ----------
    text : str
        Like ``CH1.86O0.007``: C, H, O, N, S.

    Returns
    -------
    Fuel
        Atoms [mol/mol], net heating value [MJ/kg]; no density.

    Raises
    ------
    CombustError
        When it is no formula of a fuel.

    References
    ----------
    Thornton's rule (1917): 409 kJ per mol O2 used, within 2 % for liquid fuels.

    Examples
    --------
    >>> round(fuel_from_formula("C12H26").net_heating_value_mj_per_kg)  # n-dodecane: 44 in handbooks
    44
    """
    carbon, atoms = parse_formula(text)
    h_c, o_c, n_c, s_c = (atoms[element] for element in "HONS")
    bare = Fuel(text, h_c, o_c, n_c, s_c, net_heating_value_mj_per_kg=40.0, label="by formula")
    oxygen = stoichiometry.stoichiometric_oxygen(bare)
    return replace(
        bare,
        net_heating_value_mj_per_kg=NET_HEAT_PER_OXYGEN * oxygen / bare.molar_mass_per_carbon,
        carbon=carbon if carbon > 1.0 else None,
        provenance={
            "formula": "as given",
            "net_heating_value": f"estimated, {NET_HEAT_PER_OXYGEN:g} kJ per mol O2 used (Thornton 1917, within 2 %)",
        },
    )
