"""`python -m tests.browser.pictures DIR [NAME …]`: pictures of every page, at a desk, in the dark and on a
telephone, and as a PDF on A4; of the pages whose name begins so, or of all."""

import sys
from pathlib import Path

from coldcase.db import embedded, migrating
from tests.browser.chromium import MISSING, chromium, chromium_path
from tests.browser.looking import DESK, PHONE
from tests.browser.site import log_in, places, serving_demo

SIGHTS = {
    "desk": (DESK, "light"),
    "dark": (DESK, "dark"),
    "phone": (PHONE, "light"),
}


def main(folder: Path, *begins: str) -> int:
    if chromium_path() is None:
        print(MISSING)
        return 1
    folder.mkdir(parents=True, exist_ok=True)
    with embedded.temporary(fsync="off") as server:
        migrating.upgrade(server.owner_url)
        with serving_demo(server.owner_url, server.service_url) as site, chromium() as browser:
            page = browser.new_context(base_url=site.address).new_page()
            page.goto("/login")
            page.screenshot(path=folder / "login-desk.png")
            log_in(page, site)
            for name, path in places(site).items():
                if begins and not name.startswith(begins):
                    continue
                picture(page, path, folder / name)
                print(name)
    return 0


def picture(page, path: str, to: Path) -> None:
    for sight, (size, scheme) in SIGHTS.items():
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme, media="screen")
        page.goto(path)
        page.screenshot(path=f"{to}-{sight}.png", full_page=True)
    page.emulate_media(color_scheme="light", media="print")
    page.pdf(path=f"{to}.pdf", format="A4", print_background=False)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:]))
