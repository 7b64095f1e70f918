"""What run.json says of a run, as one typed object."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reports import words


@dataclass(frozen=True)
class RunFacts:
    """What a reader needs to tell this run from another, and to trust it or not."""

    run_id: str
    as_of: str
    finished_at: str
    currency: str
    threshold_ratio: float | None
    budget: float | None
    seed: str
    versions: tuple[tuple[str, str], ...]
    checks: tuple[tuple[str, bool, str], ...]
    warnings: tuple[str, ...]
    calibrated: str

    @property
    def failed(self) -> tuple[str, ...]:
        """Name the checks that did not pass."""
        return tuple(name for name, passed, _ in self.checks if not passed)


def run_facts(run: Mapping[str, Any]) -> RunFacts:
    """Read run.json's facts; what it leaves out is said to be not known."""
    settings = run.get("settings") or {}
    threshold, budget = settings.get("threshold_ratio"), settings.get("budget")
    return RunFacts(
        run_id=str(run.get("run_id", words.UNKNOWN)),
        as_of=str(run.get("as_of", words.UNKNOWN)),
        finished_at=str(run.get("finished_at") or words.UNKNOWN),
        currency=str(run.get("currency") or settings.get("currency") or ""),
        threshold_ratio=float(threshold) if isinstance(threshold, int | float) else None,
        budget=float(budget) if isinstance(budget, int | float) else None,
        seed=str(run.get("seed", words.UNKNOWN)),
        versions=tuple((str(k), str(v)) for k, v in (run.get("versions") or {}).items()),
        checks=tuple(_check(check) for check in run.get("checks") or ()),
        warnings=tuple(str(sentence) for sentence in run.get("warnings") or ()),
        calibrated=_calibrated(run.get("calibrated") or {}),
    )


def shifts_by_site(run: Mapping[str, Any]) -> dict[str, str]:
    """Give, by site, the sentence that asks about a lasting shift that no works record explains."""
    return {str(s["site_id"]): str(s["sentence"]) for s in run.get("lasting_shifts") or ()}


def _calibrated(by: Mapping[str, Any]) -> str:
    """Say under which calibration the run was made, and why that one."""
    if not by:
        return words.UNKNOWN
    return f"{by.get('name')}, {'fitted for this run' if by.get('anew') else 'kept'}: {by.get('why')}"


def _check(check: Mapping[str, Any]) -> tuple[str, bool, str]:
    rows = check.get("rows")
    return str(check.get("name")), bool(check.get("passed")), "" if rows is None else str(rows)
