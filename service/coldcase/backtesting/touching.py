"""Which recorded decisions a rule table can answer otherwise than they were: told without answering them."""

from collections.abc import Iterable

import msgspec
from msgspec import UNSET, Raw, UnsetType

from coldcase.core import ENGINE_VERSION
from coldcase.core.reach import Reach, reach
from coldcase.core.rule_table import RuleTable
from coldcase.db.backtests import RecordedRow
from coldcase.readings.refrigerants import library


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


ENGINE = '"engine":'
_mentioned_in = msgspec.json.Decoder(_Mentioned).decode
_engine_of = msgspec.json.Decoder(_ByEngine).decode


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

    def is_touched(self, row: RecordedRow) -> bool:
        """Whether the table may say anything else of it, for all that is known."""
        found = self._reaches.get(row.rule_table)
        if found is None or found.everything or row.engine != ENGINE_VERSION:
            return True
        try:
            case = _mentioned_in(row.case_text)
        except msgspec.DecodeError:
            return True
        if found.touches(case.observations, metered=case.metered):
            return True
        return case.metered and not _same_properties(row.answer_text)


def _same_properties(answer_text: str) -> bool:
    """Whether the fluid property library of an answer, if it used one, is surely the one that is used now. It
    is said in the last member, which is read from where it begins.
    """
    try:
        said = _engine_of("{" + answer_text[answer_text.rfind(ENGINE) :])
    except msgspec.DecodeError:
        return False
    return said.engine.properties in (None, library())
