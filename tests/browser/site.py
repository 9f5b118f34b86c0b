"""The service as people meet it: on a socket, with the demo cases on record."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field

import httpx

from coldcase.db.keys import ALL_SCOPES
from coldcase.feedback.training import shipped_cases
from coldcase.settings import Settings
from coldcase.shipped import demo_cases
from tests.serving import in_thread, make_key


@dataclass(frozen=True)
class Site:
    """Where it listens, a key with every scope, and the demo cases' decisions by name, which is that of the
    case's file. `owner_url` and `service_url` are of the database behind it.
    """

    address: str
    secret: str
    owner_url: str
    service_url: str
    decisions: dict[str, str] = field(default_factory=dict)

    def api(self) -> httpx.Client:
        """A program's way in."""
        headers = {"Authorization": f"Bearer {self.secret}"}
        return httpx.Client(base_url=self.address, headers=headers, trust_env=False, timeout=30)


@contextmanager
def serving_demo(owner_url: str, service_url: str) -> Iterator[Site]:
    """The service on a migrated database, with the demo cases recorded."""
    # In a thread of its own: Playwright may keep an event loop in this one, where no second one can run.
    with ThreadPoolExecutor(1) as beside:
        made = beside.submit(make_key, owner_url, *ALL_SCOPES, client="Tern Haven", person="bench-1")
        secret = made.result()
    with in_thread(Settings(database_url=service_url, warm_properties=False)) as (_, host, port):
        site = Site(f"http://{host}:{port}", secret, owner_url, service_url)
        with site.api() as api:
            for name, case in demo_cases().items():
                site.decisions[name] = api.post("/v1/classifications", json=case.case).json()["id"]
        yield site


def log_in(page, site: Site) -> None:
    """By the page for it, as a person would."""
    page.goto(f"{site.address}/login")
    page.get_by_label("Key").fill(site.secret)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(f"{site.address}/")


def places(site: Site) -> dict[str, str]:
    """The pages that are looked at and pictured, by a name for a file. A new page is added here."""
    return {
        "home": "/",
        "reports": "/decisions",
        "case": "/case",
        "docs": "/docs",
        "tables": "/tables",
        "table": "/tables/1",
        "table-cause": "/tables/1/causes/moisture",
        "table-finding": "/tables/1/findings/copper_plating?cause=moisture",
        "table-signs": "/tables/1/findings/bearing_surface_signs",
        "table-machines": "/tables/1/findings/valve_hold_test",
        "table-pattern": "/tables/1/findings/burn_after_mechanical_damage?cause=moisture",
        "table-limits": "/tables/1/limits",
        "table-remarks": "/tables/1/remarks",
        "table-dispute": "/tables/1/remarks/new?pointer=/findings/copper_plating/per_hundred/moisture",
        "table-backtests": "/tables/1/backtests",
        "figures": "/figures",
        "training": "/training",
        "training-case": f"/training/{next(iter(shipped_cases()))}",
        "links": f"/decisions/{next(iter(site.decisions.values()))}/links",
        **{f"report-{name}": f"/v1/decisions/{id_}" for name, id_ in site.decisions.items()},
    }
