"""The reading: what was entered, checked against the vocabulary, every fault told at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from inspect import Parameter, Signature
from types import MappingProxyType
from typing import Any, ClassVar

from combust.data.arguments import nearest_keys
from combust.data.errors import CombustError, Fault, UnknownKeywordError
from combust.data.fields import check_fields
from combust.data.near import did_you_mean
from combust.data.told import Rows, Told, label_of, text_of
from combust.data.vocabulary import foreign_keys, input_keys, inputs, quantities

# What a reading must hold at least one of to say anything: a gas, wet or dry, the smoke number or the CO of the cab.
WORTH_TELLING = (
    *("o2_dry_pct", "co2_dry_pct", "co_dry_ppm", "hc_dry_ppm", "no_dry_ppm"),
    *("o2_wet_pct", "co2_wet_pct", "co_wet_ppm", "hc_wet_ppm", "no_wet_ppm"),
    *("smoke_number", "cab_co_in_ppm", "analyser_excess_air_pct"),
)
# What may be read several times: the mean is the reading, the scatter its repeatability.
REPEATED = {
    "o2_dry_pct": "o2_repeat_sd_pct",
    "co2_dry_pct": "co2_repeat_sd_pct",
    "co_dry_ppm": "co_repeat_sd_ppm",
}


def nothing_entered() -> Fault:
    """Return the fault of a reading that holds nothing to judge.

    Returns
    -------
    Fault
        What is wrong, and what to do.
    """
    hint = "Enter at least what the analyser shows for O2, in vol %, 0 to 21.5."
    return Fault("o2_dry_pct", None, "missing", why="is missing, and so is every other gas", hint=hint)


def _signature() -> Signature:
    """Return every key as a keyword: those of the vocabulary, then the same in other units."""
    kinds = {"number": "float | None", "choice": "str | None", "text": "str | None"}
    keys = {key: kinds[record.kind] for key, record in inputs().items()} | dict.fromkeys(
        foreign_keys(), kinds["number"]
    )
    only = Parameter.KEYWORD_ONLY
    return Signature([Parameter(key, only, default=None, annotation=kind) for key, kind in keys.items()])


class Reading(Told, Mapping[str, float | str]):
    """One flue-gas reading: a frozen mapping from vocabulary key to value.

    Parameters
    ----------
    **values
        Any input key of the vocabulary, for example ``fuel="diesel_b7", o2_dry_pct=8.2, co_dry_ppm=150``. A key in
        another unit (``altitude_ft``, ``flue_temp_f``, ``co_dry_pct``) is converted once. None, NaN and empty text
        mean "not measured" and are left out.

    Raises
    ------
    CombustError
        Every unknown key (it is a TypeError too), every value that cannot be, and every quantity given twice, at once.
        Its ``safety`` is that of the values that can be: look at its stops first.

    Examples
    --------
    >>> reading = Reading(fuel="diesel_b7", o2_dry_pct=8.2, altitude_ft=5000)
    >>> round(reading["altitude_m"])
    1524
    >>> reading.co_dry_ppm is None
    True
    """

    __slots__ = ("_values",)
    __signature__ = _signature()
    # What judges the values beside a refusal: it stands a floor higher, and puts itself here (application/reading).
    _judge_refused: ClassVar[Callable[[Mapping[str, Any]], Any]] = staticmethod(lambda values: None)
    _values: Mapping[str, float | str]

    def __init__(self, /, **values: Any) -> None:
        checked, faults = check_values(values)
        if faults:
            unknown = any(fault.code == "unknown_name" and fault.quantity not in quantities() for fault in faults)
            error = UnknownKeywordError(faults) if unknown else CombustError(faults)
            error.safety = Reading._judge_refused(values)
            raise error
        object.__setattr__(self, "_values", MappingProxyType(checked))

    def __getitem__(self, key: str) -> float | str:
        return self._values[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __getattr__(self, key: str) -> Any:
        if key in quantities():
            return self._values.get(key)
        raise AttributeError(f"'{key}' is no key that combust knows")

    def __setattr__(self, key: str, value: object) -> None:
        raise AttributeError("a Reading cannot be changed; make a new one with replace(...)")

    def __reduce__(self) -> tuple[Any, ...]:
        return partial(Reading, **self._values), ()

    def replace(self, /, **values: Any) -> Reading:
        """Return the reading with some values changed.

        Parameters
        ----------
        **values : number or str
            Any input key of the vocabulary, units in the keys; None takes one out.

        Returns
        -------
        Reading
            A new one.
        """
        return Reading(**{**self._values, **values})

    def lines(self) -> Rows:
        """Return a row for each value that was entered.

        Returns
        -------
        list of (str, str)
            Label and text [unit in the text].
        """
        return [(label_of(key)[0], text_of(value, quantities()[key].unit)) for key, value in self.items()]

    def origins(self) -> dict[str, str]:
        """Return what each value is.

        Returns
        -------
        dict
            Label of the row -> words.
        """
        return {label_of(key)[0]: quantities()[key].meaning for key in self}

    def __repr__(self) -> str:
        return f"Reading({', '.join(f'{key}={value!r}' for key, value in self._values.items())})"


def is_simulated(values: Mapping[str, Any]) -> bool:
    """Return whether values were read at the simulated heater of the trainer: no record of a heater takes them.

    Parameters
    ----------
    values : mapping
        Key -> value of a reading.

    Returns
    -------
    bool
        Whether they say so.
    """
    return values.get("simulated") == "yes"


def simulated_fault() -> Fault:
    """Return the fault of a reading of the simulated heater where only readings of real heaters are taken.

    Returns
    -------
    Fault
        What is wrong, and what to do.
    """
    why = "says that it was read at the simulated heater of the trainer"
    hint = "Keep what was learnt in a note; logbook, history and profiles take readings of real heaters only."
    return Fault("simulated", "yes", "conflict", why=why, hint=hint)


def check_values(values: Mapping[str, object]) -> tuple[dict[str, float | str], list[Fault]]:
    """Return the values of a reading that can be, and what is wrong with the others: nothing is raised.

    Parameters
    ----------
    values : mapping
        Key -> value as entered, any key, any value.

    Returns
    -------
    tuple of (dict, list of Fault)
        Values by vocabulary key [unit of the key], missing left out; every fault.

    See Also
    --------
    check_keys : the same with the key that was entered beside each fault.

    References
    ----------
    combust/data/quantities.toml: unit and band of every key.

    Examples
    --------
    >>> checked, faults = check_values({"o2_dry_pct": 8.2, "altitude_ft": 5000, "co_dry_ppm": -5})
    >>> round(checked["altitude_m"]), [fault.quantity for fault in faults]  # 5000 x 0.3048
    (1524, ['co_dry_ppm'])
    """
    checked, refused = check_keys(values)
    return checked, [fault for _, fault in refused]


def check_keys(values: Mapping[str, object]) -> tuple[dict[str, float | str], list[tuple[str, Fault]]]:
    """Return the values of a reading that can be, and each fault with the key that was entered.

    Parameters
    ----------
    values : mapping
        Key -> value as entered, any key, any value.

    Returns
    -------
    tuple of (dict, list of (str, Fault))
        Values by vocabulary key [unit of the key], missing left out; every fault with its key.

    See Also
    --------
    check_values : the faults alone.

    References
    ----------
    combust/data/quantities.toml: unit and band of every key.

    Examples
    --------
    >>> check_keys({"o2_dry_pct": 82})[1][0][0]
    'o2_dry_pct'
    """
    checked, refused = check_fields(values, inputs(), unknown=unknown_key)
    for name, record in quantities().items():
        wet = record.wet_twin
        if wet and name in checked and wet in checked:
            why, hint = f"comes next to {name}: the same gas dry and wet", "Keep the one that was read."
            refused.append((wet, Fault(wet, checked[wet], "conflict", unit=record.unit, why=why, hint=hint)))
    return checked, refused


def unknown_key(key: str, value: object) -> Fault:
    """Return the fault of a key that is no input of the vocabulary, with near matches.

    Parameters
    ----------
    key : str
        The key that was entered.
    value : object
        What was entered for it.

    Returns
    -------
    Fault
        What is wrong, and what to do.
    """
    hint = did_you_mean(nearest_keys(key, input_keys()), "All keys: combust word")
    why = "is a result, not an input" if key in quantities() else "is no key that combust knows"
    return Fault(key, value, "unknown_name", why=why, hint=hint)
