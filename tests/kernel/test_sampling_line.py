"""Hose and sensor: the closed form, a linear system of scipy, a plug that moves by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from combust.kernel.sampling_line import TransportDelay, first_order_step, lag_from_t90


@pytest.mark.independent
@pytest.mark.parametrize("dt", [0.1, 0.25, 1.0, 7.0])
def test_a_sensor_against_a_linear_system(dt: float) -> None:
    """1/(1 + 8.686 s) driven by steps, by scipy.signal.lsim without interpolation between the samples."""
    lag = lag_from_t90(20.0)
    clock = np.arange(0.0, 120.0, dt)
    true = np.where(clock < 30.0, 20.9, 8.2) + np.where(clock > 70.0, 3.0, 0.0)
    _, told, _ = signal.lsim(signal.lti([1.0], [lag, 1.0]), true, clock, X0=[true[0] * lag], interp=False)
    ours = [true[0]]
    for value in true[:-1]:
        ours.append(float(first_order_step(ours[-1], value, dt, lag)))
    assert np.abs(np.array(ours) - told).max() < 1e-9


@pytest.mark.hand
def test_ninety_per_cent_after_t90() -> None:
    """1 - exp(-T90/lag) = 0.9: lag = 20/2.302585 = 8.6859 s."""
    assert lag_from_t90(20.0) == pytest.approx(8.6859, abs=5e-5)
    assert first_order_step(0.0, 1.0, 20.0, lag_from_t90(20.0)) == pytest.approx(0.9, rel=1e-12)
    many = first_order_step(np.zeros(2), np.array([1.0, 2.0]), 3.0, 3.0)
    assert many == pytest.approx([1.0 - math.exp(-1.0), 2.0 - 2.0 * math.exp(-1.0)])


@pytest.mark.hand
def test_a_plug_by_hand() -> None:
    """A line of 4 ml filled with 1.0; 3 ml of 0.0 and 3 ml of 0.5 follow: 3 ml of 1 leave, then 1 of 1 and 2 of 0."""
    line = TransportDelay(4.0, 1.0)
    assert line.push(3.0, 0.0) == pytest.approx(1.0)
    assert line.content == pytest.approx(1.0)
    assert line.push(3.0, 0.5) == pytest.approx(1.0 / 3.0)
    assert line.content == pytest.approx(1.5)
    assert line.push(0.0, 9.0) == 0.0  # nothing enters, nothing leaves: what waits at the end
    assert line.content == pytest.approx(1.5)


@pytest.mark.independent
def test_plug_flow_is_the_input_a_while_ago() -> None:
    """At a steady flow what leaves is the input 5 s ago (numpy's interpolation of its own integral)."""
    clock, dt = np.arange(0.0, 60.0, 0.25), 0.25
    true = 8.0 + 3.0 * np.sin(clock / 4.0)
    hose = TransportDelay(5.0, 20.9)
    left = np.array([hose.push(dt, float(value)) for value in true])
    passed = np.concatenate([[0.0], np.cumsum(true * dt)])
    edges = np.concatenate([clock, [clock[-1] + dt]])
    late = clock >= 5.0
    expected = (np.interp(clock + dt - 5.0, edges, passed) - np.interp(clock - 5.0, edges, passed)) / dt
    assert left[late] == pytest.approx(expected[late], rel=1e-9)
    assert np.all(left[clock < 5.0] == 20.9)


@given(st.lists(st.tuples(st.floats(0.0, 9.0), st.floats(0.0, 1.0)), max_size=60))
@settings(max_examples=100, deadline=None)
def test_nothing_is_lost_in_the_line(pushes: list[tuple[float, float]]) -> None:
    line = TransportDelay(4.0, 0.84)
    before, sent, left = line.content, 0.0, 0.0
    for volume, value in pushes:
        left += line.push(volume, value) * volume
        sent += volume * value
    assert before + sent == pytest.approx(left + line.content, rel=1e-12, abs=1e-12)
