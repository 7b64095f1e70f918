"""What a body is taken to bear, against published values; standing as in test_rods_and_grids."""

from __future__ import annotations

import pytest

from models.ground_potential import body_current_a, potential_rise_v


@pytest.mark.parametrize(
    ("body", "limits"), [(50, (0.367, 0.164, 0.116, 0.067)), (70, (0.496, 0.222, 0.157, 0.091))]
)
def test_body_current(body: int, limits: tuple[float, ...]) -> None:
    """IEEE Std 80, 0.116 and 0.157 over the root of the time (derived): 0.1, 0.5, 1 and 3 s."""
    assert body_current_a([0.1, 0.5, 1.0, 3.0], body) == pytest.approx(limits, abs=5e-4)


def test_potential_rise_is_current_times_resistance() -> None:
    """Ohm's law; no published value."""
    assert potential_rise_v(10.0, 0.5, 0.8) == pytest.approx(4000.0)
    with pytest.raises(ValueError, match="share"):
        potential_rise_v(10.0, 1.2, 0.8)
    with pytest.raises(ValueError, match="duration_s"):
        body_current_a(10.0)
