"""What the ground was like: beyond the usual, frozen or dry; and what stands where nobody measured."""

from datetime import date, datetime

import numpy as np
import polars as pl
import pytest

from models.histories import Floats, Histories
from models.weather import WEATHER, ground_at_readings
from tests.unit.small_histories import site_history

TEMP, FROZEN, DRY_MONTH, DRY_YEAR = range(len(WEATHER))
SITES = pl.DataFrame({"site_id": ["A", "B"], "region": ["north", "north"]})
NO_WEATHER = pl.DataFrame(
    schema={"region": pl.String, "month": pl.String, "rain_mm": pl.Float64, "soil_temp_c": pl.Float64}
)


def _readings(days: list[tuple[str, date, float | None]]) -> tuple[Histories, pl.DataFrame]:
    """Lay out readings (site, day, soil temperature) and histories that hold them in reverse order."""
    frame = pl.DataFrame(
        {
            "row_id": list(range(len(days))),
            "site_id": [s for s, _, _ in days],
            "taken_at": [datetime(d.year, d.month, d.day, 10) for _, d, _ in days],
            "soil_temp_c": pl.Series([t for _, _, t in days], dtype=pl.Float64),
        }
    )
    n = len(days)
    h = site_history(
        [[float(k + 1) for k in range(n)]], [[2.0] * n], [2000.0 + k for k in range(n)], [range(n)]
    )
    return Histories(**{**vars(h), "row": np.arange(n)[::-1].copy()}), frame


def _ground(days: list[tuple[str, date, float | None]], weather: pl.DataFrame = NO_WEATHER) -> Floats:
    h, frame = _readings(days)
    return ground_at_readings(h, frame, weather, SITES)[::-1]


def _months(years: range, rain: float = 50.0, **columns: list[float]) -> pl.DataFrame:
    month = [f"{y}-{m:02d}" for y in years for m in range(1, 13)]
    return pl.DataFrame(
        {"region": ["north"] * len(month), "month": month, "rain_mm": [rain] * len(month), **columns}
    )


def _days(site: str, temps: list[float | None], first: int = 2010) -> list[tuple[str, date, float | None]]:
    """Read a site in January and July of each year in turn."""
    return [(site, date(first + k // 2, 1 if k % 2 == 0 else 7, 15), t) for k, t in enumerate(temps)]


def test_nothing_known_stands_at_nothing() -> None:
    got = _ground(_days("A", [None] * 6))
    assert (got == 0.0).all()


def test_a_warm_spell_counts_beyond_the_sites_own_season() -> None:
    # site B is 4 degrees warmer than A all along: that is its place, not its weather
    a = _days("A", [2.0, 18.0] * 6)
    b = _days("B", [6.0, 22.0] * 5 + [11.0, 22.0])
    got = _ground([*a, *b])
    assert got[:, FROZEN] == pytest.approx(0.0)
    assert got[22, TEMP] == pytest.approx(4.0, abs=1.0)
    rest = np.delete(got[:, TEMP], 22)
    assert np.abs(rest).max() < 1.0


def test_a_temperature_of_the_days_other_reading_speaks_for_the_site() -> None:
    days = _days("A", [2.0, 18.0] * 6)
    got = _ground([*days, ("A", days[3][1], None)])
    assert got[12] == pytest.approx(got[3])


def test_frost_is_a_step_and_the_unmeasured_stand_at_their_share() -> None:
    # January: frozen in three of six years measured, and once not measured
    temps: list[float | None] = [
        -1.0,
        15.0,
        1.0,
        15.0,
        -2.0,
        15.0,
        2.0,
        15.0,
        -0.5,
        15.0,
        1.5,
        15.0,
        None,
        None,
    ]
    got = _ground(_days("A", temps))[:, FROZEN]
    january, july = got[::2], got[1::2]
    assert january[:6] - january[:6].min() == pytest.approx([1, 0, 1, 0, 1, 0])
    assert january[6] - january[:6].min() == pytest.approx(0.5)
    assert july == pytest.approx(july[0])
    assert july[6] == pytest.approx(january[:6].min())
    # the mean over a year's months is nothing: a level is at the annual mean of its season
    assert july[0] == pytest.approx(-0.5 / 12)


def test_the_months_weather_speaks_where_no_crew_measured() -> None:
    soil = [10.0 + (3.0 if (y, m) == (2014, 7) else 0.0) - (12.0 if m == 1 else 0.0)
            for y in range(2010, 2016) for m in range(1, 13)]  # fmt: skip
    got = _ground(_days("A", [None] * 12), _months(range(2010, 2016), soil_temp_c=soil))
    assert got[9, TEMP] == pytest.approx(3.0 * 5 / 6)
    assert got[7, TEMP] == pytest.approx(-3.0 / 6)
    assert got[0, FROZEN] - got[1, FROZEN] == pytest.approx(1.0)


def test_rain_of_the_month_before_and_of_the_year_before() -> None:
    dry = _months(range(2010, 2016)).with_columns(
        pl.when(pl.col("month") == "2014-06").then(0.0).otherwise(pl.col("rain_mm")).alias("rain_mm")
    )
    days = [("A", date(2014, m, 20), None) for m in (6, 7, 8)] + [("A", date(2015, 6, 20), None),
            ("A", date(2015, 7, 20), None)]  # fmt: skip
    got = _ground(days, dry)
    short = np.log(55.0 / 5.0) * 5 / 6
    usual = -np.log(55.0 / 5.0) / 6
    assert got[:, DRY_MONTH] == pytest.approx([0.0, short, 0.0, 0.0, usual], abs=1e-9)
    # June stands once in each twelve months before; July 2015 looks back on June 2015 instead
    assert got[:, DRY_YEAR] == pytest.approx(np.array([usual, short, short, short, usual]) / 12, abs=1e-9)


def test_a_sites_own_weather_goes_before_its_regions() -> None:
    region = _months(range(2010, 2016), rain=50.0)
    own = _months(range(2010, 2016)).with_columns(
        pl.lit("B").alias("site_id"),
        pl.lit(None, dtype=pl.String).alias("region"),
        pl.when(pl.col("month") == "2014-06").then(5.0).otherwise(50.0).alias("rain_mm"),
    )
    weather = pl.concat([region, own], how="diagonal")
    got = _ground([("A", date(2014, 7, 3), None), ("B", date(2014, 7, 3), None)], weather)
    assert got[0, DRY_MONTH] == pytest.approx(0.0)
    assert got[1, DRY_MONTH] == pytest.approx(np.log(55.0 / 10.0) * 5 / 6)


def test_two_years_are_too_few_to_call_a_month_dry() -> None:
    weather = _months(range(2013, 2015)).with_columns(
        pl.when(pl.col("month") == "2014-06").then(0.0).otherwise(50.0).alias("rain_mm")
    )
    assert (_ground([("A", date(2014, 7, 3), None)], weather)[:, DRY_MONTH:] == 0.0).all()
