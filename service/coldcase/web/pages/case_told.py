"""How often each finding is told at all: of the cases that people told, how many said it."""

import tomllib
from functools import cache
from importlib.resources import files

PRIOR_CASES, PRIOR_TOLD = 20, 1
"""A finding that nobody told is taken as told once in twenty cases more."""


@cache
def told_shares() -> dict[str, float]:
    """The share of cases in which each finding is told, 0 to 1 (`told.toml`; `python -m tests.told` counts
    anew).
    """
    counted = tomllib.loads(files("coldcase.web").joinpath("pages", "told.toml").read_text("utf-8"))
    cases = counted["cases"]
    return {code: (told + PRIOR_TOLD) / (cases + PRIOR_CASES) for code, told in counted["findings"].items()}
