"""What is wrong with a body, or with a line of it: each told clearly, and the rest goes on."""

import gzip
import json
import zlib

import pytest
import zstandard

from coldcase.importing.lines import LONGEST_LINE
from tests.importing.conftest import case, spelled

GZIP, ZSTD = {"Content_Encoding": "gzip"}, {"Content_Encoding": "zstd"}


def problem(told) -> tuple[int, str]:
    return told.status_code, told.json()["type"].rpartition("/")[2]


def packed(body: bytes) -> bytes:
    return zstandard.ZstdCompressor().compress(body)


@pytest.mark.parametrize(("encode", "headers"), [(gzip.compress, GZIP), (packed, ZSTD)])
def test_a_body_may_be_compressed_also_in_several_parts(mine, encode, headers):
    whole = spelled([case(f"J-{number}") for number in range(300)])
    half = len(whole) // 2
    told = mine.send(encode(whole[:half]) + encode(whole[half:]), **headers)
    assert json.loads(told.text.splitlines()[-1])["summary"]["recorded"] == 300


@pytest.mark.parametrize(("encode", "headers"), [(gzip.compress, GZIP), (packed, ZSTD)])
def test_a_compressed_body_that_breaks_off_or_is_none_is_refused_whole(mine, encode, headers):
    body = encode(spelled([case(f"J-{number}") for number in range(300)]))
    for bad in (body[: len(body) // 2], body[:-1], b"no such thing", body + b"rest"):
        assert problem(mine.send(bad, **headers)) == (400, "bad_encoding")
    assert mine.http.get("/v1/decisions").json()["items"] == []


def test_a_bomb_is_refused_by_what_it_unpacks_to(mine):
    """Four megabytes are the cap of these tests; a thousand would come of the first, sixty thousand of the
    second."""
    bomb = zlib.compressobj(9, wbits=31)
    parts = [bomb.compress(bytes(1024 * 1024)) for _ in range(1000)]
    assert problem(mine.send(b"".join([*parts, bomb.flush()]), **GZIP)) == (413, "too_large")
    block = (2**17 << 3 | 1 << 1).to_bytes(3, "little") + b"\0"
    frame = b"\x28\xb5\x2f\xfd\x00\x58" + block * 500_000
    assert problem(mine.send(frame, **ZSTD)) == (413, "too_large")


def test_a_body_over_the_cap_is_refused_and_the_room_given_back(mine):
    for _ in range(3):
        assert problem(mine.send(b"\n" * (4 * 1024 * 1024 + 1))) == (413, "too_large")
    assert mine.post([case("A")])[1]["recorded"] == 1
    figures = mine.http.get("/metrics").text
    assert "coldcase_spooled_bytes 0.0" in figures
    assert "coldcase_imports_running 0.0" in figures


def test_other_codings_and_kinds_are_named(mine):
    assert problem(mine.send(b"", Content_Encoding="br")) == (415, "unsupported_media_type")
    assert problem(mine.send(b"", Content_Type="application/json")) == (415, "unsupported_media_type")
    told = mine.send(b"", Content_Encoding="br").json()["detail"]
    assert "application/x-ndjson" in told
    assert "zstd" in told


def test_a_bad_line_stops_no_other(mine):
    exactly = json.dumps(case("just right")).encode()
    lines = [
        case("A"),
        b'{"unit": {"compressor_type": "scr',
        b"[1, 2]",
        b'"text"',
        b"\xff\xfe{}",
        b'{"job": {"ref": "caf\xe9"}}',
        b'{"a": 1, "a": 2}',
        b"[" * 40 + b"]" * 40,
        b'{"pad": "' + b"x" * (LONGEST_LINE - 11) + b'"}',
        exactly + b" " * (LONGEST_LINE - len(exactly)),
        exactly + b" " * (LONGEST_LINE - len(exactly) + 1),
        b"x" * 300_000,
        case("B"),
        b"{}",
    ]
    answers, summary = mine.post(lines)
    kinds = {one["line"]: one["problem"]["type"].rpartition("/")[2] for one in answers if "problem" in one}
    malformed = dict.fromkeys((2, 3, 4, 5, 6, 7, 8), "malformed")
    assert kinds == malformed | {9: "bad_case", 11: "too_large", 12: "too_large", 14: "bad_case"}
    assert [one["job_ref"] for one in answers if "id" in one] == ["A", "just right", "B"]
    assert (summary["lines"], summary["recorded"]) == (14, 3)
    assert "UTF-8" in answers[5]["problem"]["detail"]


def test_a_last_line_without_an_end_counts_and_a_cut_one_is_told(mine):
    body = spelled([case("A"), case("B")])
    for sent, refused in ((body[:-1], 0), (body[:-9], 1)):
        told = [json.loads(line) for line in mine.send(sent, key=str(refused)).text.splitlines()]
        assert told[-1]["summary"]["refused"] == refused


def test_windows_line_ends_a_byte_order_mark_and_blank_lines_are_no_flaws(mine):
    body = b"\xef\xbb\xbf" + spelled([case("A"), "", "  ", case("B")]).replace(b"\n", b"\r\n")
    told = [json.loads(line) for line in mine.send(body).text.splitlines()]
    assert [one.get("line") for one in told] == [1, 4, None]
    assert told[-1]["summary"]["recorded"] == 2


def test_what_the_record_cannot_hold_is_refused_alone(mine):
    lines = [case("A"), {"case": case("B"), "own_code": "W\0"}, case("C")]
    answers, summary = mine.post(lines)
    assert "problem" in answers[1]
    assert summary["recorded"] == 2
