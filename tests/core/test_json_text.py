"""Strict JSON: what is not one plain UTF-8 value is refused with a reason."""

import contextlib
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core.strict_json import read_json
from coldcase.errors import Malformed
from tests.core.tables import modest

DEEP = 100_000

MALFORMED = {
    "nothing": b"",
    "only spaces": b"  \n",
    "not JSON": b"unit: scroll",
    "a cut text": b'{"unit": {"motor"',
    "text after the value": b'{"a": 1} {"a": 1}',
    "a comma too many": b'{"a": 1,}',
    "single quotes": b"{'a': 1}",
    "a comment": b'{"a": 1 /* one */}',
    "NaN": b'{"a": NaN}',
    "Infinity": b'{"a": -Infinity}',
    "a number too large": b'{"a": 1e999}',
    "a number with five thousand digits": b'{"a": ' + b"7" * 5000 + b"}",
    "a leading zero": b'{"a": 01}',
    "a byte order mark": b'\xef\xbb\xbf{"a": 1}',
    "UTF-16": '{"a": 1}'.encode("utf-16"),
    "UTF-32": '{"a": 1}'.encode("utf-32"),
    "bad UTF-8 in a value": b'{"a": "\xff\xfe"}',
    "bad UTF-8 in a name": b'{"\xc3\x28": 1}',
    "a surrogate in UTF-8": b'{"a": "\xed\xa0\x80"}',
    "half a surrogate pair, escaped": b'{"a": "\\ud800"}',
    "half a surrogate pair in a name": b'{"\\udfff": 1}',
    "an overlong slash": b'{"a": "\xc0\xaf"}',
    "a raw control character": b'{"a": "\x01"}',
    "33 lists within each other": b"[" * 33 + b"]" * 33,
    "33 objects within each other": b'{"a":' * 32 + b"{}" + b"}" * 32,
    "lists and objects within each other, beside much else": b'{"b": [1, {}], "a":' * 17
    + b"[" * 16
    + b"]" * 16
    + b"}" * 17,
    "nested lists without end": b"[" * DEEP + b"]" * DEEP,
    "nested objects without end": b'{"a":' * DEEP + b"1" + b"}" * DEEP,
    "open brackets": b"[" * DEEP,
    "a member twice": b'{"a": 1, "a": 2}',
    "a member twice with the same value": b'{"a":1,"a":1}',
    "a member twice, once escaped": b'{"a": 1, "\\u0061": 2}',
    "a member twice deep within": b'{"a": [{"b": {"c": 1, "d": 2, "c": 1}}]}',
    "a member twice beside a long number": b'{"a":1.50,"b":{"x":1,"x":1}}',
    "an empty name twice": b'{"": 1, "": 2}',
}


@pytest.mark.parametrize("body", MALFORMED.values(), ids=MALFORMED.keys())
def test_refused_with_a_reason(body: bytes) -> None:
    with pytest.raises(Malformed) as refusal:
        read_json(body)
    assert 10 < len(refusal.value.detail) < 300


def test_the_member_that_stands_twice_is_named() -> None:
    with pytest.raises(Malformed, match="'copper_plating' stands twice"):
        read_json(b'{"observations": {"copper_plating": "none", "copper_plating": "heavy"}}')


@pytest.mark.parametrize(
    ("body", "value"),
    [
        (
            b' {"a" : [1, 2.50, -0.0, 1e2, true, null, "\\u00e9\\/\\n"]}\n',
            {"a": [1, 2.5, -0.0, 100.0, True, None, "é/\n"]},
        ),
        ('{"é": "😀"}'.encode(), {"é": "😀"}),
        (b'"\\ud83d\\ude00"', "😀"),
        (b'{"a": {"x": 1}, "b": {"x": 1}}', {"a": {"x": 1}, "b": {"x": 1}}),
        (b"[[[[[[[[1]]]]]]]]", [[[[[[[[1]]]]]]]]),
        (b"[" * 32 + b"1, 2" + b"]" * 32, json.loads("[" * 32 + "1, 2" + "]" * 32)),
        (b"[" + b"[], " * 99 + b"{}]", [[]] * 99 + [{}]),
    ],
)
def test_plain_json_is_read_as_it_stands(body: bytes, value: Any) -> None:
    assert read_json(body) == value


text = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63)
    | st.floats(allow_nan=False, allow_infinity=False)
    | text,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(text, inner, max_size=4),
    max_leaves=15,
)


@modest
@given(value=values, plain=st.booleans(), indent=st.sampled_from([None, 0, 2]))
def test_whatever_another_library_writes_is_read_back(*, value: Any, plain: bool, indent: int | None) -> None:
    assert read_json(json.dumps(value, ensure_ascii=plain, indent=indent).encode()) == value


@modest
@given(st.binary(max_size=40))
def test_no_bytes_at_all_bring_another_error(body: bytes) -> None:
    try:
        expected = json.loads(body)
    except (ValueError, RecursionError):
        expected = None
    with contextlib.suppress(Malformed):
        assert read_json(body) == expected
