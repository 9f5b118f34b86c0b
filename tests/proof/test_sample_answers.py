"""What a rule table answers to invented cases teaches a dictionary that makes any answer of it small."""

import hashlib

import msgspec

from coldcase.classifying import answer_case, encode_answer, read_case
from coldcase.core.compiled_table import compile_table
from coldcase.proof.packing import Packer, train
from coldcase.sample_answers import sample_answers
from coldcase.shipped import demo_cases, starter_table

TABLE = starter_table()


def test_the_starter_table_s_own_answers_make_its_answers_small():
    compiled = compile_table(TABLE, version=1, digest="sha256:" + "ab" * 32)
    samples = sample_answers(compiled)
    assert sample_answers(compiled) == samples
    dictionary = train(samples)
    assert dictionary is not None
    packer, quickly, thoroughly = Packer(dictionary), 0, 0
    for name, demo in demo_cases().items():
        answer = encode_answer(answer_case(read_case(msgspec.json.encode(demo.case), compiled), compiled))
        packed = packer.pack(answer)
        assert len(packed) < len(answer) / 8, name
        assert packer.unpack(packed, hashlib.sha256(answer).digest()) == answer
        quickly += len(packed)
        thoroughly += len(packer.pack(answer, thoroughly=True))
    assert thoroughly < 0.9 * quickly


def test_a_table_that_can_read_none_of_the_libraries_still_teaches_a_dictionary(monkeypatch):
    monkeypatch.setattr("coldcase.sample_answers.LIBRARIES", {})
    compiled = compile_table(TABLE, version=1, digest="sha256:" + "ab" * 32)
    assert train(sample_answers(compiled)) is not None
