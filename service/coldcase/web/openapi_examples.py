"""Examples of answers for the OpenAPI document: what the service answered to a story that
`python -m tests.examples` tells it, and tells again in a test.
"""

from functools import cache
from importlib.resources import files
from typing import Any

import msgspec

from coldcase.web.problems import PROBLEM_KINDS, meaning, problem
from coldcase.web.route import RouteSpec

CUT = "As it was sent; what is long is cut."
REFERENCE = "#/components/examples/{code}"


@cache
def _file(name: str) -> dict[str, Any]:
    found = files("coldcase.web").joinpath("examples", f"{name}.json")
    return dict(msgspec.json.decode(found.read_bytes())) if found.is_file() else {}


def example(spec: RouteSpec, status: int | str, media: str) -> dict[str, Any]:
    """The member `examples` of an answer, or nothing: pages and Parquet have none. `sent` stands for what was
    asked with.
    """
    by_media = _file(spec.operation).get(str(status), {})
    return {"examples": {"answer": {"summary": CUT, "value": by_media[media]}}} if media in by_media else {}


def sent(spec: RouteSpec, media: str) -> dict[str, Any]:
    """The member `examples` of a body that is sent: the route's own, or what the story sent."""
    if spec.examples and media == spec.body_media[0]:
        return {"examples": spec.examples}
    return example(spec, "sent", media)


def problem_references(codes: list[str]) -> dict[str, Any]:
    """An example for each kind of problem that an answer may be."""
    return {code: {"$ref": REFERENCE.format(code=code)} for code in codes}


def problem_examples() -> dict[str, Any]:
    """All kinds of problems by their code: as one was answered, or else as it would be."""
    return {
        code: {
            "summary": kind.title,
            "value": _file("problems").get(code) or msgspec.to_builtins(problem(code, meaning(code))),
        }
        for code, kind in PROBLEM_KINDS.items()
    }
