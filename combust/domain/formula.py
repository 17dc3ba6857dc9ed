"""Reading a chemical formula such as CH1.86O0.007 or C12H26."""

from __future__ import annotations

import re

from combust.data.errors import CombustError, Fault

_PART = re.compile(r"([CHONS])((?:\d{1,6}(?:\.\d{0,9})?|\.\d{1,9})?)")

# What can burn as a liquid or gas fuel of these elements, atoms per carbon: methane is 4, methanol holds one O.
MOST = {"H": 4.5, "O": 2.0, "N": 1.0, "S": 1.0}


def parse_formula(text: str) -> tuple[float, dict[str, float]]:
    """Return the atoms of a formula.

    Parameters
    ----------
    text : str
        Like ``CH1.86O0.007`` or ``C12H26``: C, H, O, N, S.

    Returns
    -------
    tuple of (float, dict of str to float)
        Carbon atoms [-]; atoms of H, O, N, S per carbon atom [mol/mol].

    Raises
    ------
    CombustError
        When it is no formula of C, H, O, N, S, or names no fuel.

    See Also
    --------
    formula_text : the inverse, to five digits.

    References
    ----------
    Notation of chemistry.

    Examples
    --------
    >>> carbon, atoms = parse_formula("C12H26")
    >>> carbon, round(atoms["H"], 3)
    (12.0, 2.167)
    """
    atoms = dict.fromkeys("CHONS", 0.0)
    position = 0
    for match in _PART.finditer(text):
        if match.start() != position:
            break
        atoms[match[1]] += float(match[2]) if match[2] else 1.0
        position = match.end()
    if not text or position != len(text) or atoms["C"] <= 0.0:
        why, hint = "is not a formula of C, H, O, N and S with carbon in it", "Write it like CH1.86O0.007 or C12H26."
        raise CombustError(Fault("fuel", text, "format", why=why, hint=hint))
    carbon = atoms.pop("C")
    per_carbon = {element: count / carbon for element, count in atoms.items()}
    hint = "Check the formula."
    faults = [
        Fault("fuel", text, "out_of_band", high=most, low=0.0, why=f"has {share:.4g} {element} for each C", hint=hint)
        for element, most in MOST.items()
        if (share := per_carbon[element]) > most
    ]
    if per_carbon["H"] == 0.0 or 1.0 + per_carbon["H"] / 4 - per_carbon["O"] / 2 + per_carbon["S"] < 0.5:
        faults.append(Fault("fuel", text, "out_of_band", why="needs too little air to be a fuel", hint=hint))
    if faults:
        raise CombustError(faults)
    return carbon, per_carbon


def formula_text(h_c: float, o_c: float, n_c: float, s_c: float) -> str:
    """Return the formula per carbon atom as text, to five digits.

    Parameters
    ----------
    h_c, o_c, n_c, s_c : float
        Atoms per carbon atom [mol/mol], 0 or more (unchecked).

    Returns
    -------
    str
        The formula.

    See Also
    --------
    parse_formula : the inverse.
    """
    parts = [f"{element}{value:.5g}" for element, value in zip("HONS", (h_c, o_c, n_c, s_c), strict=True) if value]
    return "C" + "".join(parts)


def is_formula_like(text: str) -> bool:
    """Return True when a text is meant as a formula rather than as a name.

    Parameters
    ----------
    text : str
        What was entered.

    Returns
    -------
    bool
        Whether it begins with C and goes on with elements and numbers only.
    """
    return bool(re.fullmatch(r"C(?:[\d.]|[CHONS])*", text))
