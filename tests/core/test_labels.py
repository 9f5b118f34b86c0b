"""A label holds what can be seen on one line, and nothing else."""

import sys
import unicodedata
from typing import Any

import msgspec
import pytest

from coldcase.core.case import Exhibit, Label, OilResults, Text
from coldcase.core.case_reader import parse_case
from coldcase.core.leniency import parse_case_leniently
from coldcase.errors import BadCase
from tests.core.tables import compiled_starter

JOINERS = "\u200c\u200d"
REFUSED = {"Cc", "Cf", "Zl", "Zp", "Cs", "Co"}


def is_taken(value: Any, kind: Any) -> bool:
    try:
        msgspec.convert(value, kind)
    except msgspec.ValidationError:
        return False
    return True


def test_of_all_characters_those_are_refused_that_cannot_be_seen() -> None:
    wrong = []
    for code in range(sys.maxunicode + 1):
        character = chr(code)
        category = unicodedata.category(character)
        no_character = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
        # What is not assigned yet may be anything one day; the planes of which most is not are refused whole.
        if category != "Cn" or no_character:
            refused = no_character or (category in REFUSED and character not in JOINERS)
            if is_taken(f"a{character}b", Label) == refused:
                wrong.append(f"{code:04x} {category}")
    assert wrong == []


@pytest.mark.parametrize("label", ["", " ", "\u3000\u00a0 ", "a\n", "\u202eevil", "a\u200bb", "x" * 201])
def test_labels_that_are_refused(label: str) -> None:
    assert not is_taken(label, Label)


@pytest.mark.parametrize(
    "label",
    ["TH-1184", "क्\u200dष", "می\u200cخواهم", "кухня 3", "Käserei / Nord", "冷蔵庫", "👩\u200d🔧"],  # noqa: RUF001
)
def test_labels_of_any_script_are_taken(label: str) -> None:
    assert is_taken(label, Label)


def test_a_long_label_of_blanks_is_refused_at_once() -> None:
    assert not is_taken(" " * 60_000, Label)


@pytest.mark.parametrize("character", "\x85\u2028\u2029\x0b\x0c\x1c\x1d\x1e")
def test_no_text_ends_a_line_of_an_export_for_any_reader(character: str) -> None:
    for kind, value in (
        (Text, f"a{character}b"),
        (Exhibit, {"uri": f"a{character}b"}),
        (OilResults, {"particle_count_iso4406": f"1{character}"}),
    ):
        assert not is_taken(value, kind)


def test_strictly_a_label_is_refused_and_leniently_left_out() -> None:
    raw = {
        "unit": {"compressor_type": "scroll", "motor": "three_phase", "ref": "B\u202e2"},
        "job": {"ref": "TH\u200b1", "circuit": "   "},
    }
    places = {"/unit/ref", "/job/ref", "/job/circuit"}
    with pytest.raises(BadCase) as refusal:
        parse_case(raw, compiled_starter())
    assert {flaw.pointer for flaw in refusal.value.flaws} == places
    assert all("characters that can be seen" in flaw.detail for flaw in refusal.value.flaws)
    parsed = parse_case_leniently(raw, compiled_starter())
    assert {one.pointer for one in parsed.left_out} == places
    assert parsed.case.job.ref is None
