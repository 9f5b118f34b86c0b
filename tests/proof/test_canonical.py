"""The quick spelling of ordinary values is the one of RFC 8785."""

import hashlib
import json
from typing import Any

import msgspec
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.rule_table import canonical_table, table_digest
from coldcase.proof.canonical import canonical_json, fingerprint
from tests.core.tables import modest, starter

# Half surrogates have no UTF-8 and never get past the reading of a body.
text = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.decimals(-10_000, 10_000, places=3).map(float)
    | text
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(text, inner, max_size=4),
    max_leaves=20,
)


@modest
@given(values)
def test_every_value_is_spelled_as_the_rfc_8785_library_does(value: Any) -> None:
    assert canonical_json(value) == rfc8785.dumps(value)


@pytest.mark.parametrize(
    "value",
    [
        -0.0,
        0.0,
        1e-4,
        9.9e-5,
        1e-7,
        1e15,
        1e21,
        123456789012345.6,
        2**53 - 1,
        float(2**53),
        '\x00\x1f\x7f\u2028\\"/',
        "\u20ac",
        {"\u20ac": 1, "\r": 2, "\U0001f600": 3, "\ufb33": 4},
        {"b": 1, "a": [1.0, 1.5]},
    ],
)
def test_edges_of_the_quick_path_are_spelled_as_the_rfc_8785_library_does(value: Any) -> None:
    assert canonical_json(value) == rfc8785.dumps(value)


@pytest.mark.parametrize("value", [2**53, -(2**53), 10**30, float("nan"), float("inf"), {"a": [2**60]}])
def test_what_has_no_one_spelling_is_refused(value: Any) -> None:
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical_json(value)


@modest
@given(st.dictionaries(text, scalars, max_size=6), st.randoms(use_true_random=False))
def test_order_and_spacing_of_the_sender_do_not_show(value: dict[str, Any], shuffler: Any) -> None:
    members = list(value.items())
    shuffler.shuffle(members)
    assert canonical_json(json.loads(json.dumps(dict(members), indent=3))) == canonical_json(value)


def test_a_rule_table_keeps_its_digest_through_its_own_spelling() -> None:
    table = starter()
    again = msgspec.json.decode(canonical_table(table), type=type(table))
    assert table_digest(again) == table_digest(table)
    assert table_digest(msgspec.structs.replace(table, temperature=table.temperature + 0.1)) != table_digest(
        table
    )


@modest
@given(values)
def test_a_fingerprint_is_that_of_the_canonical_text(value: Any) -> None:
    assert fingerprint(value) == hashlib.sha256(rfc8785.dumps(value)).digest()


LONG = [
    2**53,
    -(2**53),
    2**53 + 1,
    10**30,
    "9007199254740992",
    "#9007199254740992",
    "=9007199254740992",
    [2**53],
    {"a": 2**53},
]


def test_values_that_have_no_canonical_text_are_told_apart_by_their_fingerprints() -> None:
    assert len({fingerprint(value) for value in LONG}) == len(LONG)
    assert len({fingerprint([2**60, value]) for value in LONG}) == len(LONG)
    assert fingerprint({"a": 2**60, "b": True}) == fingerprint({"b": True, "a": 2**60})
    assert fingerprint({"a": 2**60, "b": True}) != fingerprint({"b": 1, "a": 2**60})
