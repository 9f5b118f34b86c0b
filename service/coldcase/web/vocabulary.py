"""The vocabulary: what a form is built from, and what stands behind a cause."""

from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

import msgspec
from litestar import Response, get
from msgspec import Meta

from coldcase.core.answer import TableName
from coldcase.core.case import Opening, Unit
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import RuleTable
from coldcase.errors import NotFound
from coldcase.web import parsing, vocabulary_schemas
from coldcase.web.case_schema import case_schema
from coldcase.web.documents import documents
from coldcase.web.route import ETAG, IF_NONE_MATCH, JSON, Call, route
from coldcase.web.services import services

READERS = ("decisions:write", "decisions:read", "preview")


@get(
    "/v1/vocabulary",
    **route(
        "showVocabulary",
        "Words",
        {200: {JSON: vocabulary_schemas.Vocabulary}, 304: {}},
        scopes=READERS,
        takes=(IF_NONE_MATCH,),
        sends={200: (ETAG,), 304: (ETAG,)},
    ),
)
async def show_vocabulary(request: Call) -> Response[bytes]:
    """Findings, outcomes, causes, quantities

    What a form is built from, under the current rule table. Cheap to ask again with `If-None-Match`.
    """
    return documents(request).vocabulary(services(request).rule_tables.current, _spelled).answer(request)


def _spelled(compiled: CompiledTable) -> bytes:
    return msgspec.json.encode(vocabulary(compiled))


class SchemaQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Under which rule table."""

    rule_table: Annotated[int, Meta(ge=1, le=2_147_483_647)] | None = None


@get(
    "/v1/vocabulary/schema",
    **route(
        "showCaseSchema",
        "Words",
        {200: {JSON: dict}, 304: {}},
        scopes=READERS,
        query=SchemaQuery,
        takes=(IF_NONE_MATCH,),
        sends={200: (ETAG,), 304: (ETAG,)},
        problems=("not_found", "bad_rule_table"),
    ),
)
async def show_case_schema(request: Call) -> Response[bytes]:
    """A JSON Schema of the case

    In the dialect 2020-12, under the current rule table or the version that is named; a draft needs the scope
    `tables:draft` as well. Findings and outcomes are enums and objects with their questions and definitions,
    quantities have their units, what a machine cannot show is ruled out, and what is no longer asked is
    `deprecated`: from it types and forms of a client's own can be generated. What the service takes, the
    schema allows; contradictions between values it cannot tell. `$id` names the rule table's digest.
    """
    query = parsing.parse_query(request, SchemaQuery)
    compiled = await services(request).rule_tables.compiled(
        query.rule_table, drafts="tables:draft" in request.auth.scopes
    )
    return documents(request).case_schema(compiled, _case_schema_text).answer(request)


def _case_schema_text(compiled: CompiledTable) -> bytes:
    return msgspec.json.encode(case_schema(compiled))


@get(
    "/v1/causes/{code:str}",
    **route(
        "showCause",
        "Words",
        {200: {JSON: vocabulary_schemas.CauseSheet}},
        scopes=READERS,
        problems=("not_found",),
    ),
)
async def show_cause(request: Call) -> Response[bytes]:
    """One cause: its chain, what to do, what it is mistaken for"""
    code, compiled = request.path_params["code"], services(request).rule_tables.current
    cause = compiled.table.causes.get(code)
    if cause is None:
        raise NotFound(f"The current rule table has no cause '{code[:64]}'.")
    chain = [vocabulary_schemas.CauseStep(step=link.step, seen_as=link.seen_as) for link in cause.chain]
    members = {
        name: getattr(cause, name)
        for name in ("title", "family", "summary", "system_borne", "gate", "actions", "contrast")
    }
    sheet = vocabulary_schemas.CauseSheet(
        code=code,
        chain=chain,
        rule_table=TableName(version=compiled.version, digest=compiled.digest),
        **members,
    )
    return Response(msgspec.json.encode(sheet), media_type=JSON)


def vocabulary(compiled: CompiledTable) -> vocabulary_schemas.Vocabulary:
    """The vocabulary of a rule table."""
    table = compiled.table
    return vocabulary_schemas.Vocabulary(
        rule_table=TableName(version=compiled.version, digest=compiled.digest),
        unit=choices(Unit),
        opening=choices(Opening),
        stations=table.stations,
        findings=_findings(table),
        causes=[
            vocabulary_schemas.CauseChoice(
                code=code, title=row.title, family=row.family, system_borne=row.system_borne
            )
            for code, row in table.causes.items()
        ],
        quantities=_quantities(table),
        retired=table.retired,
    )


def _findings(table: RuleTable) -> list[vocabulary_schemas.FindingChoice]:
    yielded: dict[str, dict[str, None]] = {}
    for limit in table.limits:
        yielded.setdefault(limit.finding, {})[limit.quantity] = None
    return [
        vocabulary_schemas.FindingChoice(
            code=code,
            kind=row.kind,
            succeeded_by=row.succeeded_by,
            station=row.station,
            title=row.title,
            question=row.question,
            effort=row.effort,
            before=row.before,
            gate=row.gate,
            outcomes=[
                vocabulary_schemas.OutcomeChoice(
                    code=outcome.code, title=outcome.title, definition=outcome.definition, gate=outcome.gate
                )
                for outcome in row.outcomes
            ],
            quantities=list(yielded.get(code, ())),
        )
        for code, row in table.findings.items()
    ]


def _quantities(table: RuleTable) -> list[vocabulary_schemas.QuantityChoice]:
    return [
        vocabulary_schemas.QuantityChoice(
            code=code,
            unit=row.unit,
            meaning=row.meaning,
            lowest=row.lowest,
            highest=row.highest,
            limits=[
                vocabulary_schemas.QuantityLimit(
                    finding=limit.finding, bands=limit.bands, when=limit.when, basis=limit.basis
                )
                for limit in table.limits
                if limit.quantity == code
            ],
        )
        for code, row in table.quantities.items()
    ]


def choices(part: type[msgspec.Struct]) -> list[vocabulary_schemas.MemberChoice]:
    """The members of a part of the case, with the values or units that each takes."""
    hints = get_type_hints(part)
    return [
        vocabulary_schemas.MemberChoice(
            member=field.encode_name,
            required=field.required,
            values=_values(hints[field.name]),
            units=_units(hints[field.name]),
        )
        for field in msgspec.structs.fields(part)
    ]


def _values(hint: Any) -> list[str | bool] | None:
    if hint is bool:
        return [True, False]
    if get_origin(hint) is Literal:
        return list(get_args(hint))
    return next((values for arm in get_args(hint) if (values := _values(arm))), None)


def _units(hint: Any) -> list[str] | None:
    if isinstance(hint, type) and issubclass(hint, msgspec.Struct):
        return [str(value) for value in _values(get_type_hints(hint).get("unit")) or ()] or None
    return next((units for arm in get_args(hint) if (units := _units(arm))), None)
