"""Strict JSON: UTF-8, one value, no member named twice, no NaN, no endless nesting."""

import json
from typing import Any

import msgspec

from coldcase.errors import Malformed

DEEPEST = 32
"""Arrays and objects within each other; nothing that is sent here needs a third of it."""
TOO_DEEP = f"Nested too deeply: {DEEPEST} arrays and objects within each other at most."


def read_json(body: bytes) -> Any:
    """The value of a JSON text. Raises `Malformed` and says what is wrong with it."""
    try:
        value = msgspec.json.decode(body)
        # Equal bytes prove that no member was lost, so that no name came twice; what was sent without blanks
        # is mostly equal as it is, and unequal bytes need the slow look.
        written = msgspec.json.encode(value)
        if written != body and written != msgspec.json.format(body, indent=-1):
            json.loads(body, object_pairs_hook=_no_name_twice)
    except msgspec.DecodeError as error:
        raise Malformed(f"Not JSON: {error}.") from error
    except (UnicodeDecodeError, UnicodeEncodeError) as error:
        raise Malformed("Not UTF-8, or a string holds half of a surrogate pair.") from error
    except RecursionError as error:
        raise Malformed(TOO_DEEP) from error
    # So few brackets cannot nest deeper; ordinary texts are not walked through.
    if body.count(b"[") + body.count(b"{") > DEEPEST and _is_deep(value):
        raise Malformed(TOO_DEEP)
    return value


def _is_deep(value: Any) -> bool:
    level = [value]
    for _ in range(DEEPEST):
        level = [holder for holder in level if isinstance(holder, dict | list)]
        level = [
            member for holder in level for member in (holder.values() if isinstance(holder, dict) else holder)
        ]
    return any(isinstance(member, dict | list) for member in level)


def _no_name_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Malformed(f"The member '{twice[:64]}' stands twice in one object.")
    return members
