"""What differs between two rule tables: all of it, in weight, the most consequential first."""

import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coldcase.core.diff_text import diff_text
from coldcase.core.diffing import diff_tables
from coldcase.core.rule_table import canonical_table, from_document, table_digest
from tests.core.tables import modest, starter, starter_document


def changes(document, against=None):
    diff = diff_tables(starter() if against is None else from_document(against), from_document(document))
    return [change for one in diff.stations for change in one.changes]


def some_row(document):
    """A finding whose outcomes exclude each other, and a cause with a row of its own there."""
    for code, finding in sorted(document["findings"].items()):
        if finding.get("kind", "one") == "one":
            for cause, row in sorted(finding["per_hundred"].items()):
                if row[1] >= 12:
                    return code, cause, row
    raise AssertionError("no such row")


def test_nothing_differs_from_a_table_itself():
    diff = diff_tables(starter(), starter())
    assert (diff.added, diff.removed, diff.changed, diff.stations) == (0, 0, 0, [])


def test_a_frequency_is_told_with_what_it_weighs():
    document = starter_document()
    code, cause, row = some_row(document)
    row[0], row[1] = row[0] + 6, row[1] - 6
    finding = starter().findings[code]

    found = changes(document)

    assert {(change.what, change.finding, change.cause, change.outcome) for change in found} == {
        ("frequency", code, cause, finding.outcomes[place].code) for place in (0, 1)
    }
    second = next(change for change in found if change.outcome == finding.outcomes[1].code)
    usual, mistaken = finding.background[1], starter().mistaken

    def weight(share):
        return 10 * math.log10(((1 - mistaken) * share + mistaken * usual) / usual)

    assert (second.old, second.new) == (row[1] + 6, row[1])
    assert second.old_decibans == pytest.approx(weight(row[1] + 6), abs=0.006)
    assert second.new_decibans == pytest.approx(weight(row[1]), abs=0.006)
    assert second.decibans == pytest.approx(weight(row[1]) - weight(row[1] + 6), abs=0.011)
    assert abs(found[0].decibans) >= abs(found[1].decibans)


def test_a_background_moves_the_weights_of_rows_that_stay():
    document = starter_document()
    code, cause, _ = some_row(document)
    background = document["findings"][code]["background"]
    background[0], background[1] = background[0] - 1, background[1] + 1

    found = changes(document)

    own = next(change for change in found if change.cause == cause and change.outcome is not None)
    assert own.old == own.new
    assert own.decibans != 0
    assert any(change.cause is None and change.old != change.new for change in found)


def test_what_came_and_went_is_told_by_kind_and_station():
    document = starter_document()
    code, cause, _ = some_row(document)
    station = document["findings"][code]["station"]
    document["findings"]["new_sign"] = document["findings"].pop(code)
    del document["causes"][cause]
    del document["base_rates"][cause]
    document["limits"].pop(0)
    document["temperature"] = 3

    diff = diff_tables(starter(), from_document(document))

    found = {
        (change.what, change.change, change.pointer): one.station
        for one in diff.stations
        for change in one.changes
    }
    assert found["finding", "removed", f"/findings/{code}"] == station
    assert found["finding", "added", "/findings/new_sign"] == station
    assert found["cause", "removed", f"/causes/{cause}"] is None
    assert found["base_rate", "removed", f"/base_rates/{cause}"] is None
    assert found["setting", "changed", "/temperature"] is None
    assert ("limit", "removed", "/limits/0") in found
    assert diff.added + diff.removed + diff.changed == len(found)


def test_texts_come_last_and_a_limit_before_them():
    document = starter_document()
    limit = document["limits"][0]
    finding = document["findings"][limit["finding"]]
    finding["question"] = "What do you see?"
    limit["bands"][0]["below"] = limit["bands"][0]["below"] - 0.5
    limit["basis"] = "invented"

    found = changes(document)

    assert [(change.what, change.pointer) for change in found] == [
        ("limit", "/limits/0"),
        ("text", f"/findings/{limit['finding']}/question"),
    ]


def test_limits_in_another_order_are_told():
    document = starter_document()
    document["limits"].reverse()
    assert [(change.what, change.pointer) for change in changes(document)] == [("limit", "/limits")]


def test_as_text_it_names_tables_station_and_weight():
    document = starter_document()
    code, cause, row = some_row(document)
    row[0], row[1] = row[0] + 6, row[1] - 6
    diff = diff_tables(starter(), from_document(document))

    first, _, station, *lines = diff_text(diff, "rule table 1", "draft 2").splitlines()

    assert first == "draft 2 against rule table 1: 0 added, 0 removed, 2 changed"
    assert station == document["findings"][code]["station"]
    assert len(lines) == 2
    assert any(f"{code} " in line and f", {cause}: " in line and " dB, " in line for line in lines)


def places(value, at=()):
    """Where something can be changed in a document."""
    if isinstance(value, dict):
        return [place for name, member in value.items() for place in places(member, (*at, name))]
    if isinstance(value, list):
        return [place for index, member in enumerate(value) for place in places(member, (*at, index))]
    return [at]


PLACES = [place for place in places(starter_document()) if place[-1] not in ("code", "format")]


@settings(modest, max_examples=15)
@given(st.data())
def test_whatever_is_changed_is_told_and_nothing_else_is(data):
    document = starter_document()
    for place in data.draw(st.lists(st.sampled_from(PLACES), max_size=3)):
        holder = document
        for name in place[:-1]:
            holder = holder[name]
        value = holder[place[-1]]
        match value:
            case bool():
                holder[place[-1]] = not value
            case str() if place[-1] in ("title", "basis", "text", "summary", "step", "reason"):
                holder[place[-1]] = value + "!"
            case float() | int() if "per_hundred" in place or "background" in place:
                holder[place[-1]] = min(value + 0.5, 100)
            case _:
                pass
    table = from_document(document)

    for one, other in ((starter(), table), (table, starter())):
        told = bool(diff_tables(one, other).stations)
        assert told == (table_digest(table) != table_digest(starter()))


@settings(modest, max_examples=15)
@given(st.data())
def test_a_row_that_is_left_out_or_put_in_is_told(data):
    document = starter_document()
    code = data.draw(st.sampled_from(sorted(document["findings"])))
    finding = document["findings"][code]
    cause = data.draw(st.sampled_from(sorted(document["causes"])))
    if finding["per_hundred"].pop(cause, None) is None:
        finding["per_hundred"][cause] = list(finding["background"])
    assert changes(document)


def test_the_order_of_members_and_the_spelling_of_numbers_are_no_difference() -> None:
    canonical = msgspec.json.decode(canonical_table(starter()))
    assert diff_tables(starter(), from_document(canonical)).stations == []
    assert diff_tables(from_document(canonical), starter()).stations == []
