"""Form fields to the JSON of a case, and back: pure, and the same case either way.

A form is what a browser sends: for each name the texts that were sent under it. A field of the case has the
name of its pointer with full stops (`unit.motor`, `readings.suction_pressure` and its `.unit`). An
observation is `o.CODE`: the outcome, with further ones under `o.CODE.or` where it could not be told which; of
a finding whose outcomes are signs of their own `o.CODE.seen`, `o.CODE.not`, and `o.CODE.rest` where all
others were looked for in vain. `o.CODE.known`, `.since` and `.disputed` say more. `e.0.uri` is the first
exhibit's. What is empty was not looked at and is not sent. Texts that are no numbers go on as they are, so
that the reader of cases says what is wrong with them.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import msgspec

from coldcase.web.pages.case_fields import FormField, form_fields

Form = Mapping[str, Sequence[str]]
SignsOf = Callable[[str], Sequence[str] | None]
"""The signs that a finding can have on this machine; None where its outcomes exclude each other."""

EXHIBIT = ("uri", "caption", "finding", "sha256")
MOST_EXHIBITS = 50
DETAILS = ("or", "seen", "not", "rest", "known", "since", "disputed")

_NUMBER = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,15})?")
_RANGE = re.compile(r"(\S+?)\s*(?:\bto\b|\u2013)\s*(\S+)")
_MINUTES = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d")
_SECONDS = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?")


def case_from_form(form: Form, signs_of: SignsOf) -> dict[str, Any]:
    """The JSON value of the case that a form says."""
    case: dict[str, Any] = {}
    for made in form_fields().values():
        value = _field_value(form, made)
        if value is not None:
            _put(case, made.path, value)
    observations = {
        code: value
        for code in observed_codes(form)
        if (value := _observation(form, code, signs_of(code))) is not None
    }
    if observations:
        case["observations"] = observations
    if exhibits := list(_exhibits(form)):
        case["evidence"] = exhibits
    if superseded := first(form, "supersedes"):
        case["supersedes"] = superseded
    return case


def first(form: Form, name: str) -> str:
    """The first text under a name without blanks around it; empty where there is none."""
    return next((text.strip() for text in form.get(name, ()) if text.strip()), "")


def observed_codes(form: Form) -> list[str]:
    """The findings that a form says anything of, in its order."""
    names = (name.split(".") for name in form if name.startswith("o."))
    return list(dict.fromkeys(parts[1] for parts in names if len(parts) == 2 or parts[2] in DETAILS))


def _put(case: dict[str, Any], path: Sequence[str], value: Any) -> None:
    for name in path[:-1]:
        case = case.setdefault(name, {})
    case[path[-1]] = value


def _field_value(form: Form, made: FormField) -> Any:
    text = first(form, made.name)
    if not text:
        return None
    if made.kind == "flag":
        return {"true": True, "false": False}.get(text, text)
    if made.kind == "figure":
        return _figure(text, made)
    if made.kind == "quantity":
        return _quantity(text, first(form, made.unit_name) or made.units[0][0])
    if made.kind == "time":
        return _time(text)
    return text.replace("\r\n", "\n")


def _figure(text: str, made: FormField) -> Any:
    ends = _RANGE.fullmatch(text) if made.ranged else None
    if ends:
        return {"from": _number(ends[1]), "to": _number(ends[2]), "unit": made.ranged}
    parts = text.replace(";", " ").replace("/", " ").split() if made.list_ != "no" else [text]
    if len(parts) > 1 or made.list_ == "must":
        return [_number(part) for part in parts]
    return _number(text)


def _quantity(text: str, unit: str) -> dict[str, Any]:
    ends = _RANGE.fullmatch(text)
    if ends:
        return {"from": _number(ends[1]), "to": _number(ends[2]), "unit": unit}
    return {"value": _number(text), "unit": unit}


def _number(text: str) -> int | float | str:
    if not _NUMBER.fullmatch(text):
        return text
    return float(text) if "." in text else int(text)


def _time(text: str) -> str:
    """What a browser sends for a time has no zone: the page says that it is UTC."""
    if _MINUTES.fullmatch(text):
        return f"{text}:00Z"
    return f"{text}Z" if _SECONDS.fullmatch(text) else text


def _observation(form: Form, code: str, signs: Sequence[str] | None) -> Any:
    name = f"o.{code}"
    if signs is None:
        said = _words(form, name, f"{name}.or")
        value: dict[str, Any] = {"outcome": said[0] if len(said) == 1 else said} if said else {}
    else:
        # A finding that has become one of signs since the form was made is sent as one outcome.
        seen, not_seen = _words(form, name, f"{name}.seen"), _words(form, f"{name}.not")
        if first(form, f"{name}.rest"):
            not_seen += [sign for sign in signs if sign not in {*seen, *not_seen}]
        value = {key: words for key, words in (("seen", seen), ("not_seen", not_seen)) if words}
    if not value:
        return None
    for key in ("known", "since"):
        if text := first(form, f"{name}.{key}"):
            value[key] = text
    if (disputed := _json(first(form, f"{name}.disputed"))) is not None:
        value["disputed_by"] = disputed
    return value["outcome"] if set(value) == {"outcome"} else value


def _words(form: Form, *names: str) -> list[str]:
    return list(dict.fromkeys(text.strip() for name in names for text in form.get(name, ()) if text.strip()))


def _json(text: str) -> Any:
    try:
        return msgspec.json.decode(text) if text else None
    except msgspec.DecodeError:
        return None


def _exhibits(form: Form) -> Iterator[dict[str, str]]:
    for row in range(MOST_EXHIBITS + 1):
        exhibit = {member: text for member in EXHIBIT if (text := first(form, f"e.{row}.{member}"))}
        if set(exhibit) - {"finding"}:
            yield exhibit


def form_from_case(case: Mapping[str, Any], signs_of: SignsOf) -> dict[str, list[str]]:
    """The form that says a case, as far as it has the shape of one."""
    form: dict[str, list[str]] = {}
    for made in form_fields().values():
        value = _at(case, made.path)
        if value is not None:
            form[made.name] = [_text(value, made)]
            if made.kind == "quantity" and isinstance(value, Mapping):
                form[made.unit_name] = [str(value.get("unit", ""))]
    for code, value in dict(case.get("observations") or {}).items():
        form |= _said(f"o.{code}", value, several=signs_of(code) is not None)
    for row, exhibit in enumerate(case.get("evidence") or ()):
        form |= {f"e.{row}.{member}": [str(exhibit[member])] for member in EXHIBIT if exhibit.get(member)}
    if case.get("supersedes"):
        form["supersedes"] = [str(case["supersedes"])]
    return form


def _at(case: Any, path: Sequence[str]) -> Any:
    for name in path:
        case = case.get(name) if isinstance(case, Mapping) else None
    return case


def _text(value: Any, made: FormField) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        if value.get("value") is not None:
            return _plain(value["value"])
        return f"{_plain(value.get('from'))} to {_plain(value.get('to'))}"
    if isinstance(value, list):
        return " ".join(_plain(each) for each in value)
    return _without_zone(str(value)) if made.kind == "time" else _plain(value)


def _plain(value: Any) -> str:
    """A number as it is typed; no exponent, which a form does not know."""
    if isinstance(value, float):
        return f"{value:.15f}".rstrip("0").rstrip(".") if abs(value) < 1e15 else repr(value)
    return str(value)


def _without_zone(text: str) -> str:
    """A time in UTC as a browser shows one; what is none stays as it is."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return text
    return text if at.tzinfo is None else at.astimezone(UTC).replace(tzinfo=None).isoformat()


def _said(name: str, value: Any, *, several: bool) -> dict[str, list[str]]:
    detail = value if isinstance(value, Mapping) else {"outcome": value}
    outcomes, seen, absent = (_listed(detail.get(key)) for key in ("outcome", "seen", "not_seen"))
    if several:
        form = {f"{name}.seen": outcomes + seen, f"{name}.not": absent}
    else:
        form = {name: outcomes[:1], f"{name}.or": outcomes[1:]}
    form |= {f"{name}.{key}": _listed(detail.get(key)) for key in ("known", "since")}
    if detail.get("disputed_by") is not None:
        form[f"{name}.disputed"] = [msgspec.json.encode(detail["disputed_by"]).decode()]
    return {key: words for key, words in form.items() if words}


def _listed(value: Any) -> list[str]:
    return [] if value is None else [str(each) for each in value] if isinstance(value, list) else [str(value)]


def field_of(pointer: str) -> str:
    """The name of the field that a flaw belongs beside; empty where it is the whole form's."""
    parts = pointer.split("/")[1:]
    if not parts:
        return ""
    if parts[0] == "observations" and len(parts) > 1:
        return f"o.{parts[1]}"
    if parts[0] == "evidence" and len(parts) > 1:
        return f"e.{parts[1]}.{parts[2] if len(parts) > 2 and parts[2] in EXHIBIT else 'uri'}"
    if parts[0] == "supersedes":
        return "supersedes"
    for end in range(len(parts), 1, -1):
        if (name := ".".join(parts[:end])) in form_fields():
            return name
    return ""
