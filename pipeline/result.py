"""What a stage tells the command line when it is done."""

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class RunResult:
    """Hold the outcome of one command: what to print, where the page is, whether all went well."""

    run_id: str
    page: Path | None = None
    """The page to open first, if one was published."""
    lines: list[str] = field(default_factory=list)
    """Sentences for the terminal, in order."""
    ok: bool = True
