"""What is packed comes back to the byte, or not at all."""

import hashlib
from contextlib import suppress
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.proof import packing
from coldcase.proof.packing import Packer, Unpackable, dictionary_id, train
from tests.core.tables import modest


def samples(words: str) -> list[bytes]:
    return [
        b'{"id":%d,"sentence":"' % n
        + (f"{words} {n % 7} shows it in {n % 11} of 100. " * 20).encode()
        + b'"}'
        for n in range(packing.FEWEST_SAMPLES * 4)
    ]


@cache
def dictionary(words: str) -> bytes:
    made = train(samples(words))
    assert made is not None
    return made


def digest(answer: bytes) -> bytes:
    return hashlib.sha256(answer).digest()


@modest
@given(st.binary(max_size=5000) | st.sampled_from(samples("Copper plating")), st.booleans(), st.booleans())
def test_any_bytes_come_back_with_a_dictionary_and_without(answer, with_dictionary, thoroughly):
    packer = Packer(dictionary("Copper plating") if with_dictionary else None)
    assert packer.unpack(packer.pack(answer, thoroughly=thoroughly), digest(answer)) == answer


def test_with_its_dictionary_an_answer_is_smaller_than_without():
    answer = b'{"id":77777,"sentence":"' + b"Copper plating 3 shows it in 5 of 100. " * 3 + b'"}'
    assert len(Packer(dictionary("Copper plating")).pack(answer)) < len(Packer(None).pack(answer)) * 0.8


@pytest.mark.parametrize("thoroughly", [False, True])
@pytest.mark.parametrize("other", ["Oil colour", None])
def test_a_wrong_dictionary_is_told(other, thoroughly):
    answer = samples("Copper plating")[3]
    packed = Packer(dictionary("Copper plating")).pack(answer, thoroughly=thoroughly)
    with pytest.raises(Unpackable, match="cannot be unpacked"):
        Packer(None if other is None else dictionary(other)).unpack(packed, digest(answer))


def test_a_changed_dictionary_of_the_same_number_is_told():
    """Its number is the same, so that zstd takes it."""
    right = dictionary("Copper plating")
    answer = samples("Copper plating")[3]
    packed = Packer(right).pack(answer)
    changed = right.replace(b"shows it in", b"SHOWS IT IN")
    assert changed != right
    with pytest.raises(Unpackable):
        Packer(changed).unpack(packed, digest(answer))


@modest
@given(st.data())
def test_no_damage_yields_another_answer(data):
    packer = Packer(dictionary("Copper plating"))
    answer = samples("Copper plating")[5]
    packed = bytearray(packer.pack(answer))
    place = data.draw(st.integers(0, len(packed) - 1))
    packed[place] ^= data.draw(st.integers(1, 255))
    with suppress(Unpackable):
        assert packer.unpack(bytes(packed), digest(answer)) == answer


def test_training_always_comes_to_the_same_dictionary():
    assert train(samples("Copper plating")) == train(samples("Copper plating"))
    assert dictionary_id(dictionary("Copper plating")) != dictionary_id(dictionary("Oil colour"))


def test_too_few_answers_teach_no_dictionary():
    assert train(samples("Copper plating")[: packing.FEWEST_SAMPLES - 1]) is None
    assert train([b""] * packing.FEWEST_SAMPLES) is None
