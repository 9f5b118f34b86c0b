"""The OpenAPI document for people: the main call first, then all calls by what they are about, then the
problems and the shapes.
"""

from collections.abc import Iterator
from typing import Any

from coldcase.web.problems import PROBLEM_KINDS, meaning

MAIN = "classify"
TAGS = {
    "Classifying": "Why did this compressor fail? One case, a look without a record, a whole history.",
    "Decisions": "What is on record: found, shown, exported, judged, proved, shared.",
    "Words": "What may be said in a case, and how a client's own words stand for it.",
    "Statistics": "What fails how often, and how often a stated confidence was right.",
    "Rule tables": "What decides: drafted, compared, tried, approved, published, disputed.",
    "Audit": "Who did what, and whether the record is what it was.",
    "Operation": "Whether it runs, and what it says of itself.",
}
"""The order in which calls are shown, and what each kind is about; others come last."""


def docs_context(document: dict[str, Any]) -> dict[str, Any]:
    """What the template shows."""
    calls = [
        _call(document, path, verb, call)
        for path, methods in document["paths"].items()
        for verb, call in methods.items()
    ]
    tags = [*TAGS, *sorted({call["tag"] for call in calls} - set(TAGS))]
    return {
        "info": document["info"],
        "main": next(call for call in calls if call["id"] == MAIN),
        "groups": [
            {"tag": tag, "about": TAGS.get(tag, ""), "calls": [call for call in calls if call["tag"] == tag]}
            for tag in tags
        ],
        "problems": [
            {
                "code": code,
                "status": kind.status,
                "title": kind.title,
                "meaning": meaning(code),
                "retry": kind.retry_after,
                "example": document["components"]["examples"][code]["value"],
            }
            for code, kind in PROBLEM_KINDS.items()
        ],
        "shapes": document["components"]["schemas"],
    }


def _call(document: dict[str, Any], path: str, verb: str, call: dict[str, Any]) -> dict[str, Any]:
    answers = {status: answer for status, answer in call["responses"].items() if status < "400"}
    return {
        "id": call["operationId"],
        "tag": call["tags"][0],
        "verb": verb.upper(),
        "path": path,
        "summary": call["summary"],
        "paragraphs": [part.replace("\n", " ") for part in call["description"].split("\n\n") if part],
        "parameters": call["parameters"],
        "bodies": [
            _body(document, media, body)
            for media, body in call.get("requestBody", {}).get("content", {}).items()
        ],
        "answers": [
            {
                "status": status,
                "says": answer["description"],
                "headers": answer["headers"],
                "bodies": [_body(document, media, body) for media, body in answer.get("content", {}).items()],
            }
            for status, answer in answers.items()
        ],
        "problems": sorted(_codes(call), key=list(PROBLEM_KINDS).index),
    }


def _codes(call: dict[str, Any]) -> Iterator[str]:
    for status, answer in call["responses"].items():
        if status >= "400":
            for body in answer["content"].values():
                yield from body["examples"]


def _body(document: dict[str, Any], media: str, body: dict[str, Any]) -> dict[str, Any]:
    """A body with the members of its shape, if it has one."""
    name = body["schema"].get("$ref", "").rpartition("/")[2]
    shape = document["components"]["schemas"].get(name, body["schema"])
    return {
        "media": media,
        "schema": body["schema"],
        "name": name,
        "shape": shape,
        "examples": list(body.get("examples", {}).values()),
    }
