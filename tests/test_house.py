"""How the code is built: one name for one thing, no arrow up, one list of a decision's columns."""

import ast
from pathlib import Path

import msgspec
import pytest

from coldcase.db.decisions import DecisionFilter
from coldcase.db.tables import decision
from coldcase.proof.decision_columns import PACKED_COLUMNS, NewDecision, StoredDecision
from coldcase.web.decisions import DecisionQuery
from coldcase.web.exports import ExportQuery
from coldcase.web.statistics import CalibrationQuery, CauseQuery
from tests.structure import arrows, names_used_twice, trees_of, unknown_rooms, upward

CODE = trees_of(Path(__file__).parents[1] / "service" / "coldcase")
NOT_A_SEARCH = {"cursor", "limit", "format", "full", "safe", "group_by", "basis"}


def test_no_public_name_means_two_things():
    assert names_used_twice(CODE) == {}


def test_a_name_that_two_modules_define_is_found():
    two = {Path(f"{name}.py"): ast.parse("MOST = 1\n_own = 2\n") for name in ("one", "other")}
    assert names_used_twice(two) == {"MOST": ["one.py", "other.py"]}


def test_every_room_has_its_floor_and_no_import_runs_upward():
    counted = arrows(CODE)
    assert counted.total() > 100
    assert (upward(counted), unknown_rooms(counted)) == ([], [])


def test_an_import_that_runs_upward_is_found():
    assert upward(arrows({Path("core/case.py"): ast.parse("from coldcase import db")})) == [("core", "db")]


def test_the_table_of_decisions_has_the_columns_that_are_listed_and_what_the_database_computes():
    assert set(StoredDecision.__struct_fields__) == {*NewDecision.__struct_fields__, "xid"}
    assert {column.name for column in decision.c} == {
        *StoredDecision.__struct_fields__,
        *PACKED_COLUMNS,
        "at",
    }


@pytest.mark.parametrize("query", [DecisionQuery, ExportQuery, CauseQuery, CalibrationQuery])
def test_what_a_query_asks_for_is_known_to_the_search(query: type[msgspec.Struct]):
    assert set(query.__struct_fields__) - NOT_A_SEARCH <= set(DecisionFilter.__struct_fields__)
