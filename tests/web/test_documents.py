"""What anyone may ask for as often as they like: made once, and not sent again to whoever has it."""

import pytest

from coldcase.web import openapi, pages, rendering

pytestmark = pytest.mark.anyio


@pytest.mark.parametrize("path", ["/openapi.json", "/docs", "/problems/busy", "/v1/vocabulary"])
async def test_whoever_has_a_document_gets_it_no_second_time(caller, path):
    whole = await caller.get(path)
    tag = whole.headers["ETag"]
    assert (whole.status_code, tag.startswith('"'), bool(whole.content)) == (200, True, True)
    assert (await caller.get(path)).content == whole.content

    again = await caller.get(path, headers={"If-None-Match": tag})
    assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag)
    assert (await caller.get(path, headers={"If-None-Match": '"another"'})).content == whole.content


async def test_documents_of_different_texts_have_different_tags(caller):
    paths = ("/openapi.json", "/docs", "/problems/busy", "/problems/internal", "/v1/vocabulary")
    assert len({(await caller.get(path)).headers["ETag"] for path in paths}) == len(paths)


async def test_documents_are_made_once(caller, monkeypatch):
    paths = ("/openapi.json", "/docs", "/v1/vocabulary")
    first = [(await caller.get(path)).content for path in paths]
    monkeypatch.setattr(openapi, "document", None)
    monkeypatch.setattr(pages, "docs", None)
    monkeypatch.setattr("coldcase.web.vocabulary.vocabulary", None)
    assert [(await caller.get(path)).content for path in paths] == first


def test_templates_are_compiled_once():
    assert rendering.templates() is rendering.templates()
