"""What tests of rule tables do again and again: draft, decide, publish."""

import json

import httpx

MERGE = {"Content-Type": "application/merge-patch+json"}
REASON = {"reason": "Invented for a test."}
EVERYTHING = ("tables:read", "tables:draft", "tables:approve", "preview", "audit:read")


async def as_person(service, person, *scopes):
    secret, _ = await service.key(*(scopes or EVERYTHING), person=person)
    return service.http(secret)


def problem(answered: httpx.Response) -> tuple[int, str]:
    assert answered.headers["Content-Type"] == "application/problem+json", answered.text
    return answered.status_code, answered.json()["type"].removeprefix("/problems/")


async def draft(author, patch=None, **members):
    """A new draft's path and ETag."""
    made = await author.post("/v1/rule-tables", json={"based_on": 1, **members})
    assert made.status_code == 201, made.text
    place, tag = made.headers["Location"], made.headers["ETag"]
    if patch is not None:
        edited = await author.patch(
            f"{place}/content", content=json.dumps(patch), headers={**MERGE, "If-Match": tag}
        )
        assert edited.status_code == 200, edited.text
        tag = edited.headers["ETag"]
    return place, tag


async def decide(who, place, what, digest=None, **members):
    if what == "approve":
        await who.service.backtested(int(place.rpartition("/")[2]))
    named = {} if digest is None else {"digest": digest.strip('"')}
    return await who.post(f"{place}/{what}", json={**named, **REASON, **members})


async def published(author, approver, patch):
    place, tag = await draft(author, patch)
    assert (await decide(approver, place, "approve", tag)).status_code == 200
    answered = await decide(approver, place, "publish", tag)
    assert answered.status_code == 200, answered.text
    return place, tag


WARMER = {"temperature": 3.0}
