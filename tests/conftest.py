"""In which order the files of tests are taken up, and how far the property tests look.

`make properties` sets RODFLEET_PROPERTIES: that many times the examples, drawn anew each time; what fails is
printed with the line that draws it again. Without it, they are the same few in every run.
"""

import os

import pytest
from hypothesis import HealthCheck, settings

# One worker compiles the kernels, in a whole run, while the other takes the files that call none: both at
# once would compile the same ones. What is left is taken the longest first, so that none waits in the end.
_COMPILES = "tests/flows/test_degenerate_fleets.py"
_WITHOUT_KERNELS = (
    *("unit/test_intake", "flows/test_intake_faults", "flows/test_load_synthetic", "flows/test_refused"),
    *("unit/test_vetting", "unit/test_reports", "unit/test_synthetic", "unit/test_store", "unit/test_cli"),
    *("unit/test_hypotheses", "unit/test_plain_tests", "unit/test_question", "unit/test_settings"),
    *("unit/test_soundings", "unit/test_soil", "unit/test_season", "unit/test_spending", "unit/test_publish"),
    *("unit/test_field_list", "unit/test_danger", "unit/test_electrode", "unit/test_loop_circuit"),
    *("unit/test_aliases", "unit/test_names_proposed", "unit/test_spelling"),
)
_LONG = (
    *("published/test_mixed_models", "flows/test_demo", "flows/test_night", "flows/test_kept_calibration"),
    *("flows/test_dask", "flows/test_explain", "unit/test_closed_answers", "flows/test_weather_and_shifts"),
    *("unit/test_family_choice", "flows/test_solved_loops", "unit/test_posterior_checks"),
    *("unit/test_covariates", "flows/test_large_fleet", "unit/test_shards", "flows/test_known_on"),
    "flows/test_names",
)


def _turn(file: str) -> tuple[int, int]:
    """Say when a file is taken up: smaller is earlier."""
    if file == _COMPILES:
        return 0, 0
    own = file.removeprefix("tests/").removesuffix(".py")
    if own.startswith(_WITHOUT_KERNELS):
        return 1, 0
    return 2, _LONG.index(own) if own in _LONG else len(_LONG)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files into the order in which the workers take them up."""
    items.sort(key=lambda item: _turn(item.nodeid.split("::")[0]))


_TIMES = int(os.environ.get("RODFLEET_PROPERTIES", "1"))

settings.register_profile(
    "rodfleet",
    derandomize=_TIMES == 1,
    database=None,  # a case that failed elsewhere is no reason to fail here: it becomes an @example
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
settings.load_profile("rodfleet")


def examples(count: int, steps: int = 1) -> settings:
    """Give the settings for `count` examples, of `steps` steps each, times RODFLEET_PROPERTIES."""
    return settings(max_examples=count * _TIMES, stateful_step_count=steps if steps > 1 else 50)
