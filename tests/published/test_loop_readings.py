"""Clamp-on loop readings: the circuit's arithmetic (derived, exact), and what it cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from models.loop_circuit import loop_readings_ohm, solve_loop_set

EXACT = 1e-9
PRINTED = 5e-5  # the table prints four decimals or three

SETS = [
    ([10.0] * 6, [12.0] * 6),
    ([10.0] * 60, [10.1695] * 60),
    ([10.0] * 200, [10.0503] * 200),
    ([100.0] + [10.0] * 5, [102.0] + [12.439] * 5),
    ([5.0, 10.0, 20.0], [11.667, 14.000, 23.333]),
    ([8.0, 12.0, 15.0, 30.0], [13.4545, 16.4444, 19.1379, 33.6364]),
]


@pytest.mark.parametrize(("true", "read"), SETS)
def test_loop_readings_and_back(true: list[float], read: list[float]) -> None:
    """R_i + 1 / sum of the other conductances (derived)."""
    readings = loop_readings_ohm(true)
    assert readings == pytest.approx(read, rel=PRINTED)
    assert solve_loop_set(readings) == pytest.approx(true, rel=1e-6)


def test_identity_of_the_conductances() -> None:
    """1/R_loop = g - g^2/G (derived, exact)."""
    g = 1 / np.array([8.0, 12.0, 15.0, 30.0])
    assert 1 / loop_readings_ohm(1 / g) == pytest.approx(g - g**2 / g.sum(), rel=EXACT)


def test_reading_is_never_below_its_electrode() -> None:
    """This theory leaves out shared soil: in a dense grid real readings are lower (common practice)."""
    ohm = np.array([0.4, 3.0, 25.0, 400.0])
    assert np.all(loop_readings_ohm(ohm) > ohm)


def test_two_electrodes_read_their_sum_and_cannot_be_told_apart() -> None:
    assert loop_readings_ohm([10.0, 25.0]) == pytest.approx([35.0, 35.0])
    with pytest.raises(ValueError, match="told apart"):
        solve_loop_set([35.0, 35.0])


def test_taking_the_reading_for_the_electrode_fails() -> None:
    """A wrong model fails: with few electrodes the raw reading is 20 to 130 % too high."""
    for true, read in SETS[:1] + SETS[4:]:
        assert np.max(np.array(read) / true) > 1.15
