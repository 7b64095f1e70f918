"""One demo for all tests of the whole line: made once, through the command line, and not to be changed."""

from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import main

SITES, SEED = 12, 4


@dataclass(frozen=True)
class Demo:
    """The folder of a demo and what the command printed."""

    folder: Path
    said: str


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """Make the demo of a small fleet, from nothing to the page."""
    folder = tmp_path_factory.mktemp("demo") / "fleet"
    done = CliRunner().invoke(main, ["demo", str(folder), "--sites", str(SITES), "--seed", str(SEED)])
    assert done.exit_code == 0, done.output
    return Demo(folder, done.output)
