"""What run.json says of the calibration and of lasting shifts that nobody wrote down."""

from dataclasses import replace
from datetime import date

import numpy as np

from models.lasting_shifts import LastingShift
from models.season import SeasonSpread
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
