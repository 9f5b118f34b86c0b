"""A figure: what was measured over its baseline, both in turns in one run."""

import statistics
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import msgspec


class Sizes(msgspec.Struct, frozen=True, kw_only=True):
    """How much is measured: rounds, seconds of load a round, and rows or lines."""

    rounds: int
    seconds: float
    import_lines: int
    export_rows: int
    disk_rows: int
    backtest_rows: int
    live_seconds: float
    """How long requests are timed without an import; with one it is as long as that takes."""


FULL = Sizes(
    rounds=5,
    seconds=5,
    import_lines=100_000,
    export_rows=200_000,
    disk_rows=50_000,
    backtest_rows=20_000,
    live_seconds=20,
)
QUICK = Sizes(
    rounds=3,
    seconds=1,
    import_lines=4_000,
    export_rows=20_000,
    disk_rows=4_000,
    backtest_rows=3_000,
    live_seconds=4,
)

Rule = Literal["at least", "at most"]


class Figure(msgspec.Struct, frozen=True, kw_only=True):
    """One figure of a run.

    `rounds` has it for each round, in `unit`; `wanted` is what the project set itself, if anything;
    `measured` are the medians of what it was made of, by name; `how` says how.
    """

    name: str
    unit: str
    rounds: list[float]
    measured: dict[str, float]
    how: str
    wanted: tuple[Rule, float] | None = None

    @property
    def median(self) -> float:
        return statistics.median(self.rounds)

    @property
    def reached(self) -> bool | None:
        return None if self.wanted is None else reaches(self.median, self.wanted)

    def text(self) -> str:
        """For a person."""
        said = f"{_short(self.median)} {self.unit}"
        if len(self.rounds) > 1:
            said += f" ({_short(min(self.rounds))} to {_short(max(self.rounds))})"
        if self.wanted is not None:
            rule, value = self.wanted
            said += f"; wanted {rule} {_short(value)}: {'reached' if self.reached else 'NOT REACHED'}"
        parts = ", ".join(f"{name} {_short(value)}" for name, value in self.measured.items())
        return f"{self.name}: {said}\n    {parts}; {self.how}"

    def plain(self) -> dict[str, object]:
        """For a program."""
        spread = {"median": self.median, "least": min(self.rounds), "most": max(self.rounds)}
        return {**msgspec.structs.asdict(self), **spread, "reached": self.reached}


def of_two(
    name: str,
    unit: str,
    over: tuple[str, Sequence[float]],
    base: tuple[str, Sequence[float]],
    *,
    beside: Mapping[str, float] | None = None,
    **more: Any,
) -> Figure:
    """A figure of two things that were measured in turns, each with its name: the first over the second.
    `beside` is told with it."""
    return Figure(
        name=name,
        unit=unit,
        rounds=[one / other for one, other in zip(over[1], base[1], strict=True)],
        measured={each: statistics.median(values) for each, values in (over, base)} | dict(beside or {}),
        **more,
    )


def reaches(value: float, wanted: tuple[Rule, float]) -> bool:
    """Whether a figure is as wanted."""
    rule, bound = wanted
    return value >= bound if rule == "at least" else value <= bound


def _short(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
