"""Pictures: well formed, named for whoever cannot see them, within their bounds, and harmless whatever they
are told."""

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.web.pages import drawing
from coldcase.web.pages.differences import as_often
from coldcase.web.pages.drawing import CurvePoint, DotOf, ScalePart, Whisker
from coldcase.web.pages.table_frame import times

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '</text><script>alert("1")</script>&'
SHARES = st.floats(min_value=0, max_value=1)
LABELS = st.one_of(
    st.just(HOSTILE), st.text(st.characters(min_codepoint=32, max_codepoint=0xD7FF), max_size=60)
)


def read(markup) -> ET.Element:
    """The picture as XML; a page gives the namespace by being HTML."""
    return ET.fromstring(str(markup).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def check(markup) -> ET.Element:
    svg = read(markup)
    assert svg.get("role") == "img"
    named = [svg.find(f".//*[@id='{one}']").text for one in svg.get("aria-labelledby").split()]
    assert all(named)
    assert svg.find(f".//{SVG}script") is None
    assert "style=" not in str(markup)
    _, _, width, height = map(float, svg.get("viewBox").split())
    for mark in svg.iter():
        for name, most in (("cx", width), ("x", width), ("cy", height), ("y", height)):
            if mark.get(name) is not None:
                assert -0.1 <= float(mark.get(name)) <= most + 0.1, ET.tostring(mark)
    return svg


@given(st.lists(st.tuples(SHARES, LABELS, st.booleans()), max_size=60), SHARES)
def test_a_dot_stands_for_every_cause_and_one_is_a_ring(found, usual):
    points = [DotOf(share * 100, label, marked) for share, label, marked in found]
    svg = check(drawing.dots("dots", "Plating", points, usual * 100))
    circles = svg.findall(f".//{SVG}circle")
    assert len(circles) == len(points)
    assert sum(one.get("fill") == "none" for one in circles) == sum(point.marked for point in points)


@given(st.lists(st.tuples(LABELS, st.none() | st.tuples(SHARES, SHARES, SHARES)), min_size=1, max_size=12))
def test_an_interval_has_a_dot_between_its_ends(found):
    rows = [
        Whisker(label, "so many", *((None, None, None) if of is None else (sorted(of)[1], *sorted(of)[::2])))
        for label, of in found
    ]
    svg = check(drawing.whiskers("shares", "Causes", rows))
    assert len(svg.findall(f".//{SVG}circle")) == sum(of is not None for _, of in found)


@given(st.lists(st.tuples(SHARES, SHARES, SHARES, SHARES, st.integers(1, 10**6)), max_size=10))
def test_a_curve_has_a_point_and_its_count_for_each_bin(found):
    points = []
    for sure, *of, count in found:
        low, right, high = sorted(of)
        points.append(CurvePoint(sure, right, low, high, count))
    svg = check(drawing.curve("curve", "Stated and right", points))
    told = [one.text for one in svg.findall(f".//{SVG}text")]
    assert all(str(point.answers) in told for point in points)


@given(
    st.lists(
        st.tuples(LABELS, st.lists(st.integers(0, 10**6), min_size=1, max_size=60)), min_size=1, max_size=6
    )
)
def test_months_are_columns_of_one_scale(found):
    long = max(len(counts) for _, counts in found)
    rows = [(label, [*counts, *[0] * (long - len(counts))]) for label, counts in found]
    svg = check(drawing.months("months", "By month", rows, "2026-01", "2030-12"))
    heights = [float(one.get("height")) for one in svg.findall(f".//{SVG}rect")]
    assert len(heights) == sum(count > 0 for _, counts in rows for count in counts)
    assert all(height <= 24 for height in heights)


@given(st.lists(st.tuples(st.none() | st.floats(-1e6, 1e6), LABELS), min_size=1, max_size=5))
def test_a_scale_has_a_mark_where_each_part_ends(found):
    svg = check(drawing.scale("scale", "Superheat", [ScalePart(*part) for part in found]))
    marks = [one for one in svg.findall(f".//{SVG}path") if one.get("stroke-width") == "2"]
    assert len(marks) == sum(below is not None for below, _ in found)


def test_a_pair_is_for_the_eye_alone():
    svg = read(drawing.pair(32, 2.5))
    assert svg.get("aria-hidden") == "true"
    filled, outlined = svg.findall(f".//{SVG}rect")
    assert (float(filled.get("width")), float(outlined.get("width"))) == (64, 5)
    assert (filled.get("fill"), outlined.get("fill")) == ("currentColor", "none")


def test_no_picture_has_a_colour_of_its_own():
    pictures = [
        drawing.pair(1, 2),
        drawing.dots("a", "t", [DotOf(3, "x", marked=True)], 4),
        drawing.whiskers("b", "t", [Whisker("x", "1 of 2", 0.5, 0.1, 0.9)]),
        drawing.curve("c", "t", [CurvePoint(0.5, 0.5, 0.1, 0.9, 3)]),
        drawing.months("d", "t", [("x", [1, 0])], "2026-01", "2026-02"),
        drawing.scale("e", "t", [ScalePart(3, "low"), ScalePart(None, "high")]),
    ]
    painted = set(re.findall(r'(?:fill|stroke)="([^"]+)"', "".join(pictures)))
    assert painted == {"currentColor", "none"}


@pytest.mark.parametrize(
    ("here", "elsewhere", "said"),
    [
        (30, 30, "about as often"),
        (30, 20, "somewhat more often"),
        (20, 30, "somewhat less often"),
        (60, 20, "about 3 times as often"),
        (50, 20, "about 2.5 times as often"),
        (5, 40, "about 8 times less often"),
        (3, 0, "about 60 times as often"),
    ],
)
def test_two_shares_are_compared_as_one_would_in_the_head(here, elsewhere, said):
    assert times(here, elsewhere) == said


@pytest.mark.parametrize(
    ("decibans", "said"),
    [
        (None, ""),
        (0.0, "as often"),
        (10.0, "10 times as often"),
        (-10.0, "10 times less often"),
        (3.0, "2.0 times as often"),
    ],
)
def test_a_weight_is_told_as_how_often(decibans, said):
    assert as_often(decibans) == said
