"""How far the property tests look: the same few cases in every run, or many new ones where asked for.

`make properties` sets RODFLEET_PROPERTIES: that many times the examples, drawn anew each time; what fails is
printed with the line that draws it again.
"""

import os

from hypothesis import HealthCheck, settings

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
