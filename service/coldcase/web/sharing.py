"""Links for people: the page that they open, and the pages on which they are made and revoked."""

import asyncio
from datetime import timedelta
from typing import Annotated, Any
from uuid import UUID

import msgspec
from litestar import Response, get, post
from msgspec import Meta
from uuid_utils import compat

from coldcase import decision_record
from coldcase.clock import now
from coldcase.db import decisions, links, rule_tables
from coldcase.db.links import StoredLink
from coldcase.errors import Busy, NotFound
from coldcase.web import parsing, rendering, table_diffs
from coldcase.web.decisions import report_of
from coldcase.web.link_addresses import LinkDesk
from coldcase.web.links import (
    DECISION_SCOPES,
    LINK_SCOPES,
    SharedLink,
    WantedEnd,
    own_links,
    report_links,
    revoke,
    share_report,
    share_table,
)
from coldcase.web.pages import table_limits
from coldcase.web.route import Call, form_route, page_route
from coldcase.web.rule_tables import LAST, VERSION, version_of
from coldcase.web.services import services
from coldcase.web.table_pages import page_of_stored

ENDED = "There is no such link, or it has ended. Ask whoever sent it for a new one."
KEPT_TO_ONESELF = {"X-Robots-Tag": "noindex, nofollow"}

SHARING = ("not_found", "bad_link", "key_reused", "outcome_unknown")
Days = Annotated[int, Meta(ge=1, le=36_500)]


class ShareForm(msgspec.Struct, frozen=True):
    """For how many days a link is to last; of a rule table, whether what it has otherwise than another. `key`
    was made with the form, so that one sent twice makes one link.
    """

    days: Days
    against: Annotated[int, Meta(ge=1, le=LAST)] | None = None
    key: str = ""

    def end(self) -> WantedEnd:
        """When the link is to end, counted from now."""
        ends = now() + timedelta(days=self.days)
        return WantedEnd(at=ends, said=f"{self.days} days", key=parsing.form_key(self.key))


class LinksQuery(msgspec.Struct, frozen=True):
    """The version that the table is compared with, where the way here led from a comparison."""

    against: Annotated[int, Meta(ge=1, le=LAST)] | None = None


class RevokeForm(msgspec.Struct, frozen=True):
    """A button alone."""


@get("/shared/{address:str}", **page_route("showShared", problems=("not_found",)))
async def show_shared(request: Call) -> Response[Any]:
    """The page of a link, for whoever has it"""
    known = services(request)
    id_ = await known.links.read(request.path_params["address"])
    if id_ is None:
        raise NotFound(ENDED)
    if known.strangers.locked():
        raise Busy
    async with known.strangers:
        async with known.transaction() as conn:
            # The link was made by somebody who may see the page; its signature says that it is this one.
            await decisions.view_as(conn, 0, reads_all=True)
            found = await links.find_link(conn, id_)
        if found is None or not found.is_good(now()):
            raise NotFound(ENDED)
        text = await _SHOWN[found.kind](request, found)
    return rendering.html_response(text, headers=KEPT_TO_ONESELF)


async def _decision(request: Call, found: StoredLink) -> str:
    async with services(request).transaction() as conn:
        await decisions.view_as(conn, found.client_id, reads_all=True)
        record = await decision_record.decision_in_context(conn, UUID(found.subject))
        # What the client has judged, not what everybody has.
        await decisions.view_as(conn, found.client_id)
        around = await decision_record.surroundings_of(conn, record.decision)
    return await report_of(request, record, around, shared_until=found.expires_at)


async def _tables(request: Call, found: StoredLink) -> list[rule_tables.StoredTable]:
    async with services(request).transaction() as conn:
        shown = [await rule_tables.get_table(conn, int(found.subject))]
        if found.against is not None:
            shown.append(await rule_tables.get_table(conn, found.against))
    if shown[0].digest != found.digest:
        raise NotFound("What this link showed has been changed since. Ask whoever sent it for a new one.")
    return shown


async def _diff(request: Call, found: StoredLink) -> str:
    new, old = await _tables(request, found)
    return await asyncio.to_thread(table_diffs.plain_comparison, old, new)


async def _rule_table(request: Call, found: StoredLink) -> str:
    (stored,) = await _tables(request, found)
    page, current = await page_of_stored(request, stored), services(request).rule_tables.current.version

    def made() -> str:
        return rendering.render(
            "table.html", **table_limits.table_context(page, (), current or 0, drafts=False)
        )

    return await asyncio.to_thread(made)


_SHOWN = {"decision": _decision, "rule_table": _rule_table, "diff": _diff}


@get("/decisions/{id:uuid}/links", **page_route("showReportLinks", scopes=DECISION_SCOPES))
async def show_report_links(request: Call) -> Response[Any]:
    """The links to a report, to copy, revoke and make"""
    id_ = request.path_params["id"]
    found = await report_links(request)
    return await _links_page(request, found, back=f"/v1/decisions/{id_}", what="this report")


@post(
    "/decisions/{id:uuid}/links",
    **form_route("shareReport", ShareForm, scopes=DECISION_SCOPES, problems=SHARING),
)
async def share_report_by_form(request: Call) -> Response[Any]:
    """Makes a link to a report"""
    sent = await parsing.parse_form(request, ShareForm)
    await share_report(request, sent.end())
    return _back(f"/decisions/{request.path_params['id']}/links")


@post(
    "/decisions/{id:uuid}/links/{link:uuid}/revoke",
    **form_route("revokeReportLink", RevokeForm, scopes=DECISION_SCOPES),
)
async def revoke_report_link(request: Call) -> Response[Any]:
    """Revokes a link to a report"""
    await parsing.parse_form(request, RevokeForm)
    await revoke(request, str(request.path_params["id"]), DECISION_SCOPES)
    return _back(f"/decisions/{request.path_params['id']}/links")


@get(
    "/tables/{version:str}/links",
    **page_route("showTableLinks", scopes=LINK_SCOPES, query=LinksQuery, path={"version": VERSION}),
)
async def show_table_links(request: Call) -> Response[Any]:
    """The links to a rule table and its comparisons, to copy, revoke and make"""
    version, query = version_of(request), parsing.parse_page_query(request, LinksQuery)
    found = await own_links(request, str(version))
    return await _links_page(
        request,
        found,
        back=f"/tables/{version}",
        what=f"rule table {version}",
        table=True,
        against=query.against,
    )


@post(
    "/tables/{version:str}/links",
    **form_route("shareTable", ShareForm, scopes=LINK_SCOPES, path={"version": VERSION}, problems=SHARING),
)
async def share_table_by_form(request: Call) -> Response[Any]:
    """Makes a link to a rule table, or to a comparison"""
    sent = await parsing.parse_form(request, ShareForm)
    await share_table(request, sent.end(), sent.against)
    return _back(f"/tables/{version_of(request)}/links")


@post(
    "/tables/{version:str}/links/{link:uuid}/revoke",
    **form_route("revokeTableLink", RevokeForm, scopes=LINK_SCOPES, path={"version": VERSION}),
)
async def revoke_table_link(request: Call) -> Response[Any]:
    """Revokes a link to a rule table or a comparison"""
    await parsing.parse_form(request, RevokeForm)
    await revoke(request, str(version_of(request)), LINK_SCOPES)
    return _back(f"/tables/{version_of(request)}/links")


async def _links_page(
    request: Call,
    found: list[SharedLink],
    *,
    back: str,
    what: str,
    table: bool = False,
    against: int | None = None,
) -> Response[Any]:
    desk: LinkDesk = services(request).links
    return rendering.page(
        request,
        "links.html",
        links=found,
        back=back,
        key=str(compat.uuid7()),
        what=what,
        table=table,
        against=against,
        days=desk.days,
        most_days=desk.most_days,
        host=str(request.base_url).rstrip("/"),
    )


def _back(path: str) -> Response[Any]:
    return Response(b"", status_code=303, headers={"Location": path})
