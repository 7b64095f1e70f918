"""The adjustment for many questions against its own paper."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from models.hypotheses import HYPOTHESES, adjust

# Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57 (1995), section 3: 15 p values of a heart attack trial.
P_VALUES = (
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.324, 0.4262, 0.5719, 0.6528, 0.759, 1.0),
)
# Recomputed from the paper's procedure.
ADJUSTED = (
    *(0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.06385714, 0.06385714, 0.0645),
    *(0.0765, 0.486, 0.58118182, 0.714875, 0.75323077, 0.81321429, 1.0),
)


def asked() -> pl.DataFrame:
    rows = [
        dict.fromkeys(HYPOTHESES)
        | {
            "question_id": f"{number:02d}",
            "asked_on": dt.date(2026, 1, 1),
            "p_value": p,
            "effect_low": 1.1,
            "effect_high": 1.9,
            "converged": True,
            "sentence": "",
        }
        for number, p in enumerate(P_VALUES)
    ]
    return pl.DataFrame(rows, schema=HYPOTHESES)


def test_four_of_fifteen_questions_stand() -> None:
    """The paper (seen in a stored text): four rejections at 5 %, where Bonferroni leaves three."""
    table = adjust(asked()).sort("question_id")
    assert table["p_adjusted"].to_list() == pytest.approx(ADJUSTED, abs=1e-7)
    assert table.filter(pl.col("verdict") == "supported").height == 4


def test_unadjusted_p_values_fail() -> None:
    """A wrong model fails: nine of these p values lie under 5 % by themselves."""
    assert sum(p < 0.05 for p in P_VALUES) == 9


def test_three_of_fifteen_questions_stand_where_no_false_one_is_wanted() -> None:
    """The paper, section 3: a step-up control of the familywise rate (Hochberg 1988) rejects three as well.

    Holm (Scand. J. Stat. 6, 1979) steps down and never rejects more than that; by hand the fourth smallest,
    0.0095, is held against 0.05 / 12 = 0.0042.
    """
    table = adjust(asked()).sort("question_id")
    assert table.filter(pl.col("p_holm") < 0.05).height == 3
    by_hand = [min(1.0, max(p * (15 - k) for k, p in enumerate(P_VALUES[: j + 1]))) for j in range(15)]
    assert table["p_holm"].to_list() == pytest.approx(by_hand, abs=1e-12)
