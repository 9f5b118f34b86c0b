"""A rule table's sheets over HTTP: handed out, edited, taken back into a draft."""

import csv
import io

import pytest

from tests.web.drafting import MERGE, as_person, draft, problem

pytestmark = pytest.mark.anyio
SHEETS = ("frequencies", "limits", "texts")
SHEET = {"Content-Type": "text/csv; charset=utf-8"}


async def sheet(who, version, name):
    answered = await who.get(f"/v1/rule-tables/{version}/sheets/{name}", headers={"Accept": "text/csv"})
    assert answered.status_code == 200, answered.text
    return answered


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def written(lines):
    out = io.StringIO()
    writer = csv.DictWriter(out, lines[0].keys())
    writer.writeheader()
    writer.writerows(lines)
    return out.getvalue()


async def put(who, place, name, text, tag, **query):
    headers = {**SHEET, "If-Match": tag}
    return await who.put(f"{place}/sheets/{name}", content=text, headers=headers, params=query)


async def test_nothing_edited_changes_nothing_and_an_edit_is_one_change(author):
    place, tag = await draft(author)
    for name in SHEETS:
        handed_out = await sheet(author, 2, name)
        assert handed_out.headers["ETag"] == tag
        assert handed_out.headers["Content-Type"] == "text/csv; charset=utf-8"
        back = await put(author, place, name, handed_out.content, tag)
        assert (back.status_code, back.headers["ETag"]) == (200, tag)
    lines = rows((await sheet(author, 2, "texts")).text)
    [line] = [one for one in lines if one["pointer"] == "/causes/moisture/title"]
    line["text"] = "Wet circuit"

    edited = await put(author, place, "texts", written(lines), tag)

    assert edited.status_code == 200
    found = (await author.get(f"{place}/diff")).json()["diff"]
    assert [change["pointer"] for one in found["stations"] for change in one["changes"]] == [
        "/causes/moisture/title"
    ]


async def test_sheets_of_the_base_go_on_top_of_what_the_draft_has_else(author):
    place, tag = await draft(author, {"temperature": 3.0})
    edits = {
        "texts": ("pointer", "/causes/moisture/title", "text", "Wet circuit"),
        "limits": ("band", "1", "below", "123.5"),
    }
    for name, (column, value, edited, new) in edits.items():
        lines = rows((await sheet(author, 1, name)).text)
        next(one for one in lines if one[column] == value)[edited] = new
        answered = await put(author, place, name, written(lines), tag, base=1)
        assert answered.status_code == 200, answered.text
        tag = answered.headers["ETag"]
    content = (await author.get(place)).json()["content"]
    assert content["temperature"] == 3.0
    assert content["causes"]["moisture"]["title"] == "Wet circuit"
    assert content["limits"][0]["bands"][0]["below"] == 123.5
    lines = rows((await sheet(author, 1, "texts")).text)
    next(one for one in lines if one["pointer"] == "/causes/moisture/title")["text"] = "Water"
    answered = await put(author, place, "texts", written(lines), tag, base=1)
    assert problem(answered) == (422, "bad_table_request")
    assert [error["pointer"] for error in answered.json()["errors"]] == ["/causes/moisture/title"]


async def test_every_cell_that_cannot_be_read_is_named(author):
    place, tag = await draft(author)
    lines = rows((await sheet(author, 2, "limits")).text)
    lines[0]["below"], lines[2]["limit"] = "low", "9999"
    answered = await put(author, place, "limits", written(lines), tag)
    assert problem(answered) == (422, "bad_table_request")
    assert [error["pointer"] for error in answered.json()["errors"]] == ["/limits/2/below", "/limits/4/limit"]
    assert (await author.get(place)).headers["ETag"] == tag


async def test_a_sheet_goes_into_a_draft_that_was_seen(own, author):
    place, tag = await draft(author)
    text = (await sheet(author, 2, "limits")).content
    put_it = {"content": text, "url": f"{place}/sheets/limits"}
    assert problem(await author.put(**put_it, headers=SHEET)) == (428, "precondition_required")
    assert problem(await author.put(**put_it, headers={**SHEET, "If-Match": '"other"'})) == (
        412,
        "precondition_failed",
    )
    for headers in ({**MERGE, "If-Match": tag}, {"Content-Type": "application/json", "If-Match": tag}):
        assert problem(await author.put(**put_it, headers=headers)) == (415, "unsupported_media_type")
    assert problem(await put(author, "/v1/rule-tables/1", "limits", text, "*")) == (409, "wrong_state")
    assert problem(await put(author, place, "causes", text, tag)) == (404, "not_found")
    assert problem(await put(author, place, "limits", text, tag, base=77)) == (404, "not_found")
    assert problem(await put(author, place, "limits", b"\xff", tag)) == (400, "malformed")
    assert problem(await put(author, place, "limits", '"open', tag)) == (422, "bad_table_request")
    reader = await as_person(own, "reader", "tables:read")
    assert problem(await reader.get(f"{place}/sheets/limits")) == (403, "scope_missing")
    assert (await sheet(reader, 1, "limits")).content == text


async def test_a_draft_of_the_wrong_shape_has_no_sheets(author):
    place, _ = await draft(author, {"temperature": "hot"})
    assert problem(await author.get(f"{place}/sheets/texts")) == (422, "bad_rule_table")
