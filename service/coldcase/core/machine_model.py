"""The model of one kind of machine: motor, connection and compressor type.

What cannot occur on it (its causes and outcomes) is gated out before anything is summed, and what remains is
renormalised.
"""

from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache

import msgspec
import numpy as np
import numpy.typing as npt

from coldcase.core.conditions import names_machine, passes_gate
from coldcase.core.fixed_point import (
    BAN,
    DECIBAN,
    MILLION,
    Ints,
    log10,
    millionths,
)
from coldcase.core.frequencies import Block, Frequencies, pattern_weights, weighed_links, weights_of
from coldcase.core.recurring import Recurring
from coldcase.core.rule_table import NO_FAULT, UNLISTED, RuleTable
from coldcase.core.signs import whole
from coldcase.core.stories import Links

Floats = npt.NDArray[np.floating]
MachineKind = tuple[str | None, str | None, str | None]


MOST_JOINT_WEIGHTS = 100

TELLING = 3 * DECIBAN
"""An outcome that weighs less than that for every cause, for or against, tells nothing: no surprise."""


class OutcomeWeight(msgspec.Struct, frozen=True, gc=False):
    """What one outcome (or "one of these") of a finding weighs in one machine's model: log likelihood ratios.

    `row` is its row of the model's weights (-1 where `joint` holds the weights instead), `spread` how far it
    tells the rival causes apart in nanobans, `clear` whether it is the finding's first outcome, the one that
    says nothing is wrong. `outcomes` are the outcomes themselves, `tags` and `effort` what discounts go by;
    `finding_index` and `group_index` are those of its finding and group in the matrix.
    """

    row: int
    spread: int
    group: str
    shows: str | None = None
    clear: bool = False
    tags: frozenset[str] = frozenset()
    effort: str = ""
    finding_index: int = -1
    group_index: int = -1
    outcomes: frozenset[str] = frozenset()
    joint: Ints | None = None


@dataclass(frozen=True, slots=True)
class FindingModel:
    """One finding on one kind of machine: its possible outcomes, and the row of each among the model's
    weights.

    `frequencies` is [outcome, cause + background], of 10,000; `percent` the same of 100 after what cannot be
    was gated out. A finding is mistaken in `mistaken` millionths. `joint_weights` is a cache of what lists of
    outcomes weigh together.
    """

    rows: dict[str, int]
    weights: dict[str, OutcomeWeight]
    frequencies: Ints
    percent: Floats
    mistaken: int
    joint_weights: dict[tuple[str, ...], OutcomeWeight] = field(default_factory=dict)

    def percent_of(self, outcomes: tuple[str, ...], cause: int) -> tuple[float, float]:
        """The share of 100 of "one of these outcomes", for a cause (by index) and the background."""
        places = self._places(outcomes)
        if len(places) == 1:
            return self.percent.item(places[0], cause), self.percent.item(places[0], -1)
        percent = self.percent[places].sum(axis=0)
        return percent.item(cause), percent.item(-1)

    def weight_of(self, outcomes: tuple[str, ...], rivals: int) -> OutcomeWeight:
        """The weight of "one of these outcomes"; their frequencies add up."""
        if len(outcomes) == 1:
            return self.weights[outcomes[0]]
        weight = self.joint_weights.get(outcomes)
        if weight is None:
            weight = self._joint_weight(outcomes, rivals)
            if len(self.joint_weights) < MOST_JOINT_WEIGHTS:
                self.joint_weights[outcomes] = weight
        return weight

    def _joint_weight(self, outcomes: tuple[str, ...], rivals: int) -> OutcomeWeight:
        together = self.frequencies[self._places(outcomes)].sum(axis=0)
        totals = self.frequencies.sum(axis=0)
        joint = np.asarray(weights_of(together[None, :], totals, self.mistaken)[0])
        each = [self.weights[outcome] for outcome in outcomes]
        shows = {weight.shows for weight in each}
        return msgspec.structs.replace(
            each[0],
            row=-1,
            spread=_spreads(joint[None, :], rivals)[0],
            shows=shows.pop() if len(shows) == 1 else None,
            clear=any(weight.clear for weight in each),
            tags=frozenset().union(*(weight.tags for weight in each)),
            outcomes=frozenset(outcomes),
            joint=joint,
        )

    def _places(self, outcomes: tuple[str, ...]) -> list[int]:
        first = next(iter(self.rows.values()))
        return [self.rows[outcome] - first for outcome in outcomes]


@dataclass(frozen=True, slots=True)
class FindingMatrix:
    """All findings of a machine's model below each other, for questions about every finding at once.

    Row r is one outcome; finding `codes[f]` has `sizes[f]` rows from `starts[f]`. `likelihood` is [cause,
    row] as a share of 1 and `squared` its square; `weights` is [row, cause], natural logarithms against the
    background. `groups` numbers each finding's group, and `group_decay` is [group, place]. `together`
    has the places of all signs of a finding as people know it, `known_as` that finding for each place.
    """

    codes: tuple[str, ...]
    starts: Ints
    sizes: Ints
    likelihood: Floats
    squared: Floats
    weights: Floats
    groups: Ints
    group_decay: Floats
    together: dict[str, list[int]]
    known_as: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MachineModel:
    """All that can be on one kind of machine.

    `causes` are the `rivals` first ones in code order, then `no_fault_found` and `unlisted`; `links` are
    those of which one may have begun another. `weights` is [outcome or pattern, link + cause] in
    nanobans, with a last row of zeros for a case without evidence; a finding's model knows the rows of
    its outcomes, `patterns` those of the patterns. `surprises`, [outcome or pattern, cause], is by how
    much an outcome is less likely under a cause than what that cause usually shows (nanobans; 0 for
    patterns, for what tells nothing, and for what people are asked about the place and earlier times).
    `prior` are the logarithms of how often each link, and each cause without any, is met ([link + cause],
    nanobans). `kept` is what comes again from case to case.
    """

    causes: tuple[str, ...]
    rivals: int
    prior: Ints
    findings: dict[str, FindingModel]
    patterns: dict[str, int]
    weights: Ints
    surprises: Ints
    matrix: FindingMatrix
    links: Links
    kept: Recurring = field(default_factory=Recurring)


@lru_cache(maxsize=256)
def decay_steps(rho: float) -> tuple[int, ...]:
    """How repeated evidence of one group fades, the strongest finding first: (1 - rho)^place in millionths;
    the last stands for all after it.
    """
    step = 1 - Decimal(repr(rho))
    # 0 to the power 0 is no number to the decimal module.
    return (MILLION, *(int((step**place * MILLION).to_integral_value()) for place in range(1, 24)))


def machine_model(table: RuleTable, machine: MachineKind, frequencies: Frequencies) -> MachineModel:
    """All that a table says of one kind of machine (motor, connection, compressor type; None: unknown)."""
    possible = [code for code, cause in sorted(table.causes.items()) if passes_gate(cause.gate, *machine)]
    rivals = [code for code in possible if code != NO_FAULT]
    causes = (*rivals, *([NO_FAULT] if NO_FAULT in possible else []), UNLISTED)
    columns = [frequencies.places[code] for code in causes]
    mistaken = millionths(table.mistaken)
    possible_outcomes = _possible_outcomes(table, machine)
    blocks = [
        frequencies.block(code, table.findings[code], outcomes, machine)
        for code, outcomes in possible_outcomes.items()
    ]
    below = _laid_below(blocks, columns)
    height = len(below.weights)
    patterns = [
        pattern_weights(row.per_hundred, row.background, causes, mistaken) for row in table.patterns.values()
    ]
    nothing = np.zeros((1, len(causes)), dtype=np.int64)
    weights = np.concatenate([below.weights, *patterns, nothing])
    finding_models = _finding_models(table, possible_outcomes, below, len(rivals))
    links, places, prior = _linked(table, causes, _prior(table, causes, machine))
    begun = np.zeros((len(weights), len(places)), dtype=np.int64)
    if height:
        begun[:-1] = np.concatenate([below.begun, frequencies.patterns_begun])[:, places]
    return MachineModel(
        causes=causes,
        rivals=len(rivals),
        prior=prior,
        findings=finding_models,
        patterns={code: height + place for place, code in enumerate(table.patterns)},
        weights=np.concatenate([begun, weights], axis=1),
        surprises=_surprises(below, weights, causes, finding_models, table),
        matrix=_finding_matrix(table, finding_models, below),
        links=links,
    )


def _possible_outcomes(table: RuleTable, machine: MachineKind) -> dict[str, list[int]]:
    """The findings that this machine can have, with the places of those outcomes that it can show."""
    possible = {
        code: [i for i, outcome in enumerate(row.outcomes) if passes_gate(outcome.gate, *machine)]
        for code, row in table.findings.items()
        if passes_gate(row.gate, *machine)
    }
    return {code: outcomes for code, outcomes in possible.items() if len(outcomes) > 1}


def _laid_below(blocks: list[Block], columns: list[int]) -> Block:
    """The blocks below each other, with those causes only that a machine can have."""
    if not blocks:
        empty = np.zeros((0, len(columns)), dtype=np.int64)
        return Block(np.zeros((0, len(columns) + 1), dtype=np.int64), empty, empty, empty[:, :0])
    frequencies, weights, surprises, begun = map(np.concatenate, zip(*blocks, strict=True))
    return Block(frequencies[:, [*columns, -1]], weights[:, columns], surprises[:, columns], begun)


def _linked(table: RuleTable, causes: tuple[str, ...], prior: Ints) -> tuple[Links, list[int], Ints]:
    """The weighed links between causes that this machine can have; the place of each among the table's; and
    the logarithms of how often each link, and each cause without any, is met ([link + cause], nanobans).
    `prior` are those of the base rates ([cause]).
    """
    begun = weighed_links(table)
    places = [place for place, link in enumerate(begun) if {link.cause, link.leads_to} <= {*causes}]
    places.sort(key=lambda place: causes.index(begun[place].cause))
    begins, leads_to = (
        [causes.index(getattr(begun[place], member)) for place in places] for member in ("cause", "leads_to")
    )
    shares = [Decimal(repr(begun[place].per_hundred)) / 100 for place in places]
    alone = [Decimal(1)] * len(causes)
    for cause, share in zip(begins, shares, strict=True):
        alone[cause] -= share
    links = Links.between(begins, leads_to, len(causes))
    return links, places, prior[links.pairs[0]] + np.array([log10(share) for share in (*shares, *alone)])


def _surprises(
    below: Block,
    weights: Ints,
    causes: tuple[str, ...],
    finding_models: dict[str, FindingModel],
    table: RuleTable,
) -> Ints:
    """By how much each outcome is unlike each cause, as far as that counts; [outcome or pattern, cause].

    An outcome that tells nothing of any cause surprises nobody, nor does what people are asked about the
    place and earlier times; where an outcome speaks for a cause it surprises by no more than its weight, for
    it must not speak more strongly for a cause that nobody knows. A sound machine shows nothing of its own:
    what age and use have left on it is not unlike it.
    """
    height = len(below.weights)
    surprises = np.concatenate([below.surprises, np.zeros_like(weights[height:])])
    asked = [table.findings[code].effort == "ask" for code, row in finding_models.items() for _ in row.rows]
    telling = np.abs(weights).max(axis=1) >= TELLING
    telling[:height] &= ~np.array(asked, dtype=bool)
    surprises = np.where(telling[:, None], surprises, 0)
    surprises = np.where(weights > 0, np.minimum(surprises, weights), surprises)
    surprises[:, [place for place, code in enumerate(causes) if code == NO_FAULT]] = 0
    return np.asarray(surprises)


def _finding_matrix(table: RuleTable, finding_models: dict[str, FindingModel], below: Block) -> FindingMatrix:
    sizes = np.array([len(finding_model.rows) for finding_model in finding_models.values()], dtype=np.int64)
    groups = {code: number for number, code in enumerate(table.groups)}
    percent = _percent(below.frequencies, sizes)
    shares = ((1 - table.mistaken) * percent[:, :-1] + table.mistaken * percent[:, -1:]) / 100
    together: dict[str, list[int]] = {}
    for place, code in enumerate(finding_models):
        together.setdefault(whole(code), []).append(place)
    likelihood = np.ascontiguousarray(shares.T, dtype=np.float32)
    return FindingMatrix(
        codes=tuple(finding_models),
        starts=np.cumsum(sizes) - sizes,
        sizes=sizes,
        likelihood=likelihood,
        squared=likelihood**2,
        weights=(below.weights * (np.log(10) / BAN)).astype(np.float32),
        groups=np.array([groups[table.findings[code].group] for code in finding_models], dtype=np.int64),
        group_decay=np.array([decay_steps(group.rho) for group in table.groups.values()], dtype=np.float32)
        / np.float32(MILLION),
        together=together,
        known_as=tuple([whole(code) for code in finding_models]),
    )


def _prior(table: RuleTable, causes: tuple[str, ...], machine: MachineKind) -> Ints:
    """log10 of the base rates in nanobans, normalised over the causes that this machine can have."""
    rates = dict(table.base_rates)
    for override in table.base_rate_overrides:
        # An unknown machine keeps the general rates.
        if names_machine(override.when, machine):
            rates |= override.rates
    total = sum(Decimal(repr(rates[code])) for code in causes)
    return np.array([log10(Decimal(repr(rates[code])) / total) for code in causes])


def _percent(frequencies: Ints, sizes: Ints) -> Floats:
    """Each finding's frequencies of 100; `sizes` are the numbers of their rows."""
    if not len(sizes):
        return frequencies.astype(float)
    totals = np.add.reduceat(frequencies, np.cumsum(sizes) - sizes)
    return np.asarray(100 * frequencies / np.repeat(totals, sizes, axis=0))


def _finding_models(
    table: RuleTable, possible_outcomes: dict[str, list[int]], below: Block, rivals: int
) -> dict[str, FindingModel]:
    groups = {code: number for number, code in enumerate(table.groups)}
    mistaken = millionths(table.mistaken)
    spreads = _spreads(below.weights, rivals)
    percent = _percent(
        below.frequencies, np.array(list(map(len, possible_outcomes.values())), dtype=np.int64)
    )
    models: dict[str, FindingModel] = {}
    start = 0
    for code, outcomes in possible_outcomes.items():
        row, end = table.findings[code], start + len(outcomes)
        weights = {
            row.outcomes[i].code: OutcomeWeight(
                row=start + place,
                spread=spreads[start + place],
                group=row.group,
                shows=row.outcomes[i].shows,
                clear=i == 0,
                tags=frozenset(row.outcomes[i].tags),
                effort=row.effort,
                finding_index=len(models),
                group_index=groups[row.group],
                outcomes=frozenset((row.outcomes[i].code,)),
            )
            for place, i in enumerate(outcomes)
        }
        rows = {outcome: weight.row for outcome, weight in weights.items()}
        models[code] = FindingModel(rows, weights, below.frequencies[start:end], percent[start:end], mistaken)
        start = end
    return models


def _spreads(weights: Ints, rivals: int) -> list[int]:
    """How far each row of weights tells the rivals apart; not at all where a machine leaves none."""
    among = weights[:, :rivals]
    spreads: list[int] = (among.max(axis=1) - among.min(axis=1)).tolist() if rivals else [0] * len(weights)
    return spreads
