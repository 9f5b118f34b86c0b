"""Edits against one version, carried over to another."""

from copy import deepcopy
from typing import Any

import pytest

from coldcase.core.sheet_merging import carried_over
from coldcase.errors import BadTableRequest

BASE: dict[str, Any] = {
    "a": {"x": 1, "y": 2},
    "row": [10.0, 90.0],
    "limits": [{"quantity": "q", "bands": [{"below": 1}, {}]}, {"quantity": "r", "bands": []}],
}


def changed(**members: Any) -> dict[str, Any]:
    return deepcopy(BASE) | members


def test_what_was_edited_is_changed_and_nothing_else() -> None:
    draft = changed(a={"x": 1, "y": 3}, more=True)
    edited = changed(a={"x": 5, "y": 2}, row=[20.0, 80.0])
    assert carried_over(BASE, edited, draft) == changed(a={"x": 5, "y": 3}, row=[20.0, 80.0], more=True)
    assert carried_over(BASE, BASE, draft) == draft
    assert carried_over(BASE, changed(a={"y": 2}), draft) == changed(a={"y": 3}, more=True)


def test_the_same_edit_twice_is_no_conflict() -> None:
    edited = changed(a={"x": 5, "y": 2})
    assert carried_over(BASE, edited, edited) == edited


@pytest.mark.parametrize(
    ("draft", "place"),
    [
        (changed(a={"x": 7, "y": 2}), "/a/x"),
        (changed(a={"y": 2}), "/a/x"),
        (changed(a=3), "/a/x"),
        ({"row": BASE["row"], "limits": BASE["limits"]}, "/a/x"),
    ],
)
def test_what_the_draft_has_otherwise_too_is_named(draft: Any, place: str) -> None:
    with pytest.raises(BadTableRequest) as refusal:
        carried_over(BASE, changed(a={"x": 5, "y": 2}), draft)
    assert [flaw.pointer for flaw in refusal.value.flaws] == [place]


@pytest.mark.parametrize("limits", [BASE["limits"][::-1], BASE["limits"][:1], [{}, *BASE["limits"]]])
def test_rows_without_a_name_are_only_changed_where_they_stood(limits: Any) -> None:
    edited = deepcopy(BASE)
    edited["limits"][0]["bands"][0]["below"] = 2
    with pytest.raises(BadTableRequest):
        carried_over(BASE, edited, changed(limits=limits))
