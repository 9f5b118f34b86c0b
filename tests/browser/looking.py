"""What must hold of every page, in a real browser: it keeps to itself, anybody can read it, on anything."""

import io
import re
from collections import Counter
from functools import cache
from importlib.resources import files
from typing import Any, Literal
from urllib.parse import urlsplit

from playwright.sync_api import Page, ViewportSize
from pypdf import PdfReader

PHONE, DESK = ViewportSize(width=360, height=740), ViewportSize(width=1280, height=900)
SIGHTS: list[tuple[ViewportSize, Literal["light", "dark"]]] = [
    (DESK, "light"),
    (PHONE, "dark"),
    (PHONE, "light"),
]
ASIDE = "script, style, template, noscript, option, title, desc, [hidden], .skip, .top, .screen, .aloud"
"""What is not for paper: navigation, what can only be clicked (`screen`), what is only said (`aloud`)."""

WORDS_ON_THE_PAGE = """
(aside) => {
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  while (walk.nextNode())
    if (!walk.currentNode.parentElement.closest(aside)) found.push(walk.currentNode.data);
  return found.join(' ');
}
"""
# In print all is black or grey on white, and dark enough: 4.5 to 1, as WCAG has it for text.
FAINT_ON_PAPER = """
(aside) => {
  const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const at = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || at.closest(aside)) continue;
    const style = getComputedStyle(at), said = at.closest('svg') ? style.fill : style.color;
    const [r, g, b, a = 1] = (said.match(/[\\d.]+/g) || [0, 0, 0]).map(Number);
    const grey = 0.2126 * r + 0.7152 * g + 0.0722 * b;
    if (grey > 118 || a < 0.7) found.push(walk.currentNode.data.trim().slice(0, 60) + ': ' + said);
  }
  return found;
}
"""

SIDEWAYS = """
() => {
  const wide = document.documentElement.clientWidth, all = [...document.body.querySelectorAll('*')];
  if (document.documentElement.scrollWidth <= wide) return [];
  const over = all.filter(one => one.getBoundingClientRect().right > wide + 1 && !one.closest('.wide'));
  return ['scrolls sideways', ...over.slice(0, 10).map(one => one.outerHTML.slice(0, 120))];
}
"""


def watch(page: Page) -> list[str]:
    """Takes down, from now on, what a page says on the console, throws, or asks of another host."""
    seen: list[str] = []
    home: list[str] = []

    def asked(request: Any) -> None:
        url = urlsplit(request.url)
        if url.scheme in ("data", "blob", "about"):
            return
        home[:] = home or [url.netloc]
        if url.netloc != home[0]:
            seen.append(f"asked elsewhere: {request.url}")

    page.on("request", asked)
    page.on(
        "console",
        lambda said: seen.append(f"console: {said.text}") if said.type in ("error", "warning") else None,
    )
    page.on("pageerror", lambda error: seen.append(f"thrown: {error}"))
    return seen


def check_page(page: Page, path: str) -> None:
    """Opens a page and holds it to all of this; `page` comes from the fixture, logged in."""
    seen = watch(page)
    for size, scheme in SIGHTS:
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme, media="screen")
        page.goto(path)
        nothing(barriers(page), f"{path} at {size['width']} px, {scheme}")
        nothing(sideways(page), f"{path} at {size['width']} px")
    nothing(lost_on_paper(page), f"{path} on paper")
    nothing(seen, path)


def nothing(found: list[str], where: str) -> None:
    """Fails with all that was found."""
    assert not found, "\n".join([where, *found])


def sideways(page: Page) -> list[str]:
    """What makes a page scroll sideways."""
    return page.evaluate(SIDEWAYS)


@cache
def _axe() -> str:
    return files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")


def barriers(page: Page) -> list[str]:
    """What axe-core finds, WCAG 2.2 AA and its good practices: rule, and the first places."""
    page.evaluate(_axe())
    options = {"resultTypes": ["violations"], "rules": {"target-size": {"enabled": True}}}
    found = page.evaluate("options => axe.run(document, options)", options)
    return [
        f"{row['id']}: {row['help']}: " + " | ".join(node["html"][:160] for node in row["nodes"][:4])
        for row in found["violations"]
    ]


def lost_on_paper(page: Page) -> list[str]:
    """Words that stand on the page and not on its print in black and white, or too faintly for it."""
    page.emulate_media(media="print", color_scheme="light")
    faint = page.evaluate(FAINT_ON_PAPER, ASIDE)
    wanted = words(page.evaluate(WORDS_ON_THE_PAGE, ASIDE))
    printed = words(printed_text(page.pdf(format="A4", print_background=False)))
    page.emulate_media(media="screen")
    missing = [word for word, count in (wanted - printed).items() if count]
    # A word that was broken over two lines is there without its end.
    whole = "".join(printed.elements())
    return [f"faint: {one}" for one in faint] + [word for word in missing if word not in whole]


def words(text: str) -> Counter[str]:
    """The words of a text, letters and digits alone."""
    return Counter(set(re.findall(r"\w{2,}", text)))


def printed_text(pdf: bytes) -> str:
    """The text of a PDF, words put together again that were broken over lines."""
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]
    text = "\n".join(pages)
    return text + "\n" + re.sub(r"[-\u00ad]?\n", "", text)
