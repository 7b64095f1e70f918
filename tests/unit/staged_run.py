"""A small, made-up, complete staged run for the tests of the pages: no model made these numbers."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from tests.unit.staged_questions import staged_ground, staged_questions

AS_OF = date(2026, 5, 31)
CLASSES = ("marsh clay", "glacial till", "river gravel")
SITE_NAMES = (
    "Alder Weir",
    "<script>alert(1)</script>",
    "=1+1",
    "Müllerhöhe Süd",
    'Quarry & Sons\' "Yard"',
    "@SUM(A1)",
    "-2+3 Fen",
    "Brass Mill",
    "Copperbeck",
    "Dun Hollow",
    "Elm Gate",
    "</script><img src=x onerror=alert(2)>",
)
SITE_IDS = (
    "N-001", "N-002", "=N3", "Süd/4", "N-005", "../N6", "N-007", "N-008", "N-009", "N-010", "N-011", "N-012",
)  # fmt: skip
WELLS = 3


def write_staged_run(
    folder: Path, seed: int = 11, sites: int = 12, wells: int = WELLS, years: int = 15
) -> Path:
    """Write the staged tables of an invented run into `folder`; give `folder` back.

    `sites` beyond the twelve named ones get plain names; `years` visits, one a year, per well.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    ids = [SITE_IDS[k] if k < len(SITE_IDS) else f"N-{k + 1:03d}" for k in range(sites)]
    names = [SITE_NAMES[k] if k < len(SITE_NAMES) else f"Invented Rise {k + 1}" for k in range(sites)]
    electrodes = [_electrode(rng, ids[k], k, w, years) for k in range(sites) for w in range(wells)]
    tables = {
        "sites": _sites(ids, names, wells, years),
        "electrode_outlook": pl.DataFrame([e[0] for e in electrodes], infer_schema_length=None),
        "electrode_curves": pl.concat([e[1] for e in electrodes]),
        "reading_verdicts": pl.concat([e[2] for e in electrodes]).with_row_index("row_id", 1),
        "site_outlook": _site_outlook(ids, wells),
        "site_ranking": _ranking(ids, names),
        "plan": _plan(ids),
        "class_curves": _class_curves(),
        "survival_curves": _survival_curves(),
        "survival_models": _survival_models(),
        "survival_hazard": _survival_hazard(),
        "survival_ahead": _survival_ahead(),
        "survival_sensitivity": _survival_sensitivity(),
        "survival_truncation": _survival_truncation(),
        "survival_residuals": _survival_residuals(),
        "verdict_counts": _verdict_counts(),
        "verdict_groups": _verdict_groups(),
        "model_checks": _model_checks(),
        "residual_checks": _residual_checks(),
        "not_understood": _not_understood(ids),
        "loop_dependence": _loop_dependence(ids),
        "measure_again": _measure_again(ids),
        "site_ground": pl.DataFrame(
            {
                "site_id": ids[:1],
                "corrosivity": ["corrosive"],
                "resistivity_ohm_m": [42.0],
                "corrosivity_points": [3.5],
            }
        ),
        "next_readings": _next_readings(ids),
        "next_rounds": _next_rounds(ids),
        "track_tenths": _track_tenths(),
        "attend_first": _attend_first(ids),
        "load_books": _load_books(),
        "refused_rows": _refused_rows(),
        **staged_questions(),
        **staged_ground(),
    }
    for name, table in tables.items():
        table.write_parquet(folder / f"{name}.parquet")
    (folder / "run.json").write_text(json.dumps(_run(sites, wells), indent=1), encoding="utf-8")
    return folder


def _verdict_counts() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "rule": ["calibration_lapsed", "calibration_lapsed", "slipped_decimal"],
            "verdict": ["doubtful", "doubtful", "set_aside"],
            "crew": ["N-1", None, "N-1"],
            "instrument_id": ["<b>J7</b>", "<b>J7</b>", "K2"],
            "year": [2015, 2016, 2015],
            "readings": [7, 4, 1],
            "of": [40, 12, 60],
        }
    )


def _verdict_groups() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "rule": ["calibration_lapsed"],
            "by": ["instrument_id"],
            "group": ["<b>J7</b>"],
            "readings": [11],
            "of": [52],
            "visits": [4],
            "times": [6.25],
            "p_value": [1e-6],
        }
    )


def _sites(ids: list[str], names: list[str], wells: int, years: int) -> pl.DataFrame:
    n = len(ids)
    return pl.DataFrame(
        {
            "site_id": ids,
            "site_name": names,
            "region": [("North Fells", "Low Marches", "Übersee")[k % 3] for k in range(n)],
            # The last of the twelve has no coordinates.
            "latitude": [None if k == 11 else 51.0 + 0.11 * (k % 17) for k in range(n)],
            "longitude": [None if k == 11 else -1.5 + 0.13 * (k % 13) for k in range(n)],
            "voltage_kv": [33.0] * n,
            "commissioned_on": [date(1985, 6, 1)] * n,
            "soil_class": [CLASSES[k % 3] for k in range(n)],
            "rod_count": [12 + k % 5 for k in range(n)],
            "wells": [wells] * n,
            "return_path": ["multi_grounded_neutral"] * n,
            "first_reading_on": [date(2026 - years, 4, 2)] * n,
            "last_reading_on": [date(2026, 4, 2)] * n,
            "readings": [wells * years] * n,
        }
    )


def _electrode(
    rng: np.random.Generator, site: str, k: int, w: int, years: int
) -> tuple[dict[str, object], pl.DataFrame, pl.DataFrame]:
    """Give the outlook row, the curve and the verdicts of one well."""
    installed = date(1985, 6, 1)
    age = (AS_OF - installed).days / 365.25
    base, onset, growth = 9.0 + 2 * w + k % 4, 18.0 + (k % 5) * 4, 0.03 + 0.01 * (w + k % 3)
    never = k % 6 == 5
    growth = 0.0 if never else growth

    def level(at: float) -> float:
        return base * math.exp(growth * max(at - onset, 0.0))

    cross = math.inf if never else onset + math.log(2) / growth
    electrode = f"{site}-E{w + 1}"
    p_now = 0.0004 if never else float(1 / (1 + math.exp(-(age - cross) / 3)))
    past = {
        f"p_past_{h}y": min(0.9999, p_now + (1 - p_now) * h * (0.0001 if never else 0.04))
        for h in (1, 3, 5, 10)
    }
    spread = {"p05": 0.8, "p10": 0.85, "p25": 0.92, "p50": 1.0, "p75": 1.1, "p90": 1.2, "p95": 1.3}
    broken = k == 0 and w == 1
    outlook: dict[str, object] = {
        "electrode_id": electrode,
        "site_id": site,
        "well_id": f"W{w + 1}",
        "soil_class": CLASSES[k % 3],
        "material": ("copper_bonded_steel", "galvanized_steel")[w % 2],
        "kind": "driven_rod",
        "as_of": AS_OF,
        "installed_on": installed,
        "age_years": age,
        "readings_used": years - 1,
        "ratio_basis": "loop_raw" if k % 4 == 3 else "rod_net",
        "baseline_source": "inferred",
        "baseline_ohm": base,
        "baseline_sd_log": 0.2,
        "level_ohm": level(age),
        "ratio_now": level(age) / base,
        "p_past_now": p_now,
        **past,
        **{f"crossing_age_{q}": cross * f for q, f in spread.items()},
        "p_broken": 0.97 if broken else 0.002,
        "break_state": "confirmed" if broken else "none",
        "growth_per_year": growth,
        "onset_age_p50": math.inf if never else onset,
        "state": "broken" if broken else "past" if p_now > 0.5 else "steady" if never else "drifting",
        "converged": True,
        "last_taken_on": date(2026, 4, 2),
        "last_ohm": level(age),
    }
    grid = np.arange(age - years - 1, age + 10.01, 0.5)
    mid = np.array([level(a) for a in grid])
    wide = 0.12 + 0.02 * np.maximum(grid - age, 0)
    curve = pl.DataFrame(
        {
            "electrode_id": electrode,
            "site_id": site,
            "age_years": grid,
            "on_date": [installed + timedelta(days=float(a) * 365.25) for a in grid],
            "ohm_p05": mid * np.exp(-1.6 * wide),
            "ohm_p50": mid,
            "ohm_p95": mid * np.exp(1.6 * wide),
        }
    )
    return outlook, curve, _verdicts(rng, electrode, years, level, broken)


def _verdicts(
    rng: np.random.Generator, electrode: str, years: int, level: Callable[[float], float], broken: bool
) -> pl.DataFrame:
    site, w = electrode.rsplit("-E", 1)[0], int(electrode.rsplit("-E", 1)[1]) - 1
    rows = []
    for j in range(years):
        taken = datetime(2026 - years + 1 + j, 4, 2, 9, 30) + timedelta(days=17 * (j % 4))
        age = (taken.date() - date(1985, 6, 1)).days / 365.25
        season, campaign = 1.0 + 0.1 * math.sin(j), float(np.exp(0.05 * rng.normal()))
        clean = level(age) * float(np.exp(0.06 * rng.normal()))
        verdict, rule, reason, mark = "good", None, None, None
        if j == 4:
            verdict, rule, reason = "set_aside", "unit_slip", "1000 times its neighbours: read in milliohm?"
        elif j == 7:
            verdict, rule, reason = "doubtful", "noisy_day", "the whole visit stands 40 % high; <b>check</b>"
        elif broken and j >= years - 2:
            verdict, rule, reason, mark = "censored", "over_range", "over the meter's range", "over"
        raw = 1500.0 if mark else clean * season * campaign * (1000 if j == 4 else 1)
        rows.append(
            {
                "electrode_id": electrode,
                "site_id": site,
                "well_id": f"W{w + 1}",
                "taken_at": taken,
                "resistance_ohm": raw,
                "range_mark": mark,
                "verdict": verdict,
                "rule": rule,
                "reason": reason,
                "season_factor": season,
                "campaign_factor": campaign,
                "weight": 0.0 if verdict == "set_aside" else 1.0,
                "corrected_ohm": None if verdict == "set_aside" or mark else clean,
                "p_wild": 0.01,
                "file": f"crew_a/readings_{taken.year}.csv",
                "sheet": None,
                "line": 2 + w + 3 * j,
            }
        )
    texts = dict.fromkeys(("rule", "reason", "range_mark", "sheet"), pl.String)
    return pl.DataFrame(rows, infer_schema_length=None, schema_overrides=texts)


def _site_outlook(ids: list[str], wells: int) -> pl.DataFrame:
    n = len(ids)
    p_now = [max(0.0003, 0.8 - 0.07 * k) for k in range(n)]
    return pl.DataFrame(
        {
            "site_id": ids,
            "as_of": [AS_OF] * n,
            "wells": [wells] * n,
            "rod_count": [12 + k % 5 for k in range(n)],
            "expected_rods_past_now": [6.2 * p for p in p_now],
            "expected_rods_past_5y": [8.4 * p for p in p_now],
            "p_limit_now": p_now,
            "p_limit_5y": [min(0.998, p + 0.15) for p in p_now],
            "years_to_limit_p10": [0.0 + k for k in range(n)],
            "years_to_limit_p50": [3.0 + k for k in range(n)],
            "years_to_limit_p90": [math.inf if k % 2 else 12.0 + k for k in range(n)],
            "site_ohm_now": [0.92 + 0.01 * k for k in range(n)],
            "site_ohm_if_past_rods_lost": [0.94 + 0.01 * k for k in range(n)],
            "potential_rise_v": [2500.0 if k else None for k in range(n)],
            "potential_rise_if_past_rods_lost_v": [2600.0 if k else None for k in range(n)],
            "clearing_time_s": [0.5] * n,
            "body_current_a": [0.164] * n,
            "current_max_a": [12.4 if k == 4 else 0.2 for k in range(n)],
            "current_sum_a": [14.0 if k == 4 else 0.5 for k in range(n)],
            "attend_first": [k in (1, 4) for k in range(n)],
            "attend_first_findings": [int(k in (1, 4)) for k in range(n)],
            "limit_text": ["half of the site's rods past threshold"] * n,
        }
    )


def _ranking(ids: list[str], names: list[str]) -> pl.DataFrame:
    n = len(ids)
    outlook = _site_outlook(ids, WELLS)
    return pl.DataFrame(
        {
            "rank": list(range(1, n + 1)),
            "site_id": ids,
            "site_name": names,
            "region": [("North Fells", "Low Marches", "Übersee")[k % 3] for k in range(n)],
            "expected_benefit": [42000.0 / (k + 1) for k in range(n)],
            "cost": [9000.0 + 500 * (k % 5) for k in range(n)],
            "benefit_per_cost": [42000.0 / (k + 1) / (9000.0 + 500 * (k % 5)) for k in range(n)],
            # The first four reach each other's places; from the fifth on they do not reach the first's.
            "rank_p10": [1.0 if k < 4 else k + 0.5 for k in range(n)],
            "rank_p90": [4.0 if k < 1 else k + 3.0 for k in range(n)],
            "reason": [
                f"{names[k]}: about {6 - k % 4} of {12 + k % 5} rods are past threshold now and 8 by 2031; "
                "the chance of being past the limit (half of the rods past threshold) rises; renewing 6 rods "
                "is expected to avoid more than it costs."
                for k in range(n)
            ],
            "attend_first": [k in (1, 4) for k in range(n)],
            "p_limit_now": outlook["p_limit_now"],
            "p_limit_5y": outlook["p_limit_5y"],
            "soil_class": [CLASSES[k % 3] for k in range(n)],
        }
    )


def _plan(ids: list[str]) -> pl.DataFrame:
    chosen = ids[:5]
    return pl.DataFrame(
        {
            "site_id": chosen,
            "year": [2026, 2026, 2027, 2027, 2028][: len(chosen)],
            "action": ["replace_rods"] * len(chosen),
            "rods": [6, 5, 4, 4, 3][: len(chosen)],
            "cost": [9000.0, 9500.0, 10000.0, 10500.0, 11000.0][: len(chosen)],
            "expected_benefit": [42000.0 / (k + 1) for k in range(len(chosen))],
        }
    )


def _class_curves() -> pl.DataFrame:
    rows = []
    for c, name in enumerate(CLASSES):
        for material in ("copper_bonded_steel", "galvanized_steel"):
            for age in np.arange(0.0, 50.5, 0.5):
                grown = max(age - 15 - 5 * c, 0) * (0.03 if material.startswith("c") else 0.05)
                rows.append(
                    {
                        "soil_class": name,
                        "material": material,
                        "age_years": float(age),
                        "ratio_p10": math.exp(0.7 * grown),
                        "ratio_p50": math.exp(grown),
                        "ratio_p90": math.exp(1.4 * grown),
                        "share_past": 1 / (1 + math.exp(-(age - 34 - 4 * c) / 4 - (material[0] == "g"))),
                        "electrodes": 40 - 10 * c,
                    }
                )
    return pl.DataFrame(rows)


def _survival_curves() -> pl.DataFrame:
    rows = []
    for c, name in enumerate(CLASSES):
        for method in ("turnbull", "curve", "replicas"):
            for age in range(0, 51, 2):
                later = {"turnbull": 0, "curve": 2, "replicas": -1}[method]
                share = 1 / (1 + math.exp(-(age - 35 - 4 * c - later) / 4))
                rows.append(
                    {
                        "soil_class": name,
                        "method": method,
                        "age_years": float(age),
                        "share_past": share,
                        "low": max(0.0, share - 0.1),
                        "high": min(1.0, share + 0.1),
                        "at_risk": 80 - age,
                        "low_all_ages": max(0.0, share - 0.2) if method == "turnbull" and age >= 8 else None,
                        "high_all_ages": min(1.0, share + 0.2) if method == "turnbull" and age >= 8 else None,
                    }
                )
    return pl.DataFrame(rows)


def _survival_models() -> pl.DataFrame:
    plain = pl.DataFrame(
        {
            "soil_class": list(CLASSES),
            "model": ["weibull"] * 3,
            "shape": [2.1, 2.4, 1.9],
            "scale_years": [38.0, 44.0, 51.0],
            "median_years": [32.0, 38.0, 42.0],
            "median_low": [28.0, 33.0, 35.0],
            "median_high": [36.0, 44.0, math.inf],
            "electrodes": [80, 60, 40],
            "converged": [True, True, False],
            "log_likelihood": [-210.0, -180.0, None],
            "aic": [424.0, 364.0, None],
            "best": [False, True, False],
            "site_sd": [None, None, None],
            "site_sd_low": [None, None, None],
            "site_sd_high": [None, None, None],
            "residual_gap": [None, 0.09, None],
            "residuals_leave": [None, True, None],
        },
        schema_overrides={c: pl.Float64 for c in ("site_sd", "site_sd_low", "site_sd_high")},
    )
    site = plain.head(1).with_columns(
        model=pl.lit("lognormal_site"),
        log_likelihood=pl.lit(-200.0),
        aic=pl.lit(406.0),
        best=pl.lit(True),
        site_sd=pl.lit(0.4),
        site_sd_low=pl.lit(0.2),
        site_sd_high=pl.lit(0.7),
        residual_gap=pl.lit(0.03),
        residuals_leave=pl.lit(False),
    )
    return pl.concat([plain, site])


def _survival_hazard() -> pl.DataFrame:
    rows = [
        {
            "soil_class": name,
            "method": method,
            "age_years": age,
            "hazard_per_year": 0.002 * age,
            "low": 0.001 * age,
            "high": 0.003 * age,
        }
        for name in CLASSES[:2]
        for method in ("turnbull", "weibull")
        for age in (2.5, 10.0, 20.0, 30.0)
    ]
    return pl.DataFrame(rows)


def _survival_ahead() -> pl.DataFrame:
    rows = [
        {
            "soil_class": CLASSES[0],
            "method": method,
            "age_years": now,
            "ahead_years": ahead,
            "p_past": 0.02 * ahead,
            "low": 0.01 * ahead,
            "high": 0.03 * ahead,
        }
        for method in ("turnbull", "weibull")
        for now in (10.0, 20.0)
        for ahead in (5.0, 10.0)
        if (method, now) != ("turnbull", 20.0)
    ]
    return pl.DataFrame(rows)


def _survival_sensitivity() -> pl.DataFrame:
    shares = {"as_read": 0.5, "retired_past": 0.53, "retired_sound": 0.49, "from_first_visit": 0.3}
    return pl.DataFrame(
        {
            "soil_class": [CLASSES[0]] * 4,
            "alternative": list(shares),
            "electrodes": [80] * 4,
            "crossed": [40] * 4,
            "age_years": [34.0] * 4,
            "share_past": list(shares.values()),
            "share_change": [None, 0.03, -0.01, -0.2],
            "median_years": [34.0, 33.0, 35.0, None],
            "within_band": [True, True, True, False],
        }
    )


def _survival_residuals() -> pl.DataFrame:
    at = np.arange(1, 30) / 10
    share = -np.expm1(-at)
    return pl.DataFrame(
        {
            "soil_class": [CLASSES[0]] * at.size,
            "model": ["weibull"] * at.size,
            "residual": at,
            "share": share * 0.9,
            "low": [*(share[:20] * 0.8), *[None] * 9],
            "high": [*(share[:20] * 1.1), *[None] * 9],
            "expected": share,
        }
    )


def _survival_truncation() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "soil_class": list(CLASSES),
            "electrodes": [80, 60, 40],
            "before_records": [70, 50, 0],
            "past_at_first_visit": [20, 4, 0],
            "still_there": [1.1, 0.2, None],
            "still_there_low": [0.8, 0.1, None],
            "still_there_high": [1.5, 0.4, None],
            "from_first_visit": [False, True, False],
            "converged": [True, True, False],
        }
    )


def _model_checks() -> pl.DataFrame:
    rows = []
    for rods in ("new", "same"):
        for c, name in enumerate((*CLASSES, "all classes")):
            for k, summary in enumerate(("ratio_over_2", "reading_scatter", "share_past_turnbull")):
                if summary == "share_past_turnbull" and (rods == "same" or name == "all classes"):
                    continue
                flagged = rods == "new" and c == 1 and k > 0
                rows.append(
                    {
                        "soil_class": name,
                        "rods": rods,
                        "summary": summary,
                        "meaning": "made up",
                        "electrodes": 40 - 10 * c if c < 3 else 60,
                        "observed": 0.5 if flagged else 0.2 + 0.01 * c,
                        "replicas_p05": 0.15,
                        "replicas_p50": 0.21,
                        "replicas_p95": 0.27,
                        "p_value": 0.02 if flagged else 0.6,
                        "flagged": flagged,
                        "says": "The readings cross earlier <b>here</b>." if flagged else "",
                    }
                )
    return pl.DataFrame(rows)


def _residual_checks() -> pl.DataFrame:
    rows = []
    groups = {
        "month": ("Mar", "Apr", "May", "Jun"),
        "meter": ("K1", "<i>K2</i>", "K3"),
        "campaign": tuple(f"North Fells {y}" for y in range(1996, 2026)),
        "tenth": tuple(f"{10 * k}-{10 * k + 10} %" for k in range(10)),
    }
    for by, names in groups.items():
        for k, name in enumerate(names):
            tenth, flagged = by == "tenth", name == "<i>K2</i>"
            shift = 7.5 if flagged else 0.4 * (-1) ** k
            rows.append(
                {
                    "by": by,
                    "group": name,
                    "place": k,
                    "readings": 1000 if tenth else 90,
                    "sites": 12,
                    "shift_pct": None if tenth else shift,
                    "shift_low_pct": None if tenth else shift - 2.0,
                    "shift_high_pct": None if tenth else shift + 2.0,
                    "scatter": None if tenth else 1.02,
                    "p_shift": None if tenth else 0.0004 if flagged else 0.5,
                    "p_scatter": None if tenth else 0.5,
                    "share": 0.09 + 0.002 * k if tenth else None,
                    "flagged": flagged,
                    "reason": "reads 8 % high beside the rest" if flagged else "",
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def _not_understood(ids: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "electrode_id": [f"{ids[1]}-E2", f"{ids[0]}-E1"],
            "site_id": [ids[1], ids[0]],
            "well_id": ["W2", "W1"],
            "soil_class": [CLASSES[1], CLASSES[0]],
            "state": ["not_understood", "drifting"],
            "why": ["it scatters 3.1 times as much as its class", "it came down by 40 % and stayed"],
            "look_at": ["whether always the same lead is clamped", "works that nobody noted"],
            "readings": [14, 13],
            "farthest_on": [date(2019, 4, 2), date(2020, 4, 2)],
            "noise_times": [3.1, 1.0],
            "wild_share": [0.2, 0.0],
            "farthest_z": [4.0, 1.0],
            "fall_pct": [0.0, 40.0],
            "severity": [1.4, 1.2],
        }
    )


def _measure_again(ids: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "site_id": [ids[0]],
            "electrode_id": [f"{ids[0]}-E2"],
            "well_id": ["W2"],
            "taken_at": [datetime(2026, 4, 2, 10)],
            "rule": ["maybe_slipped"],
            "resistance_ohm": [152.0],
            "reason": ["152 ohm beside readings near 15 ohm: a slipped decimal or a failure; read it again."],
            "how": ["Read it twice, all digits and the unit as the meter shows them."],
            "last_good_on": [date(2025, 4, 2)],
        }
    )


def _loop_dependence(ids: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "electrode_id": [f"{ids[0]}-E1", f"{ids[1]}-E1"],
            "rest_low_ohm": [0.0, 0.0],
            "rest_high_ohm": [12.0, 1.5],
            "ratio_as_read": [1.6, 1.2],
            "ratio_low": [1.6, 1.2],
            "ratio_high": [2.4, 1.22],
            "p_past_now": [0.1, 0.01],
            "p_past_now_high": [0.72, 0.02],
            "p_past_5y": [0.3, 0.02],
            "p_past_5y_high": [0.9, 0.03],
            "depends": [True, False],
        }
    )


def _next_readings(ids: list[str]) -> pl.DataFrame:
    worth = (120.0, 40.0, 0.0)
    return pl.DataFrame(
        {
            "site_id": ids[:3],
            "electrode_id": [f"{s}-E1" for s in ids[:3]],
            "well_id": ["W1"] * 3,
            "reason": [
                "Now best: defer. A reading above 24.5 Ω, renew 6 rods.",
                "Now best: renew 5 rods. A reading below 11 Ω, renew 4 rods.",
                "Past its threshold whatever it reads.",
            ],
            "rods_now": [0, 5, 4],
            "rods_above": [6, None, None],
            "rods_below": [None, 4, None],
            "value": worth,
            "p_change_of_decision": [0.22, 0.08, 0.0],
            "p_past_5y": [0.5, 0.3, 0.999],
            "above_ohm": [24.5, None, None],
            "below_ohm": [None, 11.0, None],
            "ratio_sd_now": [0.2, 0.1, 0.3],
            "ratio_sd_after": [0.1, 0.09, 0.3],
            "sd_reduction": [0.5, 0.1, 0.0],
        }
    )


def _next_rounds(ids: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "site_id": ids[:3],
            "best_well": ["W1", "W1", None],
            "reason": ["Now best: defer; 31 % chance that the readings say otherwise; worth the visit."] * 3,
            "wells": [3, 3, 3],
            "rods_now": [0, 5, 4],
            "value": [300.0, 90.0, 0.0],
            "p_change_of_decision": [0.31, 0.1, 0.0],
            "gain_now": [-100.0, 2000.0, 30000.0],
            "visit_cost": [150.0] * 3,
            "price_of_money": [2.5] * 3,
            "worth_the_visit": [True, False, False],
        }
    )


def _track_tenths() -> pl.DataFrame:
    n = 5
    return pl.DataFrame(
        {
            "forecast_on": [date(2019, 6, 1)] * n,
            "judged_on": [AS_OF] * n,
            "horizon_years": [5.0] * n,
            "tenth": [f"{20 * k}-{20 * k + 10} %" for k in range(n)],
            "electrodes": [40, 20, 10, 10, 20],
            "forecast": [0.05, 0.25, 0.45, 0.65, 0.85],
            "observed": [0.04, 0.3, 0.4, 0.7, 0.85],
            "standard_error": [0.03, 0.1, 0.15, 0.15, 0.08],
        }
    )


def _attend_first(ids: list[str]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "site_id": [ids[4], ids[1], None, ids[2]],
            "electrode_id": [f"{ids[4]}-E1", None, None, f"{ids[2]}-E1"],
            "taken_at": [
                datetime(2026, 4, 19, 9, 30),
                datetime(2026, 4, 2, 9, 30),
                None,
                datetime(2025, 4, 2),
            ],
            "finding": ["current_danger", "summed_current_danger", "lead_reads_open", "current_note"],
            "value": [12.4, 14.0, 900.0, 1.2],
            "why": [
                "12.4 A on one lead: at or above the owner's danger level of 10 A",
                "14 A summed over the visit",
                "reads open: 900 ohm where 12 ohm used to stand",
                "1.2 A on one lead",
            ],
        },
        schema_overrides={"electrode_id": pl.String},
    )


def _load_books() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "file_id": ["f1", "f2"],
            "file": ["crew_a/readings_2026.csv", "north/<i>readings</i>.xlsx"],
            "sheet": [None, "readings"],
            "table_name": ["readings", "readings"],
            "profile": ["plain", "crew_b"],
            "loaded_at": [datetime(2026, 6, 1, 2, 0), datetime(2026, 6, 1, 2, 1)],
            "rows_read": [100, 50],
            "rows_taken": [97, 40],
            "rows_held": [0, 10],
            "rows_refused": [3, 0],
            "rows_superseding": [1, 0],
        }
    )


def _refused_rows() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "file": ["crew_a/readings_2026.csv"] * 3,
            "sheet": [None] * 3,
            "line": [7, 8, 12],
            "table_name": ["readings"] * 3,
            "reason": [
                "taken_at lies after the day of loading",
                "resistance_ohm is not a number",
                "no such well",
            ],
            "cells": [
                '{"well_id": "W9"}',
                '{"resistance_ohm": "=cmd()"}',
                '{"note": "<script>alert(3)</script>"}',
            ],
            "settled": [False, False, True],
        },
        schema_overrides={"sheet": pl.String},
    )


def _run(sites: int, wells: int) -> dict[str, object]:
    return {
        "run_id": "20260531-made-up",
        "started_at": "2026-06-01T02:00:00+00:00",
        "finished_at": "2026-06-01T02:03:10+00:00",
        "as_of": AS_OF.isoformat(),
        "seed": 11,
        "currency": "crowns",
        "settings": {
            "threshold_ratio": 2.0,
            "budget": 30000,
            "horizons_years": [1, 3, 5, 10],
            "current_danger_a": 10,
        },
        "versions": {"rodfleet": "0.1.0", "polars": "2.1.0"},
        "counts": {"sites": sites, "electrodes": sites * wells},
        "seconds": {"vetting": 1.2, "site_pass": 8.9},
        "checks": [
            {"name": "every_reading_has_one_verdict", "passed": True, "rows": 0},
            {"name": "ranks_are_whole", "passed": True, "rows": 0},
        ],
        "calibration": {"season_amplitude": 0.12, "noise_sd_log": 0.06},
        "warnings": ["glacial till: 3 electrodes did not converge and are shown as such"],
    }
