"""Pictures for pages, drawn as SVG: no script, no asset, one colour, which is that of the text around them.

Each has a name and a description for whoever cannot see it, and stands beside a table that says the same in
numbers. What must be told apart differs by its shape or filling, so that it can be read in black and white.
Widths are for a phone: 320 units, of which a page makes no more than a column.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from markupsafe import Markup

WIDTH = 320
EDGE = 10
"""Room at both sides, so that what stands at an end of the scale is seen whole."""
SPAN = WIDTH - 2 * EDGE
LINE = 14
"""Height of a line of text."""
DOT = 3.2
TALLEST = 70
WIDEST_COLUMN = 40
TICKS = (0, 25, 50, 75, 100)


class DotOf(NamedTuple):
    """One point of a dot plot: its share of 100, whose it is, and whether it is the one in question."""

    share: float
    of: str
    marked: bool = False


class Whisker(NamedTuple):
    """A share with its interval, all of 1; None where nothing was counted. `said` is what stands above it."""

    label: str
    said: str
    share: float | None
    low: float | None
    high: float | None


class CurvePoint(NamedTuple):
    """Answers of about one confidence: how sure they were (of 1), how often right, and how many they are."""

    sure: float
    right: float
    low: float
    high: float
    answers: int


class ScalePart(NamedTuple):
    """One part of a line of numbers: where it ends (None: never), and what is said of it."""

    below: float | None
    says: str


def picture(name: str, title: str, about: str, height: float, inside: Iterable[Markup]) -> Markup:
    """An SVG picture; `name` is its id on the page."""
    return Markup(
        '<svg class="picture" role="img" aria-labelledby="{name}-t {name}-d" viewBox="0 0 {width} {height}">'
        '<title id="{name}-t">{title}</title><desc id="{name}-d">{about}</desc>{inside}</svg>'
    ).format(
        name=name,
        title=title,
        about=about,
        width=WIDTH,
        height=_short(height),
        inside=Markup("").join(inside),
    )


def pair(here: float, elsewhere: float) -> Markup:
    """Two shares of 100, one above the other: filled for the cause in question, an outline for others. The
    sentence beside it says the same, so it is hidden from whoever listens.
    """
    bars = [
        Markup('<rect x="0" y="{y}" width="{width}" height="6" {fill}/>').format(
            y=y, width=_short(max(share, 0.4) * 2), fill=fill
        )
        for y, share, fill in (
            (1, here, Markup('fill="currentColor"')),
            (10, elsewhere, Markup('fill="none" stroke="currentColor"')),
        )
    ]
    return Markup(
        '<svg class="pair" aria-hidden="true" viewBox="-1 0 202 17"><path d="M0 0V17M200 0V17" '
        'stroke="currentColor" opacity=".35"/>{}</svg>'
    ).format(Markup("").join(bars))


def dots(name: str, title: str, points: Sequence[DotOf], usual: float) -> Markup:
    """Every cause as a dot over its share of 100, dots of like shares upon each other; the dashed line is
    what others show.
    """
    piles: dict[int, list[DotOf]] = {}
    for point in points:
        piles.setdefault(round(point.share / 2), []).append(point)
    tallest = max((len(pile) for pile in piles.values()), default=1)
    # Dots of a tall pile cover each other in part: pictures stay of one height or so.
    apart = min(2 * DOT, TALLEST / tallest)
    floor = tallest * apart + 2 * DOT + LINE
    inside = [_axis(floor)]
    for place, pile in sorted(piles.items()):
        inside += [
            Markup('<circle cx="{x}" cy="{y}" r="{r}" {fill}><title>{of}: {share}</title></circle>').format(
                x=_x(min(place * 2, 100) / 100),
                y=_short(floor - DOT - 1 - up * apart),
                r=DOT + 1 if point.marked else DOT - 0.4,
                fill=Markup('fill="currentColor"')
                if not point.marked
                else Markup('fill="none" stroke="currentColor" stroke-width="2"'),
                of=point.of,
                share=_short(point.share),
            )
            # The one in question on top, where it can be seen.
            for up, point in enumerate(sorted(pile, key=lambda point: (point.marked, point.of)))
        ]
    inside.append(_usual(usual, floor))
    most = ", ".join(f"{point.of} {_short(point.share)}" for point in sorted(points, reverse=True)[:3])
    about = f"{len(points)} causes by how many of 100 failures show it, others {_short(usual)}. Most: {most}."
    return picture(name, title, about, floor + LINE + 4, inside)


def _usual(usual: float, floor: float) -> Markup:
    at, side = _x(usual / 100), "end" if usual > 60 else "start"
    near = _short(float(at) + (-4 if side == "end" else 4))
    line = Markup(
        '<path d="M{x} 2V{floor}" stroke="currentColor" stroke-dasharray="3 2" stroke-width="1.5"/>'
    )
    return line.format(x=at, floor=_short(floor)) + _text(near, 11, f"others {_short(usual)}", side)


def _axis(floor: float) -> Markup:
    """The scale of 0 to 100 below a picture."""
    ticks = [
        Markup('<path d="M{x} {y}v4" stroke="currentColor"/>').format(x=_x(tick / 100), y=_short(floor))
        + _text(_x(tick / 100), floor + LINE + 1, tick, "middle")
        for tick in TICKS
    ]
    line = Markup('<path d="M{a} {y}H{b}" stroke="currentColor"/>').format(
        a=EDGE, b=WIDTH - EDGE, y=_short(floor)
    )
    return line + Markup("").join(ticks)


def whiskers(name: str, title: str, rows: Sequence[Whisker]) -> Markup:
    """Shares with their intervals, one below the other on one scale of 0 to 100; the label stands above."""
    inside: list[Markup] = []
    step = 2 * LINE + 6
    for row, whisker in enumerate(rows):
        top = row * step
        inside.append(_both_ends(top + LINE - 2, _cut(whisker.label), whisker.said))
        inside.append(_whisker(whisker, top + LINE + 6))
    about = "; ".join(f"{row.label}: {row.said}" for row in rows)
    return picture(name, title, about, len(rows) * step + LINE + 6, [*inside, _axis(len(rows) * step)])


def _whisker(of: Whisker, y: float) -> Markup:
    line = Markup('<path d="M{a} {y}H{b}" stroke="currentColor" opacity=".25"/>').format(
        a=EDGE, b=WIDTH - EDGE, y=y
    )
    if of.share is None or of.low is None or of.high is None:
        return line
    return line + Markup(
        '<path d="M{low} {y}H{high}M{low} {top}v6M{high} {top}v6" stroke="currentColor" fill="none"/>'
        '<circle cx="{x}" cy="{y}" r="4" fill="currentColor"/>'
    ).format(low=_x(of.low), high=_x(of.high), x=_x(of.share), y=y, top=y - 3)


def curve(name: str, title: str, points: Sequence[CurvePoint]) -> Markup:
    """How sure answers were against how often they were right. On the dashed line both are the same."""
    floor = float(SPAN + EDGE)
    inside = [
        _axis(floor),
        Markup(
            '<path d="M{a} {floor}V{top}" stroke="currentColor"/>'
            '<path d="M{a} {floor}L{b} {top}" stroke="currentColor" stroke-dasharray="5 4" opacity=".6"/>'
        ).format(a=EDGE, b=WIDTH - EDGE, floor=_short(floor), top=EDGE),
        _text(EDGE + 6, EDGE + 8, "right, of 100"),
        _text(WIDTH - EDGE, floor - 6, "stated, of 100", "end"),
    ]
    for point in points:
        x, (right, low, high) = _x(point.sure), (_y(y, floor) for y in (point.right, point.low, point.high))
        inside.append(
            Markup(
                '<path d="M{x} {low}V{high}" stroke="currentColor"/>'
                '<circle cx="{x}" cy="{y}" r="4" fill="currentColor"/>'
            ).format(x=x, y=right, low=low, high=high)
        )
        near, side = (-7, "end") if point.sure > 0.9 else (7, "start")
        # Not on the scale's own line.
        height = float(right) + (4 if point.right > 0.05 else -6)
        inside.append(_text(_short(float(x) + near), height, point.answers, side))
    about = "; ".join(
        f"stated {point.sure:.0%}, right {point.right:.0%} of {point.answers}"
        f" ({point.low:.0%} to {point.high:.0%})"
        for point in points
    )
    return picture(name, title, about or "Nothing counted.", floor + LINE + 4, inside)


def months(name: str, title: str, rows: Sequence[tuple[str, Sequence[int]]], first: str, last: str) -> Markup:
    """Counts by month, a row for each cause, all on one scale; `first` and `last` name the ends of time."""
    tallest = max((count for _, counts in rows for count in counts), default=0) or 1
    inside: list[Markup] = []
    step, high = 46, 24
    for row, (label, counts) in enumerate(rows):
        foot, wide = row * step + LINE + high + 2, min(SPAN / max(len(counts), 1), WIDEST_COLUMN)
        bars = [
            Markup('<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="currentColor"/>').format(
                x=_short(EDGE + place * wide + wide * 0.1),
                y=_short(foot - count / tallest * high),
                w=_short(wide * 0.8),
                h=_short(count / tallest * high),
            )
            for place, count in enumerate(counts)
            if count
        ]
        inside.append(_both_ends(row * step + LINE - 3, _cut(label), sum(counts)))
        line = Markup('<path d="M{} {y}H{}" stroke="currentColor"/>').format(EDGE, WIDTH - EDGE, y=foot)
        inside += [*bars, line]
    inside.append(_both_ends(len(rows) * step + LINE - 2, first, last))
    about = f"By month, {first} to {last}. " + "; ".join(f"{label}: {sum(counts)}" for label, counts in rows)
    return picture(
        name, title, f"{about}. The highest column is {tallest}.", len(rows) * step + LINE + 4, inside
    )


def scale(name: str, title: str, parts: Sequence[ScalePart]) -> Markup:
    """A line of numbers cut into its parts, each as wide as the next: what matters is where one ends."""
    wide = SPAN / len(parts)
    inside = [Markup('<path d="M{} 26H{}" stroke="currentColor"/>').format(EDGE, WIDTH - EDGE)]
    for place, part in enumerate(parts):
        middle = _short(EDGE + (place + 0.5) * wide)
        inside.append(_text(middle, 20, _cut(part.says, int(wide / 6)), "middle"))
        if part.below is not None:
            x = _short(EDGE + (place + 1) * wide)
            inside.append(
                Markup('<path d="M{x} 20v12" stroke="currentColor" stroke-width="2"/>').format(x=x)
                + _text(x, 44, f"{part.below:g}", "middle")
            )
    about = "; ".join(
        f"{part.says} below {part.below:g}" if part.below is not None else f"else {part.says}"
        for part in parts
    )
    return picture(name, title, about, 50, inside)


def _text(x: str | float, y: float, says: str | int, anchor: str = "start") -> Markup:
    return Markup('<text x="{}" y="{}" text-anchor="{}">{}</text>').format(x, _short(y), anchor, says)


def _both_ends(y: float, one: str, other: str | int) -> Markup:
    """Two texts of a line, at its ends."""
    return _text(EDGE, y, one) + _text(WIDTH - EDGE, y, other, "end")


def _x(share: float) -> str:
    return _short(EDGE + share * SPAN)


def _y(share: float, floor: float) -> str:
    return _short(floor - share * SPAN)


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _cut(label: str, most: int = 38) -> str:
    """A label that fits; the whole of it stands in the table."""
    return label if len(label) <= most else f"{label[: most - 1].rstrip()}…"
