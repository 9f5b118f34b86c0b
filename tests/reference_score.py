"""A plain, slow second implementation of the weighing, in floats: what the integer core must agree with.

It follows the written rules from the rule table alone and shares no code with `coldcase.core` beyond
the types of the table and the case. Weights are decibans.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from coldcase.core.case import Case, Unit
from coldcase.core.rule_table import NO_FAULT, UNLISTED, Condition, Pattern, RuleTable, When
from tests.reference_rows import Weights, for_machine, mixed, on_machine, prior_of, share_of, unit_field

Seen = Mapping[str, frozenset[str]]


@dataclass
class Voice:
    """One finding or pattern that was heard: weights by cause before and after discount and fading."""

    code: str
    group: str
    full: Weights
    keep: float
    pattern: bool = False
    replaced_by: str | None = None
    counted: Weights = field(default_factory=dict)
    factor: float = 1.0


@dataclass
class Scored:
    """The ranking of one case (best first, equal ones by code) with the voices behind it."""

    ranking: list[tuple[str, float]]
    scores: Weights
    voices: dict[str, Voice]


def score(case: Case, outcomes: Mapping[str, Iterable[str]], table: RuleTable) -> Scored:
    """Ranks the causes of a case. `outcomes` holds every finding with its possible outcomes, readings
    included."""
    seen = {
        code: frozenset(names)
        for code, names in outcomes.items()
        if on_machine(table.findings[code].gate, case.unit)
    }
    causes = [code for code in sorted(table.causes) if on_machine(table.causes[code].gate, case.unit)] + [
        UNLISTED
    ]
    voices = {code: _finding_voice(code, case, seen, causes, table) for code in sorted(seen)}
    for code, by in _superseded(seen, table).items():
        voices[code].replaced_by = by
    for pattern, taken in _patterns(seen, table):
        for code in taken:
            voices[code].replaced_by = pattern
        voices[pattern] = _pattern_voice(pattern, voices, causes, table)
    _count(list(voices.values()), table)
    told = _hypotheses(causes, voices, seen, case.unit, table)
    front = max((hypothesis for hypothesis in told if hypothesis != (UNLISTED,)), key=lambda one: told[one])
    told[UNLISTED,] += _unusual(voices, seen, case.unit, front, table) / table.temperature
    scores = {code: max(own for (begins, *_), own in told.items() if begins == code) for code in causes}
    return Scored(ranking=_shared(told, causes, table), scores=scores, voices=voices)


def holds(condition: Condition, seen: Seen) -> bool | None:
    """Three-valued: None while what was looked at does not decide it. `unless` is true unless known to be
    so."""
    if condition.all is not None:
        return _all(holds(part, seen) for part in condition.all)
    if condition.any is not None:
        return _negation(_all(_negation(holds(part, seen)) for part in condition.any))
    if condition.not_ is not None:
        return _negation(holds(condition.not_, seen))
    if condition.unless is not None:
        return holds(condition.unless, seen) is not True
    return _atom(seen.get(condition.finding or "", frozenset()), set(condition.outcomes or []))


def fits(when: When, case: Case, seen: Seen, table: RuleTable) -> bool:
    """Whether all that `when` asks is known to be so."""
    unit = all(unit_field(case.unit, name, table) in wanted for name, wanted in when.unit.items())
    said = {name: getattr(case.opening, name) for name in when.opening}
    opening = all(
        ("not_stated" if said[name] is None else said[name]) in wanted
        for name, wanted in when.opening.items()
    )
    alone = when.siblings and case.unit.compressors_on_circuit == 1
    return unit and opening and not alone and (when.observed is None or holds(when.observed, seen) is True)


def _all(parts: Iterable[bool | None]) -> bool | None:
    values = list(parts)
    if False in values:
        return False
    return None if None in values else True


def _negation(value: bool | None, /) -> bool | None:
    return None if value is None else not value


def _atom(names: frozenset[str], wanted: set[str]) -> bool | None:
    if names and names <= wanted:
        return True
    return False if names and not names & wanted else None


def _hypotheses(
    causes: list[str], voices: Mapping[str, Voice], seen: Seen, unit: Unit, table: RuleTable
) -> dict[tuple[str, ...], float]:
    """Decibans of each cause alone, and of each with another that it may have begun, both weighed
    together."""
    prior = prior_of(unit, causes, table)
    often = {
        (link.cause, link.leads_to): link.per_hundred / 100
        for link in table.links
        if link.per_hundred and {link.cause, link.leads_to} <= {*causes}
    }
    told: dict[tuple[str, ...], float] = {}
    for cause in causes:
        alone = 1 - sum(share for (begins, _), share in often.items() if begins == cause)
        evidence = sum(voice.counted.get(cause, 0.0) for voice in voices.values())
        told[cause,] = prior[cause] + 10 * math.log10(alone) + evidence / table.temperature
    for pair, share in often.items():
        evidence = sum(
            _of_both(code, pair, voice, seen, unit, table) * voice.factor
            for code, voice in voices.items()
            if voice.replaced_by is None
        )
        told[pair] = prior[pair[0]] + 10 * math.log10(share) + evidence / table.temperature
    return told


def _of_both(
    code: str, pair: tuple[str, str], voice: Voice, seen: Seen, unit: Unit, table: RuleTable
) -> float:
    if code in table.patterns or len(seen[code]) > 1:
        return max(voice.full[cause] for cause in pair)
    finding = for_machine(table.findings[code], unit)
    names = [outcome.code for outcome in finding.outcomes if on_machine(outcome.gate, unit)]
    first, second = (
        {
            name: share_of(
                finding, finding.per_hundred.get(cause, finding.background), frozenset((name,)), unit
            )
            for name in names
        }
        for cause in pair
    )
    clear, (name,) = names[0], seen[code]
    if clear != finding.outcomes[0].code:
        share = (first[name] + second[name]) / 2
    else:
        least = min(first[clear], second[clear])
        others = sum(first[other] + second[other] for other in names[1:])
        share = least if name == clear else (1 - least) * (first[name] + second[name]) / others
    ground = share_of(finding, finding.background, frozenset((name,)), unit)
    return 10 * math.log10(mixed(share, ground, table))


def _shared(
    told: Mapping[tuple[str, ...], float], causes: list[str], table: RuleTable
) -> list[tuple[str, float]]:
    best = max(told.values())
    shares = dict.fromkeys(causes, 0.0)
    for (begins, *_), own in told.items():
        shares[begins] += 10 ** (table.sharpness * (own - best) / 10)
    total = sum(shares.values())
    return sorted(
        ((code, share / total) for code, share in shares.items()),
        key=lambda pair: (-pair[1], pair[0] == UNLISTED, pair[0]),
    )


def _unusual(
    voices: Mapping[str, Voice], seen: Seen, unit: Unit, front: tuple[str, ...], table: RuleTable
) -> float:
    """What a cause that the table does not know is credited with: decibans by which the findings are less
    likely than what the known cause in front usually shows, or the better of two where one began the
    other."""
    if not table.unlisted_explains or NO_FAULT in front:
        return 0.0
    return (
        max(
            sum(
                min(_surprise(code, leader, voice, seen, unit, table) for leader in front) * voice.factor
                for code, voice in voices.items()
            ),
            0.0,
        )
        * table.unlisted_explains
    )


def _surprise(code: str, leader: str, voice: Voice, seen: Seen, unit: Unit, table: RuleTable) -> float:
    if code in table.patterns or voice.replaced_by is not None or len(seen[code]) > 1:
        return 0.0
    finding, names = for_machine(table.findings[code], unit), seen[code]
    telling = max(abs(weight) for weight in voice.full.values()) >= 3
    if not telling or finding.effort == "ask":
        return 0.0
    row = finding.per_hundred.get(leader, finding.background)
    likely = {
        name: (1 - table.mistaken) * share_of(finding, row, frozenset((name,)), unit)
        + table.mistaken * share_of(finding, finding.background, frozenset((name,)), unit)
        for name in (outcome.code for outcome in finding.outcomes if on_machine(outcome.gate, unit))
    }
    usual = sum(10 * share * math.log10(share) for share in likely.values())
    surprise = usual - 10 * math.log10(likely[next(iter(names))])
    weight = voice.full[leader]
    return min(surprise, weight) if weight > 0 else surprise


def _finding_voice(code: str, case: Case, seen: Seen, causes: list[str], table: RuleTable) -> Voice:
    finding, names = for_machine(table.findings[code], case.unit), seen[code]
    ground = share_of(finding, finding.background, names, case.unit)
    shares = {
        cause: share_of(finding, finding.per_hundred.get(cause, finding.background), names, case.unit)
        for cause in causes
    }
    full = {cause: 10 * math.log10(mixed(share, ground, table)) for cause, share in shares.items()}
    return Voice(code=code, group=finding.group, full=full, keep=_keep(code, case, seen, table))


def _keep(code: str, case: Case, seen: Seen, table: RuleTable) -> float:
    finding, names = table.findings[code], seen[code]
    tags = {tag for outcome in finding.outcomes if outcome.code in names for tag in outcome.tags}
    spoilt = [
        row.keep
        for row in table.discounts
        if not row.known  # how a finding is known is not told here
        and (code in row.findings or finding.effort in row.efforts or tags & set(row.tags))
        and fits(row.when, case, seen, table)
    ]
    return min(spoilt, default=1.0)


def _superseded(seen: Seen, table: RuleTable) -> dict[str, str]:
    successors = {
        code: min((each for each in seen if each.partition(".")[0] == row.succeeded_by), default=None)
        for code, row in table.findings.items()
        if code in seen and row.succeeded_by is not None
    }
    return {code: newer for code, newer in successors.items() if newer} | {
        other: code
        for code, names in sorted(seen.items())
        if table.findings[code].outcomes[0].code not in names
        for other in table.findings[code].supersedes
        if other in seen
    }


def _patterns(seen: Seen, table: RuleTable) -> list[tuple[str, list[str]]]:
    """The patterns that hold and count, each with the findings it takes."""
    counting: list[tuple[str, list[str]]] = []
    taken: set[str] = set()
    for code in sorted(table.patterns, key=lambda code: (-table.patterns[code].priority, code)):
        pattern = table.patterns[code]
        wanted = [
            finding
            for finding in pattern.subsumes
            if finding in seen and seen[finding] <= _said(pattern, finding, table)
        ]
        free = [finding for finding in wanted if finding not in taken]
        if (
            set(_findings_of(pattern.when)) & set(seen)
            and holds(pattern.when, seen) is True
            and (free or not wanted)
        ):
            counting.append((code, free))
            taken.update(free)
    return counting


def _said(pattern: Pattern, finding: str, table: RuleTable) -> frozenset[str]:
    named = {outcome for code, outcomes in _asserted(pattern.when) if code == finding for outcome in outcomes}
    return frozenset(named or [outcome.code for outcome in table.findings[finding].outcomes[1:]])


def _asserted(condition: Condition) -> Iterable[tuple[str, list[str]]]:
    if condition.finding is not None:
        yield condition.finding, condition.outcomes or []
    for part in [*(condition.all or []), *(condition.any or [])]:
        yield from _asserted(part)


def _findings_of(condition: Condition) -> Iterable[str]:
    if condition.finding is not None:
        yield condition.finding
    for part in [*(condition.all or []), *(condition.any or []), condition.not_, condition.unless]:
        if part is not None:
            yield from _findings_of(part)


def _pattern_voice(code: str, voices: Mapping[str, Voice], causes: list[str], table: RuleTable) -> Voice:
    pattern = table.patterns[code]
    full = {
        cause: 10
        * math.log10(mixed(pattern.per_hundred.get(cause, pattern.background), pattern.background, table))
        for cause in causes
    }
    keep = min(voices[finding].keep for finding in _findings_of(pattern.when) if finding in voices)
    return Voice(code=code, group=f"pattern {code}", full=full, keep=keep, pattern=True)


def _count(voices: list[Voice], table: RuleTable) -> None:
    for voice in voices:
        voice.factor = voice.keep
        voice.counted = (
            {cause: weight * voice.keep for cause, weight in voice.full.items()}
            if voice.replaced_by is None
            else {}
        )
    heard = sorted(
        (v for v in voices if v.replaced_by is None and not v.pattern),
        # Equal but for the noise of floats: then by code, as in the engine's whole numbers.
        key=lambda v: (-round(_spread(v.counted), 8), v.code),
    )
    places: dict[str, int] = {}
    for voice in heard:
        place = places[voice.group] = places.get(voice.group, -1) + 1
        factor = (1 - table.groups[voice.group].rho) ** place
        voice.factor *= factor
        voice.counted = {cause: weight * factor for cause, weight in voice.counted.items()}


def _spread(weights: Weights) -> float:
    rivals = [weight for cause, weight in weights.items() if cause not in (NO_FAULT, UNLISTED)]
    return max(rivals) - min(rivals)
