"""The worked session of the analyst runs as it is written, on a published run."""

from __future__ import annotations

import json
import runpy
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.unit.test_hypotheses_asked import publish


def test_the_worked_script_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    publish(tmp_path, np.random.default_rng(1))
    monkeypatch.setattr(sys, "argv", ["analyst_script", str(tmp_path), str(tmp_path)])
    left = runpy.run_module("tests.worked.analyst_script")
    said = capsys.readouterr().out
    assert "Run r7: 120 rods at 24 sites." in said
    assert left["classes"].row["verdict"] == "supported"
    assert left["classes"].row["effect_low"] < 2.2 < left["classes"].row["effect_high"]
    assert left["places"].row["verdict"] != "supported"
    drawn = json.loads((tmp_path / "survival.json").read_text(encoding="utf-8"))
    assert {layer["mark"]["type"] for layer in drawn["layer"]} == {"area", "line"}
    assert (tmp_path / "ratio.json").is_file()
