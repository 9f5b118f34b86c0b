"""The story that `tests/examples.py` tells to a service: every call is asked once, and much goes wrong. The
place, the people and the figures are invented.
"""

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

import httpx

from coldcase.shipped import demo_cases

if TYPE_CHECKING:
    from tests.examples import Story

LINES = Path(__file__).parent / "data" / "dev_cases.jsonl"
MERGE = "application/merge-patch+json"
PEOPLE = {
    "clerk": ("Iselin", ["decisions:write", "decisions:read", "verdicts:write", "preview", "tables:read"]),
    "quality": ("Maro", ["tables:read", "tables:draft", "decisions:read", "preview"]),
    "chief": ("Oda", ["tables:read", "tables:approve", "audit:read", "decisions:read:all"]),
    "reader": (None, ["decisions:read"]),
}
CASES = {name: demo.case for name, demo in demo_cases().items()}
WATER = CASES["1-water-in-the-cream-room"]


def tell(story: "Story") -> None:
    """All that happens."""
    _operation(story)
    decision = _classifying(story)
    _record(story, decision)
    _figures(story)
    _rule_tables(story, decision)
    _proposal(story)
    _audit(story, decision)


def _operation(story: "Story") -> None:
    for operation, path in (
        ("isLive", "/health/live"),
        ("isReady", "/health/ready"),
        ("showMetrics", "/metrics"),
    ):
        story.ask("reader", operation, "GET", path)
    story.ask("reader", "showProblem", "GET", "/problems/outcome_unknown")
    openapi = story.ask("reader", None, "GET", "/openapi.json").json()
    story.answers["showOpenapi"] = {
        "200": {"application/json": {"openapi": openapi["openapi"], "info": openapi["info"]}}
    }
    story.ask("clerk", "showVocabulary", "GET", "/v1/vocabulary")
    schema = story.ask("clerk", None, "GET", "/v1/vocabulary/schema").json()
    shown = {name: schema[name] for name in ("$schema", "$id", "title", "description", "type", "required")}
    of_one = {
        name: part for name, part in schema["$defs"].items() if name.startswith("copper_plating__outcome")
    }
    story.answers["showCaseSchema"] = {"200": {"application/json": shown | {"$defs": of_one}}}
    story.ask("clerk", "showCause", "GET", "/v1/causes/moisture")
    story.ask("clerk", None, "GET", "/v1/causes/no_such_cause")
    story.callers["nobody"] = httpx.Client(base_url=story.callers["clerk"].base_url, trust_env=False)
    story.ask("nobody", None, "GET", "/v1/vocabulary")
    story.ask("reader", None, "POST", "/v1/classifications", json=WATER)


def _classifying(story: "Story") -> str:
    key = {"Idempotency-Key": "TH-1184-close"}
    path = "/v1/classifications"
    first = story.ask("clerk", "classify", "POST", path, json=WATER, headers=key)
    story.ask("clerk", "classify", "POST", path, json=WATER, headers=key)
    story.ask("clerk", None, "POST", path, json=CASES["8-not-enough-to-say"], headers=key)
    story.ask(
        "clerk", "preview", "POST", f"{path}/preview?effort=ask,look,meter", json=CASES["8-not-enough-to-say"]
    )
    wrong = WATER | {
        "observations": {"copper_platting": "heavy", "filter_drier": "moist"},
        "readings": {"suction_superheat": {"value": 4, "unit": "degC"}},
    }
    story.ask("clerk", None, "POST", path, json=wrong)
    story.ask("clerk", None, "POST", path, content=b"{", headers={"Content-Type": "application/json"})
    story.ask("clerk", None, "POST", path, content=b"a case", headers={"Content-Type": "text/plain"})
    story.ask(
        "clerk", None, "POST", path, json=WATER | {"supersedes": "01980000-0000-7000-8000-000000000000"}
    )
    for name, case in CASES.items():
        if case is not WATER:
            story.ask("clerk", None, "POST", path, json=case, headers={"Idempotency-Key": name})
    lines = [
        {"case": WATER, "own_code": "W-07", "verdict": {"cause": "moisture", "basis": "teardown"}},
        {"case": {}},
    ]
    body = "".join(json.dumps(line) + "\n" for line in lines)
    ndjson = {"Content-Type": "application/x-ndjson", "Idempotency-Key": "history-2025"}
    story.ask("clerk", "classifyBulk", "POST", f"{path}/bulk", content=body, headers=ndjson)
    rows = "job.ref,unit.compressor_type,unit.motor,observations.copper_plating,verdict.cause,verdict.basis\n"
    rows += "TH-0977,scroll,three_phase,heavy,moisture,teardown\n"
    csv = {"Content-Type": "text/csv", "Idempotency-Key": "history-2024"}
    story.ask("clerk", "classifyBulk", "POST", f"{path}/bulk", content=rows, headers=csv)
    # History enough to learn from.
    known = [json.loads(line) for line in LINES.read_text().splitlines()]
    history = [
        {
            "case": row["case"],
            "verdict": {"cause": row["judged"][0], "basis": "teardown"},
            "occurrence": time_over,
        }
        for time_over in range(3)
        for row in known
        if row["judged"][0] in ("moisture", "oil_loss", "flooded_start")
    ]
    body = "".join(json.dumps(line) + "\n" for line in history)
    story.ask(
        "clerk", None, "POST", f"{path}/bulk", content=body, headers=ndjson | {"Idempotency-Key": "history"}
    )
    decision: str = first.json()["id"]
    return decision


def _record(story: "Story", decision: str) -> None:
    place = f"/v1/decisions/{decision}"
    verdict = {"cause": "moisture", "basis": "teardown", "note": "Copper on both journals, drier saturated."}
    key = {"Idempotency-Key": "TH-1184-verdict"}
    for _ in range(2):
        story.ask("clerk", "giveVerdict", "POST", f"{place}/verdicts", json=verdict, headers=key)
    story.ask("clerk", None, "POST", f"{place}/verdicts", json={"cause": "moist", "basis": "teardown"})
    story.ask("clerk", "showDecision", "GET", place)
    for _ in range(2):
        key = {"Idempotency-Key": "TH-1184-link"}
        story.ask("clerk", "shareDecision", "POST", f"{place}/links", json={}, headers=key)
    story.ask("clerk", None, "POST", f"{place}/links", json={"expires_at": "2020-01-31T00:00:00Z"})
    story.ask("clerk", "listDecisionLinks", "GET", f"{place}/links")
    story.ask("clerk", "searchDecisions", "GET", "/v1/decisions?origin=live&limit=2")
    story.ask("clerk", None, "GET", "/v1/decisions?limit=0")
    story.ask("clerk", None, "GET", f"/v1/decisions?cursor={'A' * 34}")
    story.ask("clerk", "replayDecision", "POST", f"{place}/replay")
    for name in ("ndjson", "csv"):
        wanted = f"/v1/decisions/export?job_ref={WATER['job']['ref']}&origin=live&format={name}"
        story.ask("clerk", "exportDecisions", "GET", wanted)
    story.ask("clerk", None, "GET", "/v1/decisions/export", headers={"Accept": "image/png"})
    crosswalk = {
        "title": "Job form of the creamery on Tern Haven",
        "outbound": {"moisture": {"shop": "W-07", "reason": 31}, "oil_loss": "L-01"},
    }
    name = "/v1/crosswalks/shop"
    story.ask("clerk", None, "PUT", name, json=crosswalk)
    made = story.ask("clerk", "putCrosswalk", "PUT", name, json=crosswalk, headers={"If-None-Match": "*"})
    crosswalk["outbound"]["flooded_start"] = "W-09"
    changed = {"If-Match": made.headers["ETag"]}
    story.ask("clerk", None, "PUT", name, json={"outbound": {"moist": "W-07"}}, headers=changed)
    story.ask("clerk", "putCrosswalk", "PUT", name, json=crosswalk, headers=changed)
    story.ask("clerk", None, "PUT", name, json=crosswalk | {"title": "Other"}, headers=changed)
    story.ask("clerk", "listCrosswalks", "GET", "/v1/crosswalks")
    story.ask("clerk", "showCrosswalk", "GET", name)


def _figures(story: "Story") -> None:
    story.ask("clerk", "countCauses", "GET", "/v1/statistics/causes?group_by=refrigerant&limit=2")
    story.ask("clerk", "showCalibration", "GET", "/v1/statistics/calibration")
    story.ask("clerk", "showCrosstab", "GET", "/v1/statistics/crosstab")


def _rule_tables(story: "Story", decision: str) -> None:
    for _ in range(2):
        key = {"Idempotency-Key": "table-link"}
        story.ask("clerk", "shareRuleTable", "POST", "/v1/rule-tables/1/links", json={}, headers=key)
    story.ask("clerk", "listRuleTableLinks", "GET", "/v1/rule-tables/1/links")
    remark = {
        "pointer": "/findings/copper_plating/per_hundred/moisture",
        "text": "Of 14 wet circuits that we opened, 5 showed heavy plating.",
        "proposal": [20, 45, 35],
        "decision": decision,
    }
    key = {"Idempotency-Key": "remark-1"}
    for _ in range(2):
        made = story.ask(
            "clerk", "remarkOnRuleTable", "POST", "/v1/rule-tables/1/remarks", json=remark, headers=key
        )
    story.ask(
        "clerk", None, "POST", "/v1/rule-tables/1/remarks", json=remark | {"pointer": "/findings/plating"}
    )
    new = {"based_on": 1, "note": "Wet driers were read too strongly."}
    for _ in range(2):
        drafted = story.ask(
            "quality",
            "draftRuleTable",
            "POST",
            "/v1/rule-tables",
            json=new,
            headers={"Idempotency-Key": "draft-2"},
        )
    place, tag = drafted.headers["Location"], drafted.headers["ETag"]
    content = story.ask("quality", "showRuleTable", "GET", place).json()["content"]
    story.ask("quality", "showRuleTable", "GET", place, headers={"Accept": "text/csv"})
    patch = {"findings": {"copper_plating": {"per_hundred": {"moisture": [20, 45, 35]}}}}
    story.ask("quality", None, "PATCH", f"{place}/content", json=patch, headers={"Content-Type": MERGE})
    edit = {"Content-Type": MERGE, "If-Match": tag}
    tag = story.ask(
        "quality", "patchDraftContent", "PATCH", f"{place}/content", json=patch, headers=edit
    ).headers["ETag"]
    story.ask("quality", None, "PATCH", f"{place}/content", json=patch, headers=edit)
    content["findings"]["copper_plating"]["per_hundred"]["moisture"] = [21, 44, 35]
    tag = story.ask(
        "quality", "replaceDraftContent", "PUT", f"{place}/content", json=content, headers={"If-Match": tag}
    ).headers["ETag"]
    sheet = story.ask("quality", "showSheet", "GET", f"{place}/sheets/frequencies").text
    whole = {"Content-Type": "text/csv", "If-Match": tag}
    tag = story.ask(
        "quality", "replaceSheet", "PUT", f"{place}/sheets/frequencies", content=sheet.encode(), headers=whole
    ).headers["ETag"]
    story.ask("quality", "checkRuleTable", "GET", f"{place}/check")
    for media in ("application/json", "text/plain"):
        story.ask("quality", "compareRuleTables", "GET", f"{place}/diff?against=1", headers={"Accept": media})
    for media in ("application/json", "text/csv"):
        story.ask(
            "clerk", "showCurrentRuleTable", "GET", "/v1/rule-tables/current", headers={"Accept": media}
        )
    named = {"digest": tag.strip('"'), "reason": "Wet driers were read too strongly."}
    story.ask("chief", None, "POST", f"{place}/publish", json=named)
    story.ask("chief", None, "POST", f"{place}/approve", json=named)
    story.ask("chief", None, "POST", f"{place}/approve", json=named | {"digest": "sha256:" + "0" * 64})
    asked = {"filter": {"has_verdict": True}}
    key = {"Idempotency-Key": "backtest-2"}
    for _ in range(2):
        started = story.ask("quality", "startBacktest", "POST", f"{place}/backtests", json=asked, headers=key)
    story.until("quality", "showBacktest", started.headers["Location"])
    story.ask("quality", "listBacktests", "GET", f"{place}/backtests")
    other = story.ask("quality", None, "POST", f"{place}/backtests", json={"library": "worked"})
    story.ask("quality", "cancelBacktest", "POST", f"{other.headers['Location']}/cancel")
    story.ask("chief", "approveRuleTable", "POST", f"{place}/approve", json=named)
    story.ask("chief", None, "POST", f"{place}/publish", json=named | {"instead_of": 7})
    story.ask("chief", "publishRuleTable", "POST", f"{place}/publish", json=named | {"instead_of": 1})
    story.ask("chief", None, "POST", f"{place}/withdraw", json={"reason": "Not needed."})
    remarked = made.headers["Location"]
    settled = {"settled_by": 2, "answer": "Raised to 35."}
    story.ask("quality", "answerRemark", "PATCH", remarked, json=settled, headers={"Content-Type": MERGE})
    story.ask("clerk", "showRemark", "GET", remarked)
    story.ask("clerk", "listRemarks", "GET", "/v1/rule-tables/1/remarks")
    first = story.ask("chief", None, "GET", "/v1/rule-tables/1").json()["digest"]
    story.ask("chief", None, "POST", "/v1/rule-tables/1/publish", json=named | {"digest": first})
    story.ask(
        "chief",
        "withdrawRuleTable",
        "POST",
        f"{place}/withdraw",
        json={"reason": "The figures were those of heat pumps alone."},
    )
    story.ask("quality", None, "PUT", f"{place}/content", json=content, headers={"If-Match": tag})
    story.ask("quality", "listRuleTables", "GET", "/v1/rule-tables")


def _proposal(story: "Story") -> None:
    key = {"Idempotency-Key": "proposal-1"}
    for _ in range(2):
        asked = story.ask(
            "quality", "proposeRuleTable", "POST", "/v1/rule-tables/1/proposals", json={}, headers=key
        )
    story.until("quality", "showProposal", asked.headers["Location"])
    story.ask("quality", "listProposals", "GET", "/v1/rule-tables/1/proposals")
    other = story.ask("quality", None, "POST", "/v1/rule-tables/1/proposals", json={})
    story.ask("quality", "cancelProposal", "POST", f"{other.headers['Location']}/cancel")
    story.until("quality", "showEvidence", "/v1/rule-tables/1/evidence?finding=filter_drier")


def _audit(story: "Story", decision: str) -> None:
    story.ask("chief", "listAuditEvents", "GET", "/v1/audit-events?action=rule_table.publish")
    for _ in range(200):
        if story.ask("clerk", None, "GET", f"/v1/decisions/{decision}/inclusion").status_code == 200:
            break
        time.sleep(0.2)
    story.ask("clerk", "proveInclusion", "GET", f"/v1/decisions/{decision}/inclusion")
    story.ask("chief", "listSeals", "GET", "/v1/audit-seals?limit=2")
    story.ask("chief", "verifySeals", "POST", "/v1/audit-seals/verify")
