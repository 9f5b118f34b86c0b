"""A rule table through a spreadsheet and back."""

import csv
import io
from pathlib import Path
from typing import Any

import msgspec
import openpyxl
import pytest

from coldcase.core.checking import read_table
from coldcase.core.rule_table import from_document, table_digest
from coldcase.core.table_sheets import FREQUENCIES, LIMITS, TEXTS, applied, sheets
from coldcase.errors import BadRuleTable
from tests.core.tables import starter


def document() -> dict[str, Any]:
    built: dict[str, Any] = msgspec.to_builtins(starter())
    return built


def through_a_spreadsheet(text: str, folder: Path) -> str:
    """Written as numbers and words, saved, opened again, and written out as a spreadsheet does."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in csv.reader(io.StringIO(text)):
        sheet.append([_cell(each) for each in row])
    book.save(folder / "sheet.xlsx")
    opened = openpyxl.load_workbook(folder / "sheet.xlsx").active
    assert opened is not None
    out = io.StringIO()
    csv.writer(out).writerows(
        ["" if value is None else str(value) for value in row] for row in opened.iter_rows(values_only=True)
    )
    return out.getvalue()


def _cell(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


def test_nothing_edited_gives_the_table_s_own_digest() -> None:
    assert table_digest(from_document(applied(document(), sheets(document())))) == table_digest(starter())


def test_nor_does_a_spreadsheet_change_it(tmp_path: Path) -> None:
    saved = {name: through_a_spreadsheet(text, tmp_path) for name, text in sheets(document()).items()}
    assert table_digest(from_document(applied(document(), saved))) == table_digest(starter())


def edited(name: str, change: dict[str, str], **where: str) -> dict[str, Any]:
    """The document after one line of a sheet was changed."""
    rows = list(csv.DictReader(io.StringIO(sheets(document())[name])))
    found = [row for row in rows if where.items() <= row.items()]
    assert found
    found[0].update(change)
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0].keys())
    writer.writeheader()
    writer.writerows(rows)
    return applied(document(), {name: out.getvalue()})


def test_a_share_a_limit_and_a_text_are_changed_where_they_stand() -> None:
    row = {"finding": "copper_plating", "outcome": "heavy", "machines": ""}
    shares = edited(FREQUENCIES, {"moisture": "33,5"}, **row)["findings"]["copper_plating"]["per_hundred"]
    before = document()["findings"]["copper_plating"]["per_hundred"]
    assert shares["moisture"][2] == 33.5
    assert {k: v for k, v in shares.items() if k != "moisture"} == {
        k: v for k, v in before.items() if k != "moisture"
    }
    limit = edited(LIMITS, {"below": "123.5"}, limit="1", band="1")["limits"][0]
    assert limit["bands"][0]["below"] == 123.5
    text = edited(TEXTS, {"text": "Wet circuit"}, pointer="/causes/moisture/title")
    assert text["causes"]["moisture"]["title"] == "Wet circuit"
    assert read_table(text).causes["moisture"].title == "Wet circuit"


@pytest.mark.parametrize(
    ("name", "change", "where", "place", "detail"),
    [
        (FREQUENCIES, {"moisture": "many"}, {"finding": "copper_plating"}, "/moisture", "no share of 100"),
        (
            FREQUENCIES,
            {"finding": "copper"},
            {"finding": "copper_plating"},
            "/finding",
            "no finding 'copper'",
        ),
        (FREQUENCIES, {"outcome": "some"}, {"finding": "copper_plating"}, "/outcome", "no outcome 'some'"),
        (FREQUENCIES, {"basis": "other"}, {"finding": "copper_plating"}, "/basis", "different bases"),
        (LIMITS, {"limit": "9999"}, {"limit": "1"}, "/limit", "no limit"),
        (LIMITS, {"below": "low"}, {"limit": "1"}, "/below", "no number"),
        (LIMITS, {"quantity": "run_hours"}, {"limit": "1"}, "/quantity", "another quantity"),
        (
            TEXTS,
            {"pointer": "/causes/none/title"},
            {"pointer": "/causes/moisture/title"},
            "/pointer",
            "no text",
        ),
    ],
)
def test_what_cannot_be_read_is_named_by_file_line_and_column(
    name: str, change: dict[str, str], where: dict[str, str], place: str, detail: str
) -> None:
    with pytest.raises(BadRuleTable) as refusal:
        edited(name, change, **where)
    assert any(
        flaw.pointer.startswith(f"{name}/") and flaw.pointer.endswith(place) and detail in flaw.detail
        for flaw in refusal.value.flaws
    )


def test_a_sheet_that_is_none_is_named() -> None:
    with pytest.raises(BadRuleTable):
        applied(document(), {"causes.csv": "a,b"})
