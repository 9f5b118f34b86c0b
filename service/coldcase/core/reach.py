"""Which cases a change of the rule table can answer otherwise: told from the two tables, without answering.

What a table says of a finding is weighed only where that finding was looked at, or came of readings; so a
changed row reaches the cases that mention it, and no others. What this does not know for certain reaches
every case.
"""

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

import msgspec

from coldcase.core.conditions import findings_in, necessary
from coldcase.core.rule_table import Cause, CauseLink, Finding, Gate, Group, Limit, Pattern, RuleTable

OF_READINGS = ("quantities", "limits")
ROW_BY_ROW = ("findings", "patterns", "groups", "causes", "links", "retired")
NEVER_COMPARED = ("closed",)
"""What is no longer worth a check is a part of what is answered, and none of what is coded."""

EVERYBODYS = tuple(
    name for name in RuleTable.__struct_fields__ if name not in (*OF_READINGS, *ROW_BY_ROW, *NEVER_COMPARED)
)
"""Members of which any change may change any answer."""

_Row = TypeVar("_Row", Finding, Pattern, Group, Cause, CauseLink)
WORDS: dict[type[msgspec.Struct], dict[str, Any]] = {
    Finding: {"title": "", "question": "", "basis": "", "row_basis": {}, "before": None},
    Pattern: {"title": "", "basis": ""},
    Group: {"says": ""},
    Cause: {
        "title": "",
        "family": "",
        "summary": "",
        "system_borne": False,
        "chain": [],
        "actions": [],
        "contrast": [],
    },
    CauseLink: {"basis": ""},
}
"""Of each kind of row the members that change no code, confidence or caution, and what is put in their
place.
"""


class Reach(msgspec.Struct, frozen=True):
    """The cases that may be answered otherwise: all (`everything`); or those that mention one of `findings`,
    and those with readings or oil results from which one of `quantities` is worked out.

    `derives_alike` says whether readings and oil results yield the same findings as before, in every case,
    `warns_alike` whether the cautions are the same.
    """

    everything: bool = False
    findings: frozenset[str] = frozenset()
    quantities: frozenset[str] = frozenset()
    derives_alike: bool = True
    warns_alike: bool = True

    def mentions(self, findings: Iterable[str]) -> bool:
        """Whether a case that mentions these findings may be answered otherwise, whatever was measured."""
        return self.everything or not self.findings.isdisjoint(findings)


def reach(old: RuleTable, new: RuleTable) -> Reach:
    """The cases to which the tables may give another code, status, confidence, ranking or caution."""
    derives_alike = _derive_alike(old, new)
    # What cautions ask of a case, of its machine and its findings, is what limits ask of it.
    warns_alike = derives_alike and old.cautions == new.cautions
    patterns = [
        pattern
        for code in _changed(old.patterns, new.patterns)
        for pattern in (old.patterns.get(code), new.patterns.get(code))
        if pattern is not None
    ]
    retired = {*old.retired} ^ {*new.retired}
    if (
        _differ(old, new, EVERYBODYS)
        or _bare(old.causes) != _bare(new.causes)
        or [_without_words(link) for link in old.links] != [_without_words(link) for link in new.links]
        or not all(necessary(pattern.when) for pattern in patterns)
        or any(row.kind == "cause" for row in retired)
    ):
        return Reach(everything=True, derives_alike=derives_alike, warns_alike=warns_alike)
    findings = {
        *_changed(old.findings, new.findings),
        *_of_groups(old, new),
        *(code for pattern in patterns for code in _members(pattern)),
        *(row.code if row.finding is None else row.finding for row in retired),
    }
    quantities = _judged_otherwise(old, new) | {
        limit.quantity for table in (old, new) for limit in table.limits if limit.finding in findings
    }
    if findings:
        # A case may still call a finding what an earlier table did.
        findings |= {row.code for table in (old, new) for row in table.retired if row.kind == "finding"}
    return Reach(
        findings=frozenset(findings),
        quantities=frozenset(quantities),
        derives_alike=derives_alike,
        warns_alike=warns_alike,
    )


def _judged_otherwise(old: RuleTable, new: RuleTable) -> set[str]:
    """The quantities of which another range is credible, or that other limits judge."""
    limits: list[dict[str, list[Limit]]] = [{}, {}]
    for table, by_quantity in zip((old, new), limits, strict=True):
        for limit in table.limits:
            bare = msgspec.structs.replace(limit, basis="")
            by_quantity.setdefault(limit.quantity, []).append(bare)
    return {
        *(code for code in limits[0] | limits[1] if limits[0].get(code) != limits[1].get(code)),
        *(
            code
            for code in old.quantities | new.quantities
            if old.quantities.get(code) != new.quantities.get(code)
        ),
    }


def _derive_alike(old: RuleTable, new: RuleTable) -> bool:
    """Whether both judge readings alike, and have the same outcomes on the same machines to judge them by."""
    return (
        not _judged_otherwise(old, new)
        and not _differ(old, new, ("refrigerants", "retired"))
        and _outcomes(old) == _outcomes(new)
        and _gates(old) == _gates(new)
    )


def _outcomes(table: RuleTable) -> dict[str, object]:
    return {
        code: (row.kind, row.gate, [(outcome.code, outcome.gate) for outcome in row.outcomes])
        for code, row in table.findings.items()
    }


def _gates(table: RuleTable) -> dict[str, Gate]:
    return {code: row.gate for code, row in table.causes.items()}


def _differ(old: RuleTable, new: RuleTable, names: Iterable[str]) -> bool:
    return any(getattr(old, name) != getattr(new, name) for name in names)


def _bare(rows: Mapping[str, _Row]) -> dict[str, _Row]:
    """Rows without their words."""
    return {code: _without_words(row) for code, row in rows.items()}


def _without_words(row: _Row) -> _Row:
    bare = msgspec.structs.replace(row, **WORDS[type(row)])
    if isinstance(bare, Finding):
        outcomes = [msgspec.structs.replace(one, title="", definition=None) for one in bare.outcomes]
        return msgspec.structs.replace(bare, outcomes=outcomes)
    return bare


def _changed(old: Mapping[str, _Row], new: Mapping[str, _Row]) -> set[str]:
    """The codes of rows that are not alike, or that one table has alone."""
    before, after = _bare(old), _bare(new)
    return {code for code in before.keys() | after.keys() if before.get(code) != after.get(code)}


def _of_groups(old: RuleTable, new: RuleTable) -> set[str]:
    """The findings of groups that changed."""
    groups = _changed(old.groups, new.groups)
    return {code for table in (old, new) for code, row in table.findings.items() if row.group in groups}


def _members(pattern: Pattern) -> set[str]:
    return {*pattern.subsumes, *(code for code, _ in findings_in(pattern.when))}
