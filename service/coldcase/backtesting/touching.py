"""Which recorded decisions a rule table can answer otherwise than they were, told without answering them; and
what of an answer on record need not be worked out again.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import msgspec
from msgspec import UNSET, Raw, UnsetType

from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import DerivedValue
from coldcase.core.reach import Reach, reach
from coldcase.core.rule_table import RuleTable
from coldcase.db.backtests import RecordedRow
from coldcase.readings.findings import outcomes_shown
from coldcase.readings.refrigerants import library


class AskedAgain(NamedTuple):
    """A case to be answered again.

    `shown` are the findings that its readings and oil results yielded when it was recorded, by this engine
    and under a table of the same words; None where that is not known. They are `settled` where the limits are
    the same, too; else they are worked out again, and if they come out as they were, so does the answer.
    `warned` says that the cautions are surely what they were.
    """

    text: str
    shown: Mapping[str, tuple[str, ...]] | None = None
    settled: bool = False
    warned: bool = False


class _Unit(msgspec.Struct):
    installed_at: Raw | UnsetType = UNSET


class _Mentioned(msgspec.Struct):
    """Of a case what it mentions: findings, and whether there is anything to work out."""

    unit: _Unit
    observations: dict[str, Raw] = {}
    readings: Raw | UnsetType = UNSET
    oil_results: Raw | UnsetType = UNSET

    @property
    def metered(self) -> bool:
        return any(part is not UNSET for part in (self.readings, self.oil_results, self.unit.installed_at))


class _Engine(msgspec.Struct):
    properties: str | None


class _ByEngine(msgspec.Struct):
    engine: _Engine


class _Showing(msgspec.Struct):
    derived: list[DerivedValue]


ENGINE = '"engine":'
_mentioned_in = msgspec.json.Decoder(_Mentioned).decode
_engine_of = msgspec.json.Decoder(_ByEngine).decode
_shown_by = msgspec.json.Decoder(_Showing).decode


class TouchedDecisions:
    """Tells for one rule table; the tables by which decisions were answered are made known first."""

    def __init__(self, table: RuleTable) -> None:
        self._table = table
        self._reaches: dict[int, Reach] = {}

    def missing(self, rows: Iterable[RecordedRow]) -> set[int]:
        """The versions by which these were answered and that are not known."""
        return {row.rule_table for row in rows} - self._reaches.keys()

    def add(self, version: int, table: RuleTable) -> None:
        """Makes a version known."""
        self._reaches[version] = reach(table, self._table)

    def asked_again(self, row: RecordedRow) -> AskedAgain | None:
        """How it is to be answered again; None where the table says of it what was said."""
        found = self._reaches.get(row.rule_table)
        case = _mentions(row.case_text) if row.engine == ENGINE_VERSION else None
        if found is None or case is None:
            return AskedAgain(row.case_text)
        mentioned = found.mentions(case.observations)
        if case.metered:
            return self._metered(row, found, mentioned=mentioned)
        if not mentioned:
            return None
        shown: dict[str, tuple[str, ...]] | None = {} if found.derives_alike else None
        return AskedAgain(row.case_text, shown, settled=True, warned=found.warns_alike)

    def _metered(self, row: RecordedRow, found: Reach, *, mentioned: bool) -> AskedAgain | None:
        if not _same_properties(row.answer_text):
            return AskedAgain(row.case_text)
        if not mentioned and not _works_out(row.answer_text, found.quantities):
            return None
        # Where nothing changed of what cases say, an answer hangs on what readings yield alone.
        limits_alone = not found.everything and not found.findings
        if not found.derives_alike and not limits_alone:
            return AskedAgain(row.case_text)
        shown = self._shown(row)
        return AskedAgain(row.case_text, shown, settled=found.derives_alike, warned=found.warns_alike)

    def _shown(self, row: RecordedRow) -> dict[str, tuple[str, ...]] | None:
        try:
            return outcomes_shown(_shown_by(row.answer_text).derived, self._table)
        except msgspec.DecodeError:
            return None


def _mentions(case_text: str) -> _Mentioned | None:
    try:
        return _mentioned_in(case_text)
    except msgspec.DecodeError:
        return None


def _works_out(answer_text: str, quantities: Iterable[str]) -> bool:
    """Whether an answer shows one of these quantities; it shows each that was worked out."""
    return any(f'"quantity":"{quantity}"' in answer_text for quantity in quantities)


def _same_properties(answer_text: str) -> bool:
    """Whether the fluid property library of an answer, if it used one, is surely the one that is used now. It
    is said in the last member, which is read from where it begins.
    """
    try:
        said = _engine_of("{" + answer_text[answer_text.rfind(ENGINE) :])
    except msgspec.DecodeError:
        return False
    return said.engine.properties in (None, library())
