"""A browser that is logged in at a service of the module's own, with the demo cases on record."""

from collections.abc import Iterator

import pytest

from tests.browser.chromium import MISSING, chromium, chromium_path
from tests.browser.site import Site, log_in, serving_demo


@pytest.fixture(scope="module")
def site(make_database, _begun) -> Iterator[Site]:
    database = make_database(_begun)
    with serving_demo(database.owner_url, database.service_url) as running:
        yield running


# Of a module, not of the whole run: Playwright keeps an event loop going in this thread, and tests of the
# service beside it need one of their own.
@pytest.fixture(scope="module")
def browser():
    if chromium_path() is None:
        pytest.skip(MISSING)
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def logged_in(browser, site):
    context = browser.new_context(base_url=site.address)
    page = context.new_page()
    log_in(page, site)
    state = context.storage_state()
    context.close()
    return state


@pytest.fixture
def page(browser, site, logged_in):
    """A page of a person who is logged in."""
    context = browser.new_context(base_url=site.address, storage_state=logged_in)
    yield context.new_page()
    context.close()


@pytest.fixture
def plain_page(browser, site, logged_in):
    """The same in a browser that runs no scripts."""
    context = browser.new_context(base_url=site.address, storage_state=logged_in, java_script_enabled=False)
    yield context.new_page()
    context.close()


@pytest.fixture
def stranger(browser, site):
    """A page of somebody who has not logged in."""
    context = browser.new_context(base_url=site.address)
    yield context.new_page()
    context.close()
