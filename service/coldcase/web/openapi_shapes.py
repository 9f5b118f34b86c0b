"""The components of the OpenAPI document, made from the types that decode and encode bodies.

msgspec's schemas are right in what they allow. Three things are put in for those who read them, and for
generators of clients: what each member means, from `members/*.toml`; a name for each enum, its values in
the order of the vocabulary; and which members are always there. No member of a request has a `default`, for
generators turn that into one that must be sent.
"""

import inspect
import sys
import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args, get_origin, get_type_hints

import msgspec

from coldcase.auditing.replaying import SINCE
from coldcase.backtesting.comparing import BacktestResult
from coldcase.core.answer import Answer
from coldcase.proposing.summary import ProposalSummary
from coldcase.web.problems import PROBLEM_KINDS, Problem, type_uri

REF = "#/components/schemas/{name}"
Schema = dict[str, Any]
_TRUTHS = {"true", "false"}


class Shapes:
    """The components for some bodies, and schemas for whatever refers to them."""

    def __init__(self, sent: Iterable[Any], answered: Iterable[Any]) -> None:
        """`sent` are types of requests, `answered` those of answers; others than structs are passed over."""
        self._enums: dict[frozenset[Any], tuple[str, tuple[Any, ...]]] = {}
        self._enum_shapes: dict[str, Schema] = {}
        requests, answers = _structs_among(sent), _structs_among(answered)
        kinds = list(dict.fromkeys([*requests, *answers]))
        references, found = msgspec.json.schema_components(kinds, ref_template=REF)
        self._references = dict(zip(kinds, references, strict=True))
        types = {kind.__name__: kind for kind in structs_within(kinds)}
        optional = {kind.__name__ for kind in structs_within(requests)}
        self.components = {
            name: self._component(types[name], schema, sent=name in optional)
            for name, schema in found.items()
        }
        if Problem in kinds:
            self._name_problem_types()

    def of(self, kind: Any) -> Schema | None:
        """The reference to a type's component, None for a type that has none."""
        return self._references.get(kind)

    def sorted(self) -> dict[str, Schema]:
        """All components, by name."""
        return dict(sorted((self.components | self._enum_shapes).items()))

    def query(self, kind: type[msgspec.Struct]) -> dict[str, Schema]:
        """The members of a query, by name, each with its `description` outside of its schema."""
        _, found = msgspec.json.schema_components([kind], ref_template=REF)
        names = self._names(kind)
        told = {}
        for field in msgspec.structs.fields(kind):
            schema = _one_value(tidy(found[kind.__name__]["properties"][field.encode_name]))
            inner = schema.pop("description", None)
            text = member_text(kind, field.encode_name, shared="query") or inner
            if set(schema.get("enum", ())) == _TRUTHS:
                schema = {"type": "boolean"} | (
                    {"default": schema["default"] == "true"} if "default" in schema else {}
                )
            told[field.encode_name] = {"description": text, "schema": self._named(schema, names[field.name])}
        return told

    def _name_problem_types(self) -> None:
        members = self.components["Problem"]["properties"]
        members["type"] = {
            "description": members["type"]["description"],
            "$ref": REF.format(name="ProblemType"),
        }
        self._enum_shapes["ProblemType"] = {
            **_enum([type_uri(code) for code in PROBLEM_KINDS]),
            # Generators would else number them, anew with every kind that is added.
            "x-enum-varnames": [code.upper() for code in PROBLEM_KINDS],
        }

    def titled(self, schema: Schema) -> Schema:
        """A schema that was written by hand; of an enum, whose title names it, a reference."""
        if "enum" not in schema:
            return schema
        self._enum_shapes[schema["title"]] = _enum(schema["enum"])
        return {"$ref": REF.format(name=schema["title"])}

    def _component(self, kind: type[msgspec.Struct], schema: Schema, *, sent: bool) -> Schema:
        told = tidy(schema)
        names = self._names(kind)
        for field in msgspec.structs.fields(kind):
            member = _without_default(told["properties"][field.encode_name])
            text = member_text(kind, field.encode_name)
            member = self._named(member, names[field.name])
            # What stands in `members` is said for readers of the document; it goes before a type's own note.
            said = {"description": text} if text else {}
            told["properties"][field.encode_name] = said | member | said
        told["required"] = [
            field.encode_name
            for field in msgspec.structs.fields(kind)
            if (field.required if sent else _always_there(kind, field))
        ]
        return {name: part for name, part in told.items() if (name, part) != ("required", [])}

    def _names(self, kind: type[msgspec.Struct]) -> dict[str, dict[frozenset[Any], str]]:
        """For each field the names of the enums that its schema has, by their values."""
        hints = get_type_hints(kind)
        return {
            field.name: {
                frozenset(values): self._enum_name(kind, field, values)
                for values in _literals(hints[field.name])
            }
            for field in msgspec.structs.fields(kind)
        }

    def _enum_name(
        self, kind: type[msgspec.Struct], field: msgspec.structs.FieldInfo, values: tuple[Any, ...]
    ) -> str:
        known = self._enums.get(frozenset(values))
        if known is None:
            declared = next(part for part in reversed(kind.__mro__) if field.name in get_type_hints(part))
            own = f"{declared.__name__}{field.encode_name.title().replace('_', '')}"
            known = self._enums[frozenset(values)] = _alias(declared, values) or own, values
        name, order = known
        if order != values:
            raise TypeError(f"{kind.__name__}.{field.name} has the values of {name} in another order.")
        return name

    def _named(self, schema: Any, names: dict[frozenset[Any], str]) -> Any:
        """A schema with references in place of its enums."""
        if isinstance(schema, list):
            return [self._named(part, names) for part in schema]
        if not isinstance(schema, dict):
            return schema
        if "enum" not in schema or all(isinstance(value, int) for value in schema["enum"]):
            return {name: self._named(part, names) for name, part in schema.items()}
        values = frozenset(schema["enum"])
        self._enum_shapes.setdefault(names[values], _enum(self._enums[values][1]))
        rest = {name: part for name, part in schema.items() if name not in ("enum", "type")}
        return {**rest, "$ref": REF.format(name=names[values])}


def structs_within(kinds: Iterable[Any]) -> dict[type[msgspec.Struct], None]:
    """These structs and all that they are made of, in the order of their appearance."""
    found: dict[type[msgspec.Struct], None] = {}
    waiting = list(kinds)
    while waiting:
        kind = waiting.pop(0)
        if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
            if kind not in found:
                found[kind] = None
                waiting += get_type_hints(kind).values()
        else:
            waiting += [part for part in get_args(kind) if get_origin(kind) is not Literal]
    return found


def tidy(schema: Any) -> Any:
    """Docstrings without their indentation, and patterns without the guard that only Python's `$` needs."""
    if isinstance(schema, list):
        return [tidy(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    tidied = {name: tidy(part) for name, part in schema.items()}
    if isinstance(tidied.get("description"), str):
        tidied["description"] = inspect.cleandoc(tidied["description"])
    if isinstance(tidied.get("pattern"), str):
        tidied["pattern"] = tidied["pattern"].removesuffix(r"(?!\n)")
    return tidied


@cache
def texts() -> dict[str, dict[str, str]]:
    """What each member means: by the name of its struct, then its own. Under `query` and `path` stand those
    of parameters that mean the same wherever they are.
    """
    found: dict[str, dict[str, str]] = {}
    for file in sorted(files("coldcase.web").joinpath("members").iterdir(), key=lambda file: file.name):
        for kind, members in tomllib.loads(file.read_text()).items():
            if kind in found:
                raise ValueError(f"{file.name}: '{kind}' stands in two files.")
            found[kind] = members
    return found


def member_text(kind: type[msgspec.Struct], member: str, *, shared: str | None = None) -> str | None:
    """What a member means; said once, where it is declared first."""
    places = [place.__name__ for place in kind.__mro__] + ([shared] if shared else [])
    return next((texts()[place][member] for place in places if member in texts().get(place, ())), None)


def _structs_among(kinds: Iterable[Any]) -> list[type[msgspec.Struct]]:
    return list(
        dict.fromkeys(kind for kind in kinds if isinstance(kind, type) and issubclass(kind, msgspec.Struct))
    )


def _literals(hint: Any) -> Iterator[tuple[Any, ...]]:
    """The values of each `Literal` in a type, in their order; structs have their own."""
    if get_origin(hint) is Literal:
        yield tuple(value for value in get_args(hint) if value is not None)
    else:
        for part in get_args(hint):
            yield from _literals(part)


def _alias(kind: type[Any], values: tuple[Any, ...]) -> str | None:
    """How the code calls a `Literal` of these values where the struct is defined."""
    known = vars(sys.modules[kind.__module__])
    return next(
        (
            name
            for name, value in known.items()
            if not name.startswith("_") and get_origin(value) is Literal and get_args(value) == values
        ),
        None,
    )


def _enum(values: Iterable[Any]) -> Schema:
    return {"type": "string", "enum": list(values)}


def _without_default(schema: Schema) -> Schema:
    return {name: part for name, part in schema.items() if name != "default"}


def _always_there(kind: type[msgspec.Struct], field: msgspec.structs.FieldInfo) -> bool:
    """Whether a member of an answer is always there, be it the default. What is kept as text was written by
    earlier releases, too, and promises no more than it did then.
    """
    if kind is Answer:
        return field.name not in SINCE
    left_out = kind.__struct_config__.omit_defaults or field.default is msgspec.UNSET
    return field.required or not (left_out or kind in _kept_as_text())


@cache
def _kept_as_text() -> frozenset[type[msgspec.Struct]]:
    return frozenset(structs_within([Answer, BacktestResult, ProposalSummary]))


def _one_value(schema: Schema) -> Schema:
    """A query parameter is text or absent; `null` is how our types say absent."""
    arms = [arm for arm in schema.get("anyOf", [schema]) if arm.get("type") != "null"]
    rest = {name: value for name, value in schema.items() if name != "anyOf" and value is not None}
    found = {**rest, **arms[0]}
    if None in found.get("enum", ()):
        found["enum"] = [value for value in found["enum"] if value is not None]
    return found
