"""What is kept of a kind of machine, for it comes again from case to case: caches, each of them bounded, none
of them part of what an answer depends on.
"""

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from coldcase.core.answer import NextCheck, Role, Weight
from coldcase.core.fixed_point import Ints

Bools = npt.NDArray[np.bool_]


class ChainStep(NamedTuple):
    """A step of a cause's chain on one kind of machine: what shows it there, each finding with its outcomes
    and with the name that people know it by.
    """

    step: str
    sights: tuple[tuple[str, frozenset[str], str], ...]


class Beside(NamedTuple):
    """What may stand beside a cause on one kind of machine: the roles of those that it is linked with, by
    index, the same as an array, and the support in nanobans that each rival needs ([rival]).
    """

    roles: dict[int, Role]
    linked: Ints
    least: Ints


@dataclass(frozen=True, slots=True)
class Recurring:
    """What was worked out on one kind of machine.

    `weights` holds what was said of a finding, by all that it depends on; `checks` the checks without their
    gain; `discounted` what discounts leave of an outcome, and why; `away` which findings need or allow no
    look, [finding], by the reason or the reasons together; `answered` the places of what an answer to a
    finding answers; `telling` the findings that tell two causes apart, the best first; `chains` the causes'
    chains; `beside` what may stand beside each cause.
    """

    weights: dict[Hashable, Weight] = field(default_factory=dict)
    checks: dict[str, NextCheck] = field(default_factory=dict)
    discounted: dict[Hashable, tuple[int, str | None]] = field(default_factory=dict)
    away: dict[Hashable, Bools] = field(default_factory=dict)
    answered: dict[str, tuple[int, ...]] = field(default_factory=dict)
    telling: dict[tuple[int, int], list[int]] = field(default_factory=dict)
    chains: dict[str, tuple[ChainStep, ...]] = field(default_factory=dict)
    beside: dict[int, Beside] = field(default_factory=dict)
