"""Calibrations kept in the store: the same to the last bit, and when a run asks for a new one."""

from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.calibration import Calibration, first_guess
from models.covariates import Standards
from models.histories import Floats
from pipeline import calibrations as kept_ones
from pipeline.calibrations import (
    ANEW,
    LATEST,
    Basis,
    Fit,
    choose,
    fits_worse,
    keep_calibration,
    read_calibration,
    read_kept,
)
from pipeline.dataclass_text import OtherShapeError, as_text, from_text
from pipeline.errors import RequestError, WorkError
from pipeline.store import Store
from tests.unit.small_histories import site_history

DAY = date(2026, 3, 14)
BASIS = Basis(DAY, date(2001, 5, 1), date(2026, 3, 2), 40, 400, 6000)
FIT = Fit(1.02, 0.011, 0.03)
AT = datetime(2026, 3, 15, 2, 30, 1, 123456)
CLASSES = ("clay", "clad")


def _calibration() -> Calibration:
    """Return a calibration with digits in every number and gaps where there may be some."""
    cal = first_guess(site_history([[3.0, 8.0]], [[2.0, 2.3]], [2001.0, 2006.0], [[0, 1]]))
    rng = np.random.default_rng(5)
    P = cal.theta.size
    return replace(
        cal,
        theta=rng.normal(size=P),
        theta_cov=rng.normal(size=(P, P)) / 3.0,
        fixed=rng.normal(size=cal.fixed.size) * 1e-7,
        period_effect={("north", 2019): 1 / 3, ("", -1): 5e-324},
        spread=replace(cal.spread, site_sd=0.1 + 0.2),
        log_likelihood=float("nan"),
        trace=(float("inf"), -1.0),
        converged=True,
        standards=Standards(("ph",), np.array([[1 / 3], [np.nan]]), np.array([0.1 + 0.2])),
    )


def _same(one: Any, other: Any) -> None:
    assert type(one) is type(other)
    if isinstance(one, np.ndarray):
        assert one.dtype == other.dtype
        assert np.array_equal(one, other, equal_nan=True)
    elif hasattr(one, "__dataclass_fields__"):
        for f in fields(one):
            _same(getattr(one, f.name), getattr(other, f.name))
    else:
        assert repr(one) == repr(other)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.duckdb") as held:
        yield held


def _keep(store: Store, basis: Basis = BASIS, at: datetime = AT, **changes: Any) -> str:
    return keep_calibration(store, replace(_calibration(), **changes), basis, FIT, at, "none is kept yet")


def test_a_kept_calibration_comes_back_to_the_last_bit(store: Store) -> None:
    assert read_calibration(store) is None
    assert _keep(store) == "c1"
    kept = read_kept(store)
    assert kept is not None
    _same(kept.calibration, _calibration())
    assert (kept.name, kept.fitted_at, kept.basis, kept.fit) == ("c1", AT, BASIS, FIT)
    assert (kept.why, kept.differs) == ("none is kept yet", ())


def test_the_latest_or_one_by_name(store: Store) -> None:
    _keep(store, noise_spread=0.3)
    assert _keep(store, at=AT.replace(month=4), noise_spread=0.4) == "c2"
    for which, spread in ((LATEST, 0.4), ("c2", 0.4), ("c1", 0.3)):
        cal = read_calibration(store, which)
        assert cal is not None
        assert cal.noise_spread == spread
    with pytest.raises(RequestError, match="No calibration 'c3' is kept; there are c2, c1"):
        read_calibration(store, "c3")


def test_rows_of_an_older_store_are_passed_over(store: Store) -> None:
    old = pl.DataFrame({"fitted_at": [AT], "facts": ["{}"]})
    with store.lent("_calibration", old):
        store.run("keep_calibration")
    assert read_calibration(store) is None
    assert choose(store, LATEST, BASIS, CLASSES, 30).why == "none is kept yet"


@dataclass(frozen=True)
class _Inner:
    share: float = 0.1


@dataclass(frozen=True)
class _Whole:
    """Every kind of value that a field may hold."""

    values: Floats
    counts: Any = None
    table: dict[tuple[str, int], tuple[_Inner, ...]] = field(default_factory=dict)
    maybe: _Inner | None = None
    day: date | None = None
    names: list[str] = field(default_factory=list)


def test_every_kind_of_field_comes_back() -> None:
    value = _Whole(
        np.array([[0.1, np.nan], [np.inf, -0.0]]), np.arange(3, dtype=np.int32), {("a", 1): (_Inner(1 / 3),)},
        _Inner(), DAY, ["x"],
    )  # fmt: skip
    back, differs = from_text(as_text(value), _Whole)
    _same(back, value)
    assert np.signbit(back.values[1, 1])
    assert differs == ()


def test_a_field_that_was_added_or_dropped_since_is_said() -> None:
    text = as_text(_Whole(np.ones(1), maybe=_Inner(0.7)))
    older = text.replace('"share": 0.7', '"part": 0.7')
    back, differs = from_text(older, _Whole)
    assert back.maybe == _Inner()
    assert differs == ("_Inner.part", "_Inner.share")
    with pytest.raises(OtherShapeError, match="a field values since, which has no default"):
        from_text(text.replace('"values"', '"numbers"'), _Whole)
    with pytest.raises(OtherShapeError, match="no _Inner any more"):
        from_text(text, _bare())


def _bare() -> type:
    @dataclass(frozen=True)
    class _Whole:
        values: Any
        maybe: Any = None

    return _Whole


def test_what_would_not_come_back_is_not_written() -> None:
    with pytest.raises(TypeError, match="in no field's type"):
        as_text(_Whole(np.ones(1), counts=_Other()))
    with pytest.raises(TypeError, match="can't be written"):
        as_text(_Whole(np.ones(1), counts={1, 2}))
    with pytest.raises(TypeError, match="array of <U1"):
        as_text(_Whole(np.ones(1), counts=np.array(["a"])))


@dataclass(frozen=True)
class _Other:
    x: int = 0


def test_one_that_holds_is_used(store: Store) -> None:
    _keep(store)
    later = replace(BASIS, as_of=date(2026, 4, 13), readings=6500)
    choice = choose(store, LATEST, later, CLASSES, 30)
    assert choice.kept is not None
    assert choice.why == "fitted 30 days before, and it still holds"
    assert choose(store, ANEW, later, CLASSES, 30).kept is None


@pytest.mark.parametrize(
    ("change", "classes", "why"),
    [
        ({"as_of": date(2026, 4, 14)}, CLASSES, "c1 is 31 days old, more than recalibrate_days = 30"),
        ({"as_of": date(2026, 3, 13)}, CLASSES, "those that are kept look from after 2026-03-13"),
        ({}, (*CLASSES, "peat"), "c1 has not met peat"),
        ({"readings": 6601}, CLASSES, "c1 was fitted to 6,000 readings, now there are 6,601"),
        ({"electrodes": 350}, CLASSES, "c1 was fitted to 400 electrodes, now there are 350"),
    ],
)
def test_one_that_holds_no_more_is_not_used(
    store: Store, change: dict[str, Any], classes: tuple[str, ...], why: str
) -> None:
    _keep(store)
    choice = choose(store, LATEST, replace(BASIS, **change), classes, 30)
    assert choice.kept is None
    assert choice.why == why
    named = choose(store, "c1", replace(BASIS, **change), classes, 30).kept
    assert named is not None
    assert named.name == "c1"


def test_one_that_did_not_converge_or_of_another_program_is_not_used(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    _keep(store, converged=False)
    assert choose(store, LATEST, BASIS, CLASSES, 30).why == "c1 did not converge"
    _keep(store, at=AT.replace(hour=3))
    monkeypatch.setattr(kept_ones, "this_program", lambda: "9.9")
    assert choose(store, LATEST, BASIS, CLASSES, 30).why.startswith("c2 was fitted by version ")


def test_one_that_can_not_be_read_is_not_used_and_by_name_is_an_error(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = as_text(_calibration()).replace('"theta_cov"', '"theta_spread"')
    monkeypatch.setattr(kept_ones, "as_text", lambda _: written)
    _keep(store)
    choice = choose(store, LATEST, BASIS, CLASSES, 30)
    assert choice.kept is None
    assert "c1 is of an earlier program: Calibration has got a field theta_cov since" in choice.why
    with pytest.raises(WorkError, match="calibrate the fleet anew"):
        read_calibration(store, "c1")


def test_the_newest_that_does_not_look_from_later_is_taken(store: Store) -> None:
    _keep(store)
    _keep(store, replace(BASIS, as_of=date(2020, 1, 1)), AT.replace(day=20))
    kept = choose(store, LATEST, BASIS, CLASSES, 30).kept
    assert kept is not None
    assert kept.name == "c1"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, ""),
        ({"squared_noise": 1.15}, ""),
        ({"squared_noise": 1.25}, "squared noise of a reading 1.250, when it was fitted 1.020"),
        ({"wild_share": 0.03}, "share of wild readings 0.030, when it was fitted 0.011"),
        ({"not_understood": 0.06}, ""),
        ({"not_understood": 0.10}, "share of electrodes not understood 0.100, when it was fitted 0.030"),
    ],
)
def test_a_worse_fit_is_noticed_beyond_chance(store: Store, change: dict[str, float], says: str) -> None:
    _keep(store)
    kept = read_kept(store)
    assert kept is not None
    found = fits_worse(kept, replace(FIT, **change), BASIS)
    assert found == (f"fits no more: {says}" if says else "")
