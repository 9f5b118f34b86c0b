"""What differs between two rule tables, and what it means in weight: for a person who reviews a draft.

Nothing differs exactly where the tables have one digest. Weights are decibans against the background, as the
engine weighs them (`mistaken` included); `decibans` is by how much they move.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

import msgspec

from coldcase.core.fixed_point import MILLION, millionths
from coldcase.core.frequencies import hundredths
from coldcase.core.plain_changes import (
    Change,
    ChangeKind,
    in_decibans,
    member_changes,
    numbered,
    one_spelling,
    whole_change,
)
from coldcase.core.rule_table import Finding, Limit, Pattern, RuleTable

BACKGROUND = "background"


class StationChanges(msgspec.Struct, frozen=True):
    """The changes of one station, the most consequential first; `station` is null for what belongs to none:
    causes, patterns, handling.
    """

    station: str | None
    changes: list[Change]


class TableDiff(msgspec.Struct, frozen=True, kw_only=True):
    """All that differs, by station, the station with the most consequential change first."""

    added: int
    removed: int
    changed: int
    stations: list[StationChanges]


def diff_tables(old: RuleTable, new: RuleTable) -> TableDiff:
    """What the new table has otherwise than the old one; their shape must be right, not their meaning."""
    by_station: dict[str | None, list[Change]] = {}
    for change in _changes(old, new):
        by_station.setdefault(_station(change, old, new), []).append(change)
    stations = [
        StationChanges(station, sorted(changes, key=lambda change: (-change.consequence(), change.pointer)))
        for station, changes in by_station.items()
    ]
    stations.sort(key=lambda one: (-one.changes[0].consequence(), one.station or ""))
    counted = Counter(change.change for one in stations for change in one.changes)
    return TableDiff(
        added=counted["added"], removed=counted["removed"], changed=counted["changed"], stations=stations
    )


def _station(change: Change, old: RuleTable, new: RuleTable) -> str | None:
    finding = new.findings.get(change.finding or "") or old.findings.get(change.finding or "")
    return None if finding is None else finding.station


def _changes(old: RuleTable, new: RuleTable) -> Iterator[Change]:
    before, after = msgspec.to_builtins(old), msgspec.to_builtins(new)
    mistaken = millionths(old.mistaken), millionths(new.mistaken)
    yield from _findings(old, new, before, after, mistaken)
    yield from _patterns(old, new, before, after, mistaken)
    yield from _causes(old, new, before, after, mistaken)
    yield from _limits(old.limits, new.limits)
    for name in sorted((before.keys() | after.keys()) - {"findings", "patterns", "causes", "limits"}):
        yield from member_changes(f"/{name}", before.get(name), after.get(name))


class _Weighed(NamedTuple):
    """The rows of a finding or pattern as they hold, by outcome code."""

    outcomes: list[str]
    background: list[float]
    rows: dict[str, list[float]]
    mistaken: int

    def share(self, cause: str, outcome: str) -> float | None:
        row = self.background if cause == BACKGROUND else self.rows.get(cause, self.background)
        place = self.outcomes.index(outcome) if outcome in self.outcomes else len(row)
        return row[place] if place < len(row) else None

    def weight(self, cause: str, outcome: str) -> float | None:
        """Decibans; None where a flawed table has none."""
        share, usual = self.share(cause, outcome), self.share(BACKGROUND, outcome)
        if share is None or usual is None or not hundredths(share) or not hundredths(usual):
            return None
        of, against = hundredths(share), hundredths(usual)
        mixed = (MILLION - self.mistaken) * of + self.mistaken * against
        return in_decibans(Decimal(mixed) / (MILLION * against))

    def most(self, cause: str | None = None) -> float:
        """The most that anything weighs here, for any cause or one."""
        causes = self.rows if cause is None else [cause]
        weights = [self.weight(each, outcome) or 0.0 for each in causes for outcome in self.outcomes]
        return max(weights, key=abs, default=0.0)


def _of_finding(finding: Finding, mistaken: int) -> _Weighed:
    codes = [outcome.code for outcome in finding.outcomes]
    return _Weighed(codes, finding.background, finding.per_hundred, mistaken)


def _of_pattern(pattern: Pattern, mistaken: int) -> _Weighed:
    rows = {cause: [share] for cause, share in pattern.per_hundred.items()}
    return _Weighed(["present"], [pattern.background], rows, mistaken)


def _findings(
    old: RuleTable, new: RuleTable, before: Any, after: Any, mistaken: tuple[int, int]
) -> Iterator[Change]:
    for code in sorted(old.findings.keys() | new.findings.keys()):
        place, one, other = f"/findings/{code}", old.findings.get(code), new.findings.get(code)
        if one is None or other is None:
            there = one or other
            assert there is not None  # noqa: S101 - one of the tables has it
            most = _of_finding(there, mistaken[0] if other is None else mistaken[1]).most()
            yield whole_change("finding", place, one, other, finding=code, decibans=most)
            continue
        if one == other:
            continue
        was, now = before["findings"][code], after["findings"][code]
        for name in sorted(
            (was.keys() | now.keys()) - {"outcomes", "background", "per_hundred", "on_machines"}
        ):
            for change in member_changes(f"{place}/{name}", was.get(name), now.get(name)):
                yield msgspec.structs.replace(change, finding=code)
        yield from _outcomes(code, one, other)
        yield from _frequencies(place, code, _of_finding(one, mistaken[0]), _of_finding(other, mistaken[1]))
        yield from _on_machines(code, one, other, mistaken)


def _outcomes(code: str, old: Finding, new: Finding) -> Iterator[Change]:
    place = f"/findings/{code}/outcomes"
    was = {outcome.code: msgspec.to_builtins(outcome) for outcome in old.outcomes}
    now = {outcome.code: msgspec.to_builtins(outcome) for outcome in new.outcomes}
    if [one for one in was if one in now] != [one for one in now if one in was]:
        yield Change(what="rule", change="changed", pointer=place, finding=code, old=[*was], new=[*now])
    for outcome in sorted(was.keys() | now.keys()):
        at = [*(now if outcome in now else was)].index(outcome)
        if outcome not in was or outcome not in now:
            yield whole_change(
                "outcome", f"{place}/{at}", was.get(outcome), now.get(outcome), finding=code, outcome=outcome
            )
            continue
        for change in member_changes(f"{place}/{at}", was[outcome], now[outcome]):
            yield msgspec.structs.replace(change, finding=code, outcome=outcome)


def _frequencies(place: str, code: str, old: _Weighed, new: _Weighed) -> Iterator[Change]:
    """The cells that have another share or, for the background moved, another weight; and rows that say what
    was so without them.
    """
    outcomes = [*new.outcomes, *(outcome for outcome in old.outcomes if outcome not in new.outcomes)]
    for cause in [BACKGROUND, *sorted(old.rows.keys() | new.rows.keys())]:
        cells = [cell for outcome in outcomes for cell in _cell(place, code, (cause, outcome), old, new)]
        yield from cells
        was, now = _row(old, cause), _row(new, cause)
        if not cells and was != now and old.outcomes == new.outcomes:
            change = whole_change(
                "frequency", _row_place(place, cause), was, now, finding=code, cause=cause, decibans=0.0
            )
            yield msgspec.structs.replace(change, old=was, new=now)


def _row(rows: _Weighed, cause: str) -> list[float] | None:
    return rows.background if cause == BACKGROUND else rows.rows.get(cause)


def _row_place(place: str, cause: str) -> str:
    return f"{place}/{BACKGROUND}" if cause == BACKGROUND else f"{place}/per_hundred/{cause}"


def _cell(place: str, code: str, cell: tuple[str, str], old: _Weighed, new: _Weighed) -> Iterator[Change]:
    cause, outcome = cell
    was, now = old.share(cause, outcome), new.share(cause, outcome)
    if was == now and old.share(BACKGROUND, outcome) == new.share(BACKGROUND, outcome):
        # That all weights move with `mistaken` is told by that setting.
        return
    weighed, weighs = old.weight(cause, outcome), new.weight(cause, outcome)
    if was == now and weighed == weighs:
        return
    if cause == BACKGROUND:
        weighed = weighs = None
        moved = in_decibans(Decimal(hundredths(was)) / hundredths(now)) if was and now else None
    else:
        moved = round((weighs or 0.0) - (weighed or 0.0), 2)
    change: ChangeKind = "added" if was is None else "removed" if now is None else "changed"
    yield Change(
        what="frequency",
        change=change,
        pointer=_row_place(place, cause),
        finding=code,
        outcome=outcome,
        cause=None if cause == BACKGROUND else cause,
        old=was,
        new=now,
        old_decibans=weighed,
        new_decibans=weighs,
        decibans=moved,
    )


def _on_machines(code: str, old: Finding, new: Finding, mistaken: tuple[int, int]) -> Iterator[Change]:
    """Rows for some machines, known by the machines they are for; only what they say themselves."""
    place = f"/findings/{code}/on_machines"
    was = dict(numbered(one_spelling(rows.when) for rows in old.on_machines))
    now = dict(numbered(one_spelling(rows.when) for rows in new.on_machines))
    if [key for key in was if key in now] != [key for key in now if key in was]:
        yield Change(
            what="rule", change="changed", pointer=place, finding=code, old="in this order", new="in another"
        )
    for key in sorted(was.keys() | now.keys()):
        at = f"{place}/{now[key] if key in now else was[key]}"
        if key not in was or key not in now:
            one = old.on_machines[was[key]] if key in was else None
            other = new.on_machines[now[key]] if key in now else None
            yield whole_change("rule", at, one, other, finding=code)
            continue
        one, other = old.on_machines[was[key]], new.on_machines[now[key]]
        for change in member_changes(f"{at}/basis", one.basis, other.basis):
            yield msgspec.structs.replace(change, finding=code)
        rows = [
            _Weighed(
                [each.code for each in finding.outcomes],
                own.background or finding.background,
                own.per_hundred,
                m,
            )
            for finding, own, m in ((old, one, mistaken[0]), (new, other, mistaken[1]))
        ]
        found = [*_frequencies(at, code, *rows)]
        yield from found
        if not found and one.background != other.background:
            yield whole_change(
                "frequency", f"{at}/{BACKGROUND}", one.background, other.background, finding=code
            )


def _patterns(
    old: RuleTable, new: RuleTable, before: Any, after: Any, mistaken: tuple[int, int]
) -> Iterator[Change]:
    for code in sorted(old.patterns.keys() | new.patterns.keys()):
        place, one, other = f"/patterns/{code}", old.patterns.get(code), new.patterns.get(code)
        if one is None or other is None:
            there = one or other
            assert there is not None  # noqa: S101 - one of the tables has it
            most = _of_pattern(there, mistaken[0] if other is None else mistaken[1]).most()
            yield whole_change("pattern", place, one, other, finding=code, decibans=most)
            continue
        was, now = before["patterns"][code], after["patterns"][code]
        for name in sorted((was.keys() | now.keys()) - {"background", "per_hundred"}):
            yield from member_changes(f"{place}/{name}", was.get(name), now.get(name))
        yield from _frequencies(place, code, _of_pattern(one, mistaken[0]), _of_pattern(other, mistaken[1]))


def _causes(
    old: RuleTable, new: RuleTable, before: Any, after: Any, mistaken: tuple[int, int]
) -> Iterator[Change]:
    for code in sorted(old.causes.keys() | new.causes.keys()):
        place, one, other = f"/causes/{code}", old.causes.get(code), new.causes.get(code)
        if one is None or other is None:
            table, share = (new, mistaken[1]) if one is None else (old, mistaken[0])
            weights = [_of_finding(finding, share).most(code) for finding in table.findings.values()]
            yield whole_change(
                "cause", place, one, other, cause=code, decibans=max(weights, key=abs, default=0.0)
            )
            continue
        for change in member_changes(place, before["causes"][code], after["causes"][code]):
            yield msgspec.structs.replace(change, cause=code)


def _limits(old: Sequence[Limit], new: Sequence[Limit]) -> Iterator[Change]:
    """Limits, known by quantity, finding and the machines they are for."""
    was = dict(numbered(one_spelling((one.quantity, one.finding, one.when)) for one in old))
    now = dict(numbered(one_spelling((one.quantity, one.finding, one.when)) for one in new))
    if [key for key in was if key in now] != [key for key in now if key in was]:
        yield Change(what="limit", change="changed", pointer="/limits", old="in this order", new="in another")
    for key in sorted(was.keys() | now.keys()):
        one, other = (old[was[key]] if key in was else None), (new[now[key]] if key in now else None)
        there = other or one
        assert there is not None  # noqa: S101 - one of the tables has it
        place = f"/limits/{now[key] if key in now else was[key]}"
        if one is None or other is None or one.bands != other.bands:
            yield whole_change("limit", place, one, other, finding=there.finding)
        elif one != other:
            for change in member_changes(f"{place}/basis", one.basis, other.basis):
                yield msgspec.structs.replace(change, finding=there.finding)
