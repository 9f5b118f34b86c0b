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
from coldcase.core.sheet_reading import applied
from coldcase.core.table_sheets import FREQUENCIES, LIMITS, TEXTS, sheets
from coldcase.errors import BadTableRequest
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
        (
            FREQUENCIES,
            {"finding_title": "Other"},
            {"finding": "copper_plating"},
            "/finding_title",
            "sheet of texts",
        ),
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
def test_what_cannot_be_read_is_named_by_sheet_row_and_column(
    name: str, change: dict[str, str], where: dict[str, str], place: str, detail: str
) -> None:
    with pytest.raises(BadTableRequest) as refusal:
        edited(name, change, **where)
    assert any(
        flaw.pointer.startswith(f"/{name}/") and flaw.pointer.endswith(place) and detail in flaw.detail
        for flaw in refusal.value.flaws
    )


def test_a_sheet_that_is_none_is_named() -> None:
    with pytest.raises(BadTableRequest):
        applied(document(), {"causes": "a,b"})


def limits_sheet(*lines: str) -> str:
    return "\r\n".join(["limit;quantity;finding;band;below;outcome;basis", *lines])


def small() -> dict[str, Any]:
    """A document with all that sheets look at, and texts that spreadsheets take for something else."""
    share = {"background": [90.0, 10.0], "per_hundred": {"a": [50.125, 49.875]}}
    outcomes = [{"code": "no", "title": "=No"}, {"code": "yes", "title": "'+Yes"}]
    return {
        "causes": {"a": {"title": " A\r\nand so on "}, "b": {"title": "-5"}},
        "findings": {"f": {"title": "'Twas", "basis": "@first", "outcomes": outcomes, **share}},
        "patterns": {"p": {"title": "P", "basis": "x", "background": 5, "per_hundred": {"b": 20}}},
        "limits": [
            {
                "quantity": "q",
                "finding": "f",
                "basis": "=1+1",
                "bands": [{"below": -5, "outcome": "no"}, {"outcome": "yes"}],
            }
        ],
    }


def test_what_a_spreadsheet_would_run_is_held_back_and_comes_back(tmp_path: Path) -> None:
    made = sheets(small())
    cells = [cell for text in made.values() for row in csv.reader(io.StringIO(text)) for cell in row]
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "@")]
    saved = {name: through_a_spreadsheet(text, tmp_path) for name, text in made.items()}
    stripped = {name: text.replace(",'=", ",=").replace(",'@", ",@") for name, text in made.items()}
    for changed in (made, saved, stripped):
        assert applied(small(), changed) == small()


@pytest.mark.parametrize(
    ("name", "text", "places"),
    [
        (LIMITS, limits_sheet("1;q;f;1;-4,5;no;=1+1"), None),
        (
            LIMITS,
            limits_sheet("1;q;f;1;nan;no;b", "", "1;q;f;1;1_0;no;b", "1;q;f;2;1;yes;b;more"),
            ["/5", "/2/below", "/4/band"],
        ),
        (LIMITS, limits_sheet("1;q;f;1;3;no;b", "1;q;f;2;;yes;c"), ["/2/basis"]),
        (LIMITS, limits_sheet("1.5;q;f;1;3;no;b"), ["/2/limit"]),
        (LIMITS, "limit,band,quantity,when,finding,extra,extra\r\n", ["/1/extra"]),
        (LIMITS, 'limit,band,quantity,when,finding\r\n1,1,q,"{""motors"":[]}",f', ["/2/when"]),
        (LIMITS, '"limit', ["/1"]),
        (LIMITS, "", ["/1"] * 4),
        (FREQUENCIES, "finding,outcome,a\r\nf,no,1\r\nf,yes,\r\n", ["/3/a"]),
        (FREQUENCIES, "finding,outcome,c/d\r\nf,no,1\r\nf,yes,\r\n", ["/1/c~1d"]),
        (TEXTS, "pointer,text\r\n/causes/a/title,x\r\n/causes/a/title,y\r\n", ["/3/pointer"]),
    ],
)
def test_every_flaw_of_a_sheet_has_its_row_and_column(name: str, text: str, places: list[str] | None) -> None:
    if places is None:
        assert applied(small(), {name: text})["limits"][0]["bands"][0]["below"] == -4.5
        return
    with pytest.raises(BadTableRequest) as refusal:
        applied(small(), {name: text})
    assert [flaw.pointer for flaw in refusal.value.flaws] == [f"/{name}{place}" for place in places]


def test_one_edited_basis_is_the_basis_of_all_its_rows() -> None:
    text = sheets(small())[FREQUENCIES].replace("'@first", "seen in 14", 1)
    assert applied(small(), {FREQUENCIES: text})["findings"]["f"]["basis"] == "seen in 14"


def test_an_empty_column_takes_the_cause_s_own_row_away_and_a_missing_one_leaves_it() -> None:
    def shares(header: str, cells: str) -> dict[str, Any]:
        text = f"finding,outcome{header}\r\nf,no{cells}\r\nf,yes{cells}\r\n"
        rows: dict[str, Any] = applied(small(), {FREQUENCIES: text})["findings"]["f"]["per_hundred"]
        return rows

    assert shares(",a", ",") == {}
    assert shares("", "") == {"a": [50.125, 49.875]}
    assert shares(",b", ",50") == {"a": [50.125, 49.875], "b": [50, 50]}
