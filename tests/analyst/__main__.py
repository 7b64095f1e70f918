"""Measure what an analyst relies on: bands, intervals and tests on many small fleets of known truth.

    make analyst
    python -m tests.analyst --quick

Exit status 1 where a measure lies outside what is aimed at.
"""

from importlib import import_module
from importlib.util import find_spec

MODULES = ("survival_measures", "question_measures", "question_traps")


def main() -> int:
    """Run every module of measures that is there; 1 where any of them fell short."""
    names = [f"tests.analyst.{name}" for name in MODULES]
    return max([import_module(name).main() for name in names if find_spec(name)])


if __name__ == "__main__":
    raise SystemExit(main())
