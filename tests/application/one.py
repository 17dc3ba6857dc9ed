"""Interpreting one reading in a test: plain numbers and the codes of its findings."""

from __future__ import annotations

from dataclasses import dataclass

from combust.application.reading.columns import columns_of_reading
from combust.application.reading.interpret import RESULT_KEYS, VERDICTS, interpret_columns
from combust.application.reading.judge import codes_of
from combust.domain.catalogue import get_fuel
from combust.domain.instrument import InstrumentClass, instrument_class
from combust.domain.limits import finding_kinds
from combust.domain.reading import Reading


@dataclass(frozen=True)
class One:
    """Results of one reading: numbers by key, verdict, codes of the findings."""

    values: dict[str, float]
    verdict: str
    codes: list[str]

    @property
    def stops(self) -> list[str]:
        return [code for code in self.codes if finding_kinds()[code].severity == "stop"]

    def __getitem__(self, key: str) -> float:
        return self.values[key]


def interpret_one(*, fuel_name: str = "diesel_b7", instrument: InstrumentClass | None = None, **values: object) -> One:
    reading = Reading(**values)
    found = interpret_columns(columns_of_reading(reading, get_fuel(fuel_name)), instrument or instrument_class())
    numbers = {key: float(found.values[key][0]) for key in RESULT_KEYS}
    return One(numbers, VERDICTS[int(found.verdict[0])], codes_of(int(found.mask[0])))
