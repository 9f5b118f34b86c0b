"""A JSON Schema (2020-12) of the case under one rule table: its findings and outcomes by name, so that a
client's types and forms know them.

What the service takes, the schema allows. What it cannot say: that the same sign is not both seen and not
seen; which values contradict each other or no gauge can have read (a range that falls, a temperature below
absolute zero, a failure after the job was closed); and how large a body may be.
"""

from collections.abc import Iterable, Iterator
from typing import Any, get_args

from coldcase.core.case import Case, CompressorType, Motor, WindingConnection
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.conditions import known_or_none, motor_under, passes_gate
from coldcase.core.quantities import range_unit
from coldcase.core.rule_table import Finding, Outcome, Retired
from coldcase.web.openapi_shapes import Schema, Shapes

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_NULL = {"type": "null"}
_MOST_OUTCOMES = 20
_RANGES = ("Readings", "Insulation")
"""Components whose members may be ranges of a plain number."""
_ONE_VALUE = {
    "Unit": ("oil_charge", "refrigerant_charge"),
    "Readings": ("barometric_pressure", "ambient_pressure"),
    "OilResults": ("viscosity_temperature",),
}
"""Quantities of which no range is taken."""


def case_schema(compiled: CompiledTable) -> Schema:
    """The schema; `$id` names the rule table by its digest."""
    known = _FindingSchemas(compiled)
    parts: dict[str, Schema] = _with_local_references(Shapes([Case], []).sorted())
    case = parts.pop("Case")
    _refine(parts)
    detail, generic = parts.pop("ObservationDetail"), case["properties"]["observations"]
    _share_label(parts, detail["properties"]["since"])
    parts |= dict(known.definitions(detail))
    parts["Exhibit"]["properties"]["finding"]["anyOf"] = [{"$ref": "#/$defs/FindingCode"}, _NULL]
    case["properties"]["observations"] = {
        "description": generic["description"],
        "type": "object",
        "properties": dict(known.members(generic["additionalProperties"])),
        "additionalProperties": False,
        "maxProperties": generic["maxProperties"],
    }
    if any("renamed_to" not in member for member in known.gone):
        parts["ObservationDetail"] = detail
    else:
        parts.pop("Disputed")
    return {
        "$schema": DIALECT,
        "$id": f"urn:coldcase:case:{compiled.digest}",
        "title": "Case",
        **case,
        "allOf": list(known.gates()),
        "$defs": dict(sorted(parts.items())),
    }


class _FindingSchemas:
    """The findings of a rule table: as definitions, as members of `observations`, and what rules them out."""

    def __init__(self, compiled: CompiledTable) -> None:
        self.compiled = compiled
        self.findings = compiled.table.findings
        self.retired = compiled.table.retired
        self.gone = [
            {"code": row.code} | ({} if row.renamed_to is None else {"renamed_to": row.renamed_to})
            for row in self.retired
            if row.kind == "finding"
        ]

    def definitions(self, detail: Schema) -> Iterator[tuple[str, Schema]]:
        """Of each finding its outcomes, one or several of them, and all that an observation may say; and what
        says an outcome that some machine cannot show.
        """
        for code, finding in self.findings.items():
            yield f"{code}__outcome", self._outcome(code, finding)
            one = {"$ref": f"#/$defs/{code}__outcome"}
            yield f"{code}__outcomes", {"anyOf": [one, _list_of(one)]}
            yield (
                code,
                {
                    "title": finding.title,
                    **_question(finding),
                    "anyOf": [{"$ref": f"#/$defs/{code}__outcomes"}, _detail(code, finding, detail)],
                },
            )
        yield "FindingCode", _enum([*self.findings, *(row["code"] for row in self.gone)])
        gated = {
            outcome.code
            for finding in self.findings.values()
            for outcome in finding.outcomes
            if _gated(outcome)
        }
        for outcome in sorted(gated):
            yield f"says__{outcome}", _says(outcome, [row.code for row in self._once("outcome", outcome)])

    def _once(self, kind: str, current: str) -> Iterator[Retired]:
        return (row for row in self.retired if row.kind == kind and row.renamed_to == current)

    def _outcome(self, code: str, finding: Finding) -> Schema:
        told = {
            "description": "\n".join(_line(outcome) for outcome in finding.outcomes),
            **_enum(outcome.code for outcome in finding.outcomes),
        }
        old = [row.code for row in self.retired if row.kind == "outcome" and row.finding == code]
        if not old:
            return told
        retired = {"description": "Retired; still taken.", "deprecated": True, **_enum(old)}
        return {"anyOf": [told, retired]}

    def members(self, generic: Schema) -> Iterator[tuple[str, Schema]]:
        """The members of `observations`, the retired ones after the others."""
        for code in self.findings:
            yield code, {"$ref": f"#/$defs/{code}"}
        for row in self.gone:
            new = row.get("renamed_to")
            said = f"Retired; read as `{new}`." if new else "Retired; taken, and no longer weighed."
            shape = {"$ref": f"#/$defs/{new}"} if new else generic
            yield row["code"], {"description": said, "deprecated": True, **shape}

    def gates(self) -> Iterator[Schema]:
        """For each kind of machine the findings and outcomes that cannot be on it."""
        kinds: tuple[tuple[str, Any], ...] = (
            ("motor", Motor),
            ("winding_connection", WindingConnection),
            ("compressor_type", CompressorType),
        )
        for place, (member, values) in enumerate(kinds):
            for value in get_args(values):
                motor = motor_under(value, self.compiled.table) if member == "motor" else value
                machine: list[str | None] = [None, None, None]
                machine[place] = known_or_none(motor)
                ruled_out = dict(self._ruled_out(machine))
                if ruled_out:
                    yield {
                        "if": {"properties": {"unit": _is(member, value)}},
                        "then": {"properties": {"observations": {"properties": ruled_out}}},
                    }

    def _ruled_out(self, machine: list[str | None]) -> Iterator[tuple[str, Any]]:
        for code, finding in self.findings.items():
            never = [outcome.code for outcome in finding.outcomes if not passes_gate(outcome.gate, *machine)]
            names = [code, *(row.code for row in self._once("finding", code))]
            if not passes_gate(finding.gate, *machine) or len(never) == len(finding.outcomes):
                yield from ((name, False) for name in names)
            elif never:
                rule = {"not": {"anyOf": [{"$ref": f"#/$defs/says__{outcome}"} for outcome in never]}}
                yield from ((name, rule) for name in names)


def _gated(outcome: Outcome) -> bool:
    return bool(outcome.gate.motors or outcome.gate.connections or outcome.gate.compressor_types)


def _line(outcome: Outcome) -> str:
    return f"`{outcome.code}`: {outcome.title}." + (f" {outcome.definition}" if outcome.definition else "")


def _question(finding: Finding) -> Schema:
    if finding.succeeded_by is None:
        return {"description": finding.question}
    said = f"{finding.question} (Still taken; what is asked now is `{finding.succeeded_by}`.)"
    return {"description": said, "deprecated": True}


def _enum(values: Iterable[str]) -> Schema:
    return {"type": "string", "enum": list(values)}


def _list_of(item: Schema) -> Schema:
    return {"type": "array", "items": item, "minItems": 1, "maxItems": _MOST_OUTCOMES, "uniqueItems": True}


def _detail(code: str, finding: Finding, detail: Schema) -> Schema:
    """An observation that says more than its outcome."""
    members, one = detail["properties"], {"$ref": f"#/$defs/{code}__outcome"}
    some = {"$ref": f"#/$defs/{code}__outcomes"}
    disputed = {
        "type": "object",
        "required": ["outcome"],
        "properties": {
            "outcome": some,
            "by": members["since"] | {"description": "Who says so."},
            "known": members["known"],
        },
        "additionalProperties": False,
    }
    shared = {
        "known": members["known"],
        "since": members["since"],
        "disputed_by": {"description": members["disputed_by"]["description"], "anyOf": [disputed, _NULL]},
    }
    shape = {"type": "object", "additionalProperties": False}
    if finding.kind == "one":
        return {
            **shape,
            "required": ["outcome"],
            "properties": {"outcome": some, "seen": _NULL, "not_seen": _NULL, **shared},
        }
    signs = {
        name: {"description": members[name]["description"], "anyOf": [_list_of(one), _NULL]}
        for name in ("seen", "not_seen")
    }
    return {
        **shape,
        "properties": {"outcome": {"anyOf": [some, _NULL]}, **signs, **shared},
        # At least one of the three says something.
        "if": {"properties": {"outcome": _NULL, "seen": _NULL}},
        "then": {"required": ["not_seen"], "properties": {"not_seen": {"type": "array"}}},
    }


def _says(outcome: str, once: list[str]) -> Schema:
    """Holds for an observation that names an outcome, wherever it does."""
    word = {"enum": [outcome, *once]}
    words = {"anyOf": [word, {"type": "array", "contains": word}]}
    disputed = {"type": "object", "required": ["outcome"], "properties": {"outcome": words}}
    places = {"outcome": words, "seen": words, "not_seen": words, "disputed_by": disputed}
    return {
        "anyOf": [
            *words["anyOf"],
            *(
                {"type": "object", "required": [name], "properties": {name: part}}
                for name, part in places.items()
            ),
        ]
    }


def _is(member: str, value: str) -> Schema:
    """Holds for a unit of this kind; a single-phase motor's winding is connected so, if nothing else is
    said.
    """
    plain = {"required": [member], "properties": {member: {"const": value}}}
    if (member, value) != ("winding_connection", "single_phase"):
        return plain
    unsaid = {
        "properties": {"motor": {"const": "single_phase"}, "winding_connection": _NULL},
        "required": ["motor"],
    }
    return {"anyOf": [plain, unsaid]}


def _with_local_references(part: Any) -> Any:
    if isinstance(part, list):
        return [_with_local_references(inner) for inner in part]
    if not isinstance(part, dict):
        return part
    return {
        name: inner.replace("#/components/schemas/", "#/$defs/")
        if name == "$ref"
        else _with_local_references(inner)
        for name, inner in part.items()
    }


def _share_label(parts: dict[str, Schema], labelled: Schema) -> None:
    """One definition for the label that every observation may have: its pattern is long."""
    (label,) = (arm for arm in labelled["anyOf"] if arm != _NULL)
    parts["Label"] = label
    labelled["anyOf"] = [{"$ref": "#/$defs/Label"}, _NULL]


def _refine(parts: dict[str, Schema]) -> None:
    """Puts in what the types check beyond their shape: a value or a range, and in which unit."""
    for schema in parts.values():
        members = schema.get("properties", {})
        if {"value", "from", "to", "unit"} == set(members):
            schema |= {
                "if": {"required": ["value"], "properties": {"value": {"type": "number"}}},
                "then": {"properties": {"from": _NULL, "to": _NULL}},
                "else": {
                    "required": ["from", "to"],
                    "properties": {"from": {"type": "number"}, "to": {"type": "number"}},
                },
            }
    for name in _RANGES:
        for member, schema in parts[name]["properties"].items():
            unit = {"properties": {"unit": {"const": range_unit(member)}}}
            schema.update(_in_arms(schema, "Range", unit))
    for name, one_valued in _ONE_VALUE.items():
        for member in one_valued:
            schema = parts[name]["properties"][member]
            (kind,) = (arm["$ref"].rpartition("/")[2] for arm in schema["anyOf"] if "$ref" in arm)
            value = {"required": ["value"], "properties": {"value": {"type": "number"}}}
            schema.update(_in_arms(schema, kind, value))


def _in_arms(schema: Schema, kind: str, also: Schema) -> Schema:
    """The same schema; where it refers to a kind, that holds as well."""
    reference = {"$ref": f"#/$defs/{kind}"}
    return {
        name: [{"allOf": [arm, also]} if arm == reference else arm for arm in part]
        if name == "anyOf"
        else part
        for name, part in schema.items()
    }
