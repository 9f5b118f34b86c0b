"""Particle codes by ISO 4406: counts to scale numbers, and codes as laboratories print them."""

import re
from dataclasses import dataclass
from functools import lru_cache

# Upper ends of scale numbers 0 to 28, particles per mL, "more than the one before, up to and including" [ISO
# 4406, table 1].
SCALE_LIMITS = (
    0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5, 10, 20, 40, 80, 160, 320, 640, 1_300, 2_500, 5_000,
    10_000,
    20_000, 40_000, 80_000, 160_000, 320_000, 640_000, 1_300_000, 2_500_000,
)  # fmt: skip
BEYOND = 29
_PART = re.compile(r"(?P<mark>>=|≥|>)? ?(?P<number>[0-9]{1,2})")


@dataclass(frozen=True, slots=True)
class ParticleCode:
    """Scale numbers at 4, 6 and 14 um(c); 29 stands for ">28". The first is None in a code of two numbers.

    `few` tells which numbers rest on fewer than 20 raw counts and are printed with ">=".
    """

    numbers: tuple[int | None, int, int]
    few: tuple[bool, bool, bool]

    def __str__(self) -> str:
        return "/".join(_printed(number, few=few) for number, few in zip(self.numbers, self.few, strict=True))


def scale_number(per_ml: float) -> int:
    """The scale number of a count per mL; 29 stands for ">28". Raises ValueError for a negative count."""
    if not per_ml >= 0:
        raise ValueError("a count is not negative")
    return next((number for number, end in enumerate(SCALE_LIMITS) if per_ml <= end), BEYOND)


@lru_cache(1000)
def parse_code(text: str) -> ParticleCode | None:
    """A printed code (`20/18/15`, `14/12/>=7`, `>28/25/21`, `-/15/12`, `15/12`), or None where it is none."""
    parts = [part.strip() for part in text.strip().split("/")]
    if len(parts) == 3 and parts[0] == "-":
        parts = parts[1:]
    found = [_parsed(part) for part in parts]
    if len(found) not in (2, 3) or None in found:
        return None
    known = [part for part in found if part is not None]
    numbers = [number for number, _ in known]
    if numbers != sorted(numbers, reverse=True):
        return None
    first = known[0] if len(known) == 3 else (None, False)
    return ParticleCode((first[0], numbers[-2], numbers[-1]), (first[1], known[-2][1], known[-1][1]))


def _parsed(part: str) -> tuple[int, bool] | None:
    match = _PART.fullmatch(part)
    if match is None:
        return None
    number = int(match["number"])
    if match["mark"] == ">":
        return (BEYOND, False) if number == 28 else None
    return (number, match["mark"] is not None) if number <= 28 else None


def _printed(number: int | None, *, few: bool) -> str:
    if number is None:
        return "-"
    return ">28" if number == BEYOND else f"{'>=' if few else ''}{number}"
