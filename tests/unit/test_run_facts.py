"""What run.json says of the calibration and of lasting shifts that nobody wrote down."""

from dataclasses import replace
from datetime import date

import numpy as np

from models.covariates import COVARIATES, Standards
from models.lasting_shifts import LastingShift
from models.season import SeasonSpread
from pipeline.ground_words import ground_facts
from pipeline.run_facts import Assumed, calibration_facts, shifts_to_ask_about
from tests.unit.small_histories import own_calibration, own_fit


def _shift(site: int, gap: int, size: float, sureness: float) -> LastingShift:
    h = own_fit().histories
    t = h.visit_year[h.visit_start[site] : h.visit_start[site + 1]]
    return LastingShift(site, float(t[gap : gap + 2].mean()), size, 0.05, sureness, 0.99)


def test_a_shift_is_told_by_the_visits_about_it_and_the_surest_first() -> None:
    fit = replace(own_fit(), shifts=(_shift(2, 3, np.log(1.4), 8.0), _shift(0, 0, np.log(0.75), 20.0)))
    h = fit.histories
    down, up = shifts_to_ask_about(fit)
    assert (down["site_id"], up["site_id"]) == (h.site_id[0], h.site_id[2])
    assert "moved by -25 % for good between" in down["sentence"]
    assert "moved by +40 % for good between" in up["sentence"]
    visits = h.visit_year[h.visit_start[2] : h.visit_start[3]]
    for day, year in ((up["after"], visits[3]), (up["by"], visits[4])):
        at = date.fromisoformat(day)
        assert abs(at.year + (at - date(at.year, 1, 1)).days / 365.25 - year) < 1 / 365
    assert f"between {up['after']} and {up['by']} and no works record says why" in up["sentence"]


def test_many_shifts_do_not_drown_the_warnings() -> None:
    sure = replace(own_calibration(), converged=True)
    told = [{"sentence": f"site {k} moved."} for k in range(13)]
    said = Assumed(["assumed."], sure, 0, told).warnings()
    assert said[:2] == ["assumed.", "site 0 moved."]
    assert len(said) == 12
    assert said[-1] == "3 more sites moved for good with no works record; their pages say so."
    assert Assumed([], sure, 0).warnings() == []


def test_the_season_is_told_by_its_evidence_and_without_its_empty_terms() -> None:
    cal = own_calibration()
    names = [n for n in cal.fixed_names if n.startswith("season_")]
    fixed = np.where(np.array(cal.fixed_names) == names[0], 0.1, 0.0)
    season = SeasonSpread(harmonics=1)
    facts = calibration_facts(
        replace(cal, fixed=fixed, season=season, season_evidence=(1.0, 5.5, 4.0, float("-inf")))
    )
    assert facts["season_harmonics"] == 1
    assert [facts[f"season_evidence_of_{k}_harmonics"] for k in range(4)] == [1.0, 5.5, 4.0, None]
    assert facts[names[0]] == 0.1
    assert not set(names[1:]) & set(facts)
    assert facts["intercept"] == 0.0


def test_what_surveys_say_is_told_in_the_units_of_the_trade_and_only_where_it_can_be_told() -> None:
    cal = own_calibration()
    names = ("log_resistivity", "stray_dc", "ph")
    loads = {"onset_site_load": 0.3, "growth_site_load": 0.2}
    theta = [loads.get(n, v) for n, v in zip(cal.theta_names, cal.theta, strict=True)]
    cov = np.diag([*np.zeros(cal.theta.size), 0.1**2, 0.1**2, 0.2**2])
    surveyed = replace(
        cal,
        theta=np.array([*theta, -0.4, 0.3, 0.1]),
        theta_cov=cov,
        theta_names=(*cal.theta_names, *(f"harshness_{n}" for n in names)),
        standards=Standards(names, np.zeros((len(cal.soils), 3)), np.array([np.log(1.5), 0.5, 0.4])),
    )
    resistivity, stray, ph = ground_facts(surveyed)
    assert resistivity["effect"] == -0.4
    assert resistivity["sentence"] == (
        "At a site of resistivity 1.5 times what is usual for its soil class, the site effect is -0.40 "
        "(-0.56 to -0.24): its rods begin to corrode 13 % later and then go 8 % slower."
    )
    assert stray["effect"] == 0.6  # from none to some is two spreads
    assert "of stray direct current, beside one without" in stray["sentence"]
    assert "16 % earlier and then go 13 % faster" in stray["sentence"]
    assert "can't be told from these readings" in ph["sentence"]
    assert ground_facts(cal) == []
    P = len(theta) + len(COVARIATES)
    every = replace(
        surveyed, theta_names=(*cal.theta_names, *(f"harshness_{n}" for n in COVARIATES)),
        theta=np.array([*theta, *np.zeros(len(COVARIATES))]), theta_cov=np.zeros((P, P)),
        standards=Standards(COVARIATES, np.zeros((len(cal.soils), len(COVARIATES))), np.full(7, 0.5)),
    )  # fmt: skip
    assert [f["covariate"] for f in ground_facts(every)] == list(COVARIATES)


def test_the_curve_families_are_told_once_they_were_weighed() -> None:
    cal = replace(own_calibration(), soils=("clay", "sand"), noise_sd=np.full(2, 0.1))
    assert not [n for n in calibration_facts(cal) if n.startswith("curve_")]
    weighed = replace(
        cal, family_weight=np.array([[0.25, 0.75], [1.0, 0.0]]), family_scored=np.array([40.0, 20.0]),
        family_gain=np.array([3.0, 0.5]),
    )  # fmt: skip
    facts = calibration_facts(weighed)
    assert facts["curve_accelerating_clay"] == 0.75
    assert facts["curve_onset_sand"] == 1.0
    assert facts["curve_families_scored_on"] == 60.0
    assert facts["curve_families_gain_in_log_score"] == 3.5


def test_the_hazards_of_breaks_are_said_in_plain_words() -> None:
    cal = own_calibration()
    steps = replace(
        cal.steps, break_rate=0.004, soil_factor={"marsh": 2.0, "clay": 1.0, "sand": 0.5}, after_rate=0.02,
        age_power=1.0,
    )  # fmt: skip
    facts = calibration_facts(replace(cal, steps=steps))
    assert facts["breaks"] == (
        "Of 1,000 sound rods 4.0 part at once in a year (marsh 8.0, clay 4.0, sand 2.0); once cladding or "
        "joint has given way, 20.0 more. Age by itself changes that little."
    )
    assert facts["break_rate_per_year_marsh"] == 0.008
    assert facts["break_rate_after_onset_per_year"] == 0.02
    older = calibration_facts(replace(cal, steps=replace(steps, age_power=1.5)))["breaks"]
    assert older.endswith("At 30 years of age that of sound rods is 1.7 times what it is at 10.")
