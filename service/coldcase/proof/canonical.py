"""The one spelling of a JSON value (RFC 8785), which is what is hashed, stored and compared."""

import hashlib
from typing import Any

import msgspec
import rfc8785

_plain = msgspec.json.Encoder(order="deterministic")


class _UnusualError(Exception):
    pass


def canonical_json(value: Any) -> bytes:
    """RFC 8785 bytes of a JSON value.

    Ordinary values (ASCII names, numbers that need no exponent) take a path that is thirty times quicker and
    spells them the same; a property test holds the two together. Raises `rfc8785.CanonicalizationError` for
    what has no such spelling (an integer beyond 2^53).
    """
    try:
        return _plain.encode(_ordinary(value))
    except _UnusualError:
        return rfc8785.dumps(value)


def _ordinary(value: Any) -> Any:
    kind = type(value)
    if kind is str or kind is bool or value is None:
        return value
    if kind is dict:
        if not "".join(value).isascii():
            raise _UnusualError
        # Most members are texts, which are not worth a call each.
        return {name: member if type(member) is str else _ordinary(member) for name, member in value.items()}
    if kind is list:
        return [_ordinary(member) for member in value]
    if kind is int and -(2**53) < value < 2**53:
        return value
    if kind is float:
        return _ordinary_float(value)
    raise _UnusualError


def _ordinary_float(value: float) -> float | int:
    if value.is_integer() and abs(value) < 2**53:
        return int(value)
    if 1e-4 <= abs(value) < 1e15:
        return value
    raise _UnusualError


def fingerprint(value: Any) -> bytes:
    """SHA-256 of a JSON value's canonical text.

    A value with an integer that RFC 8785 cannot spell has one too, of its own: leniently such a member is
    left out of a case, and the case still has to be known again.
    """
    try:
        return fingerprint_of(canonical_json(value))
    except rfc8785.IntegerDomainError:
        # No canonical text begins with a line feed, so that the two kinds never meet.
        return hashlib.sha256(b"\n" + rfc8785.dumps(_marked(value))).digest()


def fingerprint_of(canonical: bytes) -> bytes:
    """The same of a canonical text."""
    return hashlib.sha256(canonical).digest()


def _marked(value: Any) -> Any:
    """The value with its integers as text, and its texts told apart from them."""
    match value:
        case dict():
            return {name: _marked(member) for name, member in value.items()}
        case list():
            return [_marked(member) for member in value]
        case str():
            return f"={value}"
        case int() if not isinstance(value, bool) and abs(value) >= 2**53:
            return f"#{value}"
        case _:
            return value
