import pytest
from hypothesis import given
from hypothesis import strategies as st

from coldcase.readings.iso3448 import MIDPOINTS
from coldcase.readings.iso4406 import BEYOND, SCALE_LIMITS, ParticleCode, parse_code, scale_number

# ISO 4406, table 1, as printed: scale number, more than, up to and including (particles per mL).
TABLE = [
    (0, 0.00, 0.01), (1, 0.01, 0.02), (2, 0.02, 0.04), (3, 0.04, 0.08), (4, 0.08, 0.16), (5, 0.16, 0.32), (6,
    0.32, 0.64),
    (7, 0.64, 1.3), (8, 1.3, 2.5), (9, 2.5, 5), (10, 5, 10), (11, 10, 20), (12, 20, 40), (13, 40, 80), (14,
    80, 160),
    (15, 160, 320), (16, 320, 640), (17, 640, 1300), (18, 1300, 2500), (19, 2500, 5000), (20, 5000, 10000),
    (21, 10000, 20000),
    (22, 20000, 40000), (23, 40000, 80000), (24, 80000, 160000), (25, 160000, 320000), (26, 320000, 640000),
    (27, 640000, 1300000), (28, 1300000, 2500000),
]  # fmt: skip


@pytest.mark.parametrize(("number", "above", "up_to"), TABLE)
def test_scale_numbers_and_their_edges(number, above, up_to):
    assert scale_number(up_to) == number
    assert scale_number((above + up_to) / 2) == number
    assert scale_number(up_to * 1.0001) == number + 1
    assert SCALE_LIMITS[number] == up_to


def test_the_ends_of_the_scale():
    assert scale_number(0) == 0
    assert scale_number(2_500_001) == BEYOND
    with pytest.raises(ValueError, match="negative"):
        scale_number(-1)
    with pytest.raises(ValueError, match="negative"):
        scale_number(float("nan"))


@pytest.mark.parametrize(
    ("text", "numbers", "few"),
    [
        ("20/18/15", (20, 18, 15), (False, False, False)),
        ("14/12/>=7", (14, 12, 7), (False, False, True)),  # printed so in ISO 4406: fewer than 20 raw counts
        ("14/12/≥7", (14, 12, 7), (False, False, True)),
        ("-/15/12", (None, 15, 12), (False, False, False)),
        ("15/12", (None, 15, 12), (False, False, False)),
        (">28/25/21", (29, 25, 21), (False, False, False)),
        (" 20 / 18 / 15 ", (20, 18, 15), (False, False, False)),
        ("0/0/0", (0, 0, 0), (False, False, False)),
    ],
)
def test_codes_as_laboratories_print_them(text, numbers, few):
    code = parse_code(text)
    assert code is not None
    assert (code.numbers, code.few) == (numbers, few)


@pytest.mark.parametrize(
    "text",
    [
        "18/20/15",
        "20/18/19",
        "29/18/15",
        "20",
        "20/18/15/10",
        "a/b/c",
        "",
        "20/-/15",
        ">27/20/10",
        "-1/0/0",
        "20.5/18/15",
        "-/-/15",
    ],
)
def test_what_is_no_code(text):
    assert parse_code(text) is None


@given(
    st.lists(st.floats(0, 1e7), min_size=3, max_size=3).map(
        lambda counts: tuple(sorted(counts, reverse=True))
    )
)
def test_every_code_of_counts_reads_back(counts):
    at_4, at_6, at_14 = (scale_number(count) for count in counts)
    code = ParticleCode((at_4, at_6, at_14), (False, False, False))
    assert parse_code(str(code)) == code


@given(st.floats(0, 1e8), st.floats(0, 1e8))
def test_scale_numbers_rise_with_the_count(one, other):
    assert (scale_number(one) <= scale_number(other)) or one > other


# ISO 3448 as printed: grade, least and most mm2/s at 40 degC.
GRADES = [
    (2, 2.0, 2.4), (3, 2.9, 3.5), (5, 4.1, 5.1), (7, 6.1, 7.5), (10, 9.0, 11.0), (15, 13.5, 16.5), (22, 19.8,
    24.2),
    (32, 28.8, 35.2), (46, 41.4, 50.6), (68, 61.2, 74.8), (100, 90, 110), (150, 135, 165), (220, 198, 242),
    (320, 288, 352),
    (460, 414, 506), (680, 612, 748), (1000, 900, 1100), (1500, 1350, 1650), (2200, 1980, 2420), (3200, 2880,
    3520),
]  # fmt: skip


@pytest.mark.parametrize(("grade", "least", "most"), GRADES)
def test_a_midpoint_has_its_grade_s_ends_ten_per_cent_away(grade, least, most):
    # The table prints its ends to two or three digits.
    places = 1 if MIDPOINTS[grade] < 10 else 6
    assert round(0.9 * MIDPOINTS[grade], places) == least
    assert round(1.1 * MIDPOINTS[grade], places) == most


def test_the_midpoints_of_the_thin_grades_are_not_their_numbers():
    assert [MIDPOINTS[grade] for grade in (2, 3, 5, 7)] == [2.2, 3.2, 4.6, 6.8]
    assert len(MIDPOINTS) == len(GRADES)
