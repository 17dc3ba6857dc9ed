"""Every approximate form over its whole stated band: within its record, reaching it, and named where it is defined."""

from __future__ import annotations

import importlib
import inspect

import numpy as np
import pytest

from tests.approximate_forms import SWEEPS, ApproximateForm, forms

RECORDS = forms()


def test_every_record_has_a_sweep_and_every_sweep_a_record() -> None:
    assert set(SWEEPS) == set(RECORDS)


@pytest.mark.independent
@pytest.mark.parametrize("record", RECORDS.values(), ids=list(RECORDS))
def test_error_over_the_band(record: ApproximateForm) -> None:
    """The largest error lies within the record, and is at least half of it: a record nobody reaches says nothing."""
    curves = list(SWEEPS[record.name]())
    assert min(len(where) for _, where, _ in curves) >= 10
    low = min(float(error.min()) for _, _, error in curves)
    high = max(float(error.max()) for _, _, error in curves)
    assert record.error[0] <= low
    assert high <= record.error[1]
    assert max(-low, high) >= 0.5 * max(-record.error[0], record.error[1])
    whole = np.concatenate([where for _, where, _ in curves])
    assert whole.min() == pytest.approx(record.band[0], rel=0.02, abs=0.02)
    assert whole.max() == pytest.approx(record.band[1], rel=0.02)


@pytest.mark.parametrize("record", RECORDS.values(), ids=list(RECORDS))
def test_the_form_names_its_record(record: ApproximateForm) -> None:
    module, _, name = record.form.rpartition(".")
    said = inspect.getdoc(getattr(importlib.import_module(module), name)) or ""
    assert f"``{record.name}``" in said, f"{record.form}: the docstring does not name the record {record.name}"
