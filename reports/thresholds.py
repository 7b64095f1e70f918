"""Which threshold the owner set for an electrode, from the settings that the run stored."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reports.staged import Row


def threshold_ratio(
    settings: Mapping[str, Any], soil_class: str | None, material: str | None = None
) -> float | None:
    """Give the threshold ratio: the material's where one is set, else the class's, else the fleet's."""
    by_material = settings.get("threshold_ratio_by_material") or {}
    by_class = settings.get("threshold_ratio_by_class") or {}
    ratio = by_material.get(material, by_class.get(soil_class, settings.get("threshold_ratio")))
    return float(ratio) if isinstance(ratio, int | float) else None


def threshold_ohm(settings: Mapping[str, Any], outlook: Row) -> float | None:
    """Give the resistance at which an electrode is past threshold, ohm: the lower of two limits."""
    ratio = threshold_ratio(settings, outlook.get("soil_class"), outlook.get("material"))
    baseline, absolute = outlook.get("baseline_ohm"), settings.get("threshold_ohm")
    limits = [ratio * baseline] if ratio and baseline else []
    limits += [float(absolute)] if isinstance(absolute, int | float) else []
    return min(limits, default=None)
