"""A generator of bodies that must all be refused: well over a thousand, the same ones every time.

Each is `(what, body, headers)`; the kinds follow what clients get wrong: words, shapes, JSON itself,
encodings, sizes, media types.
"""

import copy
import json
import random
from collections.abc import Iterator
from typing import Any

Body = tuple[str, bytes, dict[str, str]]

JSON = {"Content-Type": "application/json"}
GOOD: dict[str, Any] = {
    "job": {"ref": "TH-1184", "closed_at": "2026-03-02T16:40:00Z", "circuit": "creamery/rack-B"},
    "unit": {
        "compressor_type": "scroll",
        "motor": "three_phase",
        "refrigerant": "R-448A",
        "viscosity_grade": 32,
        "oil_charge": {"value": 1.9, "unit": "L"},
        "installed_at": "2021-05-04",
    },
    "opening": {"method": "rolling_cutter", "cleaned_before": False},
    "observations": {"copper_plating": "heavy", "oil_colour": ["brown", "black"]},
    "readings": {
        "suction_pressure": {"value": 41, "unit": "psig"},
        "line_voltages_v": [401, 396, 399],
        "insulation": {"resistance_megohm": 12},
    },
    "oil_results": {"water_mg_kg": 310, "acid_number_mg_koh_g": "<0.05"},
    "evidence": [{"uri": "https://files.example/plating.jpg", "finding": "copper_plating"}],
}
WRONG: tuple[Any, ...] = (
    True,
    7,
    10**16 + 1,
    -1.5,
    1e300,
    "",
    "purple",
    "\u0000",
    [],
    [[]],
    {},
    {"": None},
    ["heavy", "heavy"],
    "x" * 3000,
)


def bodies() -> Iterator[Body]:
    """All of them."""
    for what, text in _texts():
        yield what, text, JSON
    for what, value in _values():
        yield what, json.dumps(value).encode(), JSON
    good = json.dumps(GOOD).encode()
    for kind in (
        "text/plain",
        "application/xml",
        "application/x-www-form-urlencoded",
        "application/json; charset=utf-16",
        "json",
        "",
    ):
        yield f"media type {kind!r}", good, {"Content-Type": kind}
    for coding in ("gzip", "br", "deflate", "identity, gzip"):
        yield f"content coding {coding}", good, {**JSON, "Content-Encoding": coding}


def _values() -> Iterator[tuple[str, Any]]:
    """JSON values that are no case."""
    for value in (None, True, 0, "case", [], [GOOD], {}, {"unit": None}, {"unit": {}}):
        yield f"not a case: {value!r:.40}", value
    for place in _places(GOOD):
        for wrong in WRONG:
            changed = copy.deepcopy(GOOD)
            if _put(changed, place, wrong):
                yield f"{'/'.join(map(str, place))} = {wrong!r:.40}", changed
        extra = copy.deepcopy(GOOD)
        if _add(extra, place):
            yield f"unknown member beside {'/'.join(map(str, place))}", extra
    for code in (
        "coper_plating",
        "Copper_Plating",
        "copper plating",
        "moisture",
        "\U0001d520opper",
        "a" * 65,
        "__proto__",
        "../x",
    ):
        yield f"finding {code!r:.40}", _observed(code, "heavy")
    for outcome in (
        "havy",
        "HEAVY",
        "heavy ",
        "none,light",
        [],
        ["heavy", "heavy"],
        ["heavy", "havy"],
        ["heavy"] * 21,
        [["heavy"]],
        {"is": "heavy"},
    ):
        yield f"outcome {outcome!r:.40}", _observed("copper_plating", outcome)
    yield "a vane in a scroll", _observed("vane", "worn")
    yield "201 observations", {**GOOD, "observations": {f"finding_{number}": "none" for number in range(201)}}
    yield "51 exhibits", {**GOOD, "evidence": GOOD["evidence"] * 51}


def _observed(code: str, outcome: Any) -> dict[str, Any]:
    return {**GOOD, "observations": {code: outcome}}


def _texts() -> Iterator[tuple[str, bytes]]:
    """Byte strings that are no JSON as RFC 8259 has it, or too much of it."""
    good = json.dumps(GOOD).encode()
    yield "nothing", b""
    yield "a blank", b" \n"
    yield "over 64 KiB", good[:-1] + b" " * 65536 + b"}"
    yield "over 64 KiB in one text", json.dumps({**GOOD, "job": {"ref": "x" * 70000}}).encode()
    yield "a byte order mark", b"\xef\xbb\xbf" + good
    yield "two values", good + good
    yield "NDJSON", good + b"\n" + good
    yield "UTF-16", json.dumps(GOOD).encode("utf-16")
    for number in (
        b"NaN",
        b"Infinity",
        b"-Infinity",
        b"1e999",
        b"-1e999",
        b"01",
        b".5",
        b"1.",
        b"+1",
        b"0x1F",
        b"1_000",
    ):
        yield f"number {number.decode()}", good.replace(b'"value": 41', b'"value": ' + number)
    for depth in (33, 100, 2000, 30000):
        yield f"arrays {depth} deep", good.replace(b'"heavy"', b"[" * depth + b"]" * depth)
        yield (
            f"objects {depth} deep",
            b'{"unit":' * depth + b"0" + b"}" * depth if depth < 7000 else b"[" * depth,
        )
    for surrogate in (b"\\ud800", b"\\udfff", b"\\ud800\\ud800", b"\\udc00\\ud800"):
        yield f"surrogate {surrogate.decode()}", good.replace(b"TH-1184", surrogate)
        yield f"surrogate {surrogate.decode()} in a name", good.replace(b'"ref"', b'"' + surrogate + b'"')
    for bad in (b"\xff", b"\xc0\xaf", b"\xed\xa0\x80", b"\xf5\x80\x80\x80", b"\x80", b"\xe2\x82"):
        yield f"bad UTF-8 {bad.hex()}", good.replace(b"TH-1184", bad)
        yield f"bad UTF-8 {bad.hex()} outside a text", good + bad
    for control in range(0x20):
        yield f"control {control:02x} in a text", good.replace(b"TH-1184", bytes([control]))
    for name in (b"unit", b"observations", b"copper_plating", b"motor", b"value"):
        yield (
            f"{name.decode()} twice",
            good.replace(b'"' + name + b'":', b'"' + name + b'": null, "' + name + b'":', 1),
        )
        yield (
            f"{name.decode()} twice, once escaped",
            good.replace(
                b'"' + name + b'":', b'"' + name + b'": null, "\\u%04x' % name[0] + name[1:] + b'":', 1
            ),
        )
    yield from _torn(good)


def _torn(good: bytes) -> Iterator[tuple[str, bytes]]:
    """Cut short, a byte lost, a byte too many."""
    for end in range(1, len(good), 2):
        yield f"cut after {end} bytes", good[:end]
    chance = random.Random(1184)  # the same ones every time
    for _ in range(150):
        place = chance.randrange(len(good))
        if good[place : place + 1] in b'{}[]":,':
            yield f"byte {place} lost", good[:place] + good[place + 1 :]
            yield f"byte {place} twice over", good[:place] + b"{" + good[place:]


Place = tuple[str | int, ...]


def _places(value: Any, here: Place = ()) -> Iterator[Place]:
    members = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for name, member in members:
        yield (*here, name)
        yield from _places(member, (*here, name))


def _holder(value: Any, place: Place) -> Any:
    for name in place[:-1]:
        value = value[name]
    return value


def _put(value: Any, place: Place, wrong: Any) -> bool:
    """Whether putting `wrong` there makes the case one that must be refused."""
    holder, name = _holder(value, place), place[-1]
    # Some wrong values are right somewhere; whoever extends WRONG extends this.
    if (
        (
            wrong == {}
            and place
            in [
                ("job",),
                ("opening",),
                ("observations",),
                ("readings",),
                ("oil_results",),
                ("readings", "insulation"),
            ]
        )
        or (wrong == [] and place == ("evidence",))
        or (wrong == "purple" and place in FREE_TEXT)
        or (wrong == 7 and place in NUMBERS)
        or (wrong == -1.5 and place == ("readings", "suction_pressure", "value"))
        or (wrong is True and isinstance(holder[name], bool))
    ):
        return False
    holder[name] = wrong
    return True


FREE_TEXT: list[Place] = [("job", "ref"), ("job", "circuit"), ("unit", "refrigerant"), ("evidence", 0, "uri")]
NUMBERS: list[Place] = [
    ("unit", "viscosity_grade"),
    ("unit", "oil_charge", "value"),
    ("readings", "suction_pressure", "value"),
    ("readings", "line_voltages_v"),
    *(("readings", "line_voltages_v", index) for index in range(3)),
    ("readings", "insulation", "resistance_megohm"),
    ("oil_results", "water_mg_kg"),
    ("oil_results", "acid_number_mg_koh_g"),
]


def _add(value: Any, place: Place) -> bool:
    holder = _holder(value, place)
    if not isinstance(holder, dict):
        return False
    holder["colour"] = "red"
    return True
