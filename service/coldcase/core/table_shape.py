"""What is wrong with the shape and the sums of a rule table's document, whatever it means."""

from collections.abc import Iterator, Sequence
from typing import Any, get_args, get_origin, get_type_hints

import msgspec

from coldcase.core.fixed_point import TEN_THOUSAND
from coldcase.core.frequencies import hundredths
from coldcase.core.rule_table import Finding, Outcome, RuleTable
from coldcase.errors import Flaw

LEAST_SHARE = hundredths(0.1)
"""A cell that can be is at least 0.1 in 100; what cannot be is gated."""


def misshapen(document: Any) -> Iterator[Flaw]:
    """The first flaw of shape of each row of the document."""
    if not isinstance(document, dict):
        yield Flaw("", "A rule table is a JSON object.")
        return
    hints = get_type_hints(RuleTable, include_extras=True)
    for field in msgspec.structs.fields(RuleTable):
        if field.required and field.name not in document:
            yield Flaw(f"/{field.name}", "This member is required.")
    for name, value in document.items():
        if name not in hints:
            yield Flaw(f"/{name}", f"A rule table has no member '{name}'.")
        elif get_origin(hints[name]) is dict and isinstance(value, dict):
            for code, row in value.items():
                yield from _shape_flaw(f"/{name}/{code}", row, get_args(hints[name])[1])
        elif get_origin(hints[name]) is list and isinstance(value, list):
            for index, row in enumerate(value):
                yield from _shape_flaw(f"/{name}/{index}", row, get_args(hints[name])[0])
        else:
            yield from _shape_flaw(f"/{name}", value, hints[name])


def _shape_flaw(place: str, value: Any, hint: Any) -> Iterator[Flaw]:
    try:
        msgspec.convert(value, hint)
    except msgspec.ValidationError as error:
        detail, _, path = str(error).partition(" - at `$")
        # msgspec writes [...] for a member of a map, whose name it does not tell.
        within = path.rstrip("`").replace("[...]", "").replace("[", "/").replace("]", "").replace(".", "/")
        yield Flaw(place + within, detail.replace("`", "'") + ".")


class _Coded(msgspec.Struct):
    code: str


class _MachineRows(msgspec.Struct):
    background: list[float] | None = None
    per_hundred: dict[str, list[float]] = msgspec.field(default_factory=dict)


class _Rows(_MachineRows, kw_only=True):
    """What of a finding its arithmetic needs, whatever the shape of the rest."""

    outcomes: list[_Coded]
    background: list[float]
    kind: str = "one"
    on_machines: list[_MachineRows] = msgspec.field(default_factory=list)


def sums(document: Any) -> Iterator[Flaw]:
    """The flaws of arithmetic in a document whose shape is wrong somewhere."""
    findings = document.get("findings") if isinstance(document, dict) else None
    for code, finding in findings.items() if isinstance(findings, dict) else ():
        try:
            rows = msgspec.convert(finding, _Rows)
        except msgspec.ValidationError:
            continue
        yield from _sums_at(f"/findings/{code}", rows, rows)
        for index, own in enumerate(rows.on_machines):
            yield from _sums_at(f"/findings/{code}/on_machines/{index}", own, rows)


def _sums_at(place: str, rows: _MachineRows, finding: _Rows) -> Iterator[Flaw]:
    if rows.background is not None:
        yield from row_flaws(f"{place}/background", rows.background, finding)
    for cause, row in rows.per_hundred.items():
        yield from row_flaws(f"{place}/per_hundred/{cause}", row, finding)


def row_flaws(place: str, row: list[float], finding: "_Rows | Finding") -> Iterator[Flaw]:
    """What is wrong with the numbers of one row."""
    outcomes: Sequence[_Coded | Outcome] = finding.outcomes
    if len(row) != len(outcomes):
        yield Flaw(place, f"The row has {len(row)} numbers for {len(outcomes)} outcomes.")
        return
    cells = [hundredths(share) for share in row]
    if any(abs(share * 100 - cell) > 1e-6 for share, cell in zip(row, cells, strict=True)):
        yield Flaw(place, "A frequency has more than two decimals.")
    if finding.kind == "one" and sum(cells) != TEN_THOUSAND:
        yield Flaw(place, f"The row sums to {sum(cells) / 100:g}, not to 100.")
    for outcome, cell in zip(outcomes, cells, strict=True):
        if cell < LEAST_SHARE:
            yield Flaw(place, f"'{outcome.code}' stands below 0.1 in 100; what cannot be is gated, not zero.")
        if finding.kind == "several" and cell > TEN_THOUSAND - LEAST_SHARE:
            yield Flaw(place, f"'{outcome.code}' stands above 99.9 in 100; a sign may always be missing.")
