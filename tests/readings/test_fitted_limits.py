"""Limits that were fitted to a kind of machine once say what they say when each is asked for one case."""

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from coldcase.core import conditions
from coldcase.core.case import Case
from coldcase.core.fitted_limits import MOST_KINDS, FittedLimits
from coldcase.core.rule_table import Condition, Limit, RuleTable, When
from coldcase.core.signs import taken_apart
from coldcase.readings.findings import derive
from coldcase.readings.limits import LimitJudge
from coldcase.readings.worksheet import DerivedQuantity
from tests.core.tables import MACHINES, modest, starter

apart = taken_apart(starter())
fitted = FittedLimits(apart)
medium = st.sampled_from([None, "R-134a", "R-717", "R-744", "R-32", "of their own"])
lubricants = st.sampled_from([None, "POE", "mineral", "AB"])
units = st.builds(
    lambda machine, more: machine | {name: value for name, value in more.items() if value is not None},
    st.sampled_from(MACHINES),
    st.fixed_dictionaries({"refrigerant": medium, "lubricant": lubricants, "application": st.none()}),
)


def case_of(unit: dict[str, str], **observations: str) -> Case:
    return msgspec.convert({"unit": unit, "observations": observations}, Case)


@st.composite
def near_a_limit(draw: st.DrawFn) -> DerivedQuantity:
    limit = draw(st.sampled_from([limit for limit in apart.limits if limit.bands[0].below is not None]))
    edges = [band.below for band in limit.bands if band.below is not None]
    beside = draw(st.sampled_from([0.0, 1e-10, -1e-10, 1e-6, -1e-6, 1.0, -1.0]))
    return DerivedQuantity(limit.quantity, draw(st.sampled_from(edges)) + beside)


@modest
@given(units, near_a_limit())
def test_a_value_in_a_band_yields_what_the_rows_of_the_table_say(
    unit: dict[str, str], worked: DerivedQuantity
) -> None:
    case = case_of(unit)
    # A range of no width is judged band by band.
    as_range = msgspec.structs.replace(worked, upper=worked.value)
    judge = LimitJudge(case, apart, fitted)
    plain, whole = (
        [(one.outcomes, one.value.finding, one.value.limit) for one in judge.against_limits(each, set())]
        for each in (worked, as_range)
    )
    assert plain == whole
    first: dict[str, Limit] = {}
    for limit in apart.limits:
        if limit.quantity == worked.quantity and conditions.applies(limit.when, case, {}, apart):
            first.setdefault(limit.finding, limit)
    assert [finding for _, finding, limit in plain if limit] == [finding for finding in first if plain[0][2]]


def table_where(condition: Condition) -> RuleTable:
    """The starter table with a stricter superheat where something was seen."""
    general = next(
        one for one in starter().limits if one.quantity == "suction_superheat" and one.when == When()
    )
    bands = [msgspec.structs.replace(band, below=band.below and band.below + 10) for band in general.bands]
    stricter = msgspec.structs.replace(general, bands=bands, when=When(observed=condition))
    return msgspec.structs.replace(starter(), limits=[stricter, *starter().limits])


def test_a_limit_that_asks_what_was_observed_is_asked_for_each_case() -> None:
    seen = Condition(finding="oil_smell", outcomes=["faint"])
    table = taken_apart(table_where(seen))
    limits = FittedLimits(table)
    unit = {"compressor_type": "scroll", "motor": "three_phase"}
    readings = {"suction_superheat": {"value": 7, "unit": "K"}}
    said = []
    for observations in ({}, {"oil_smell": "faint"}, {"oil_smell": "none"}):
        case = msgspec.convert({"unit": unit, "observations": observations, "readings": readings}, Case)
        [value] = derive(case, table, limits).values
        said.append(value.outcome)
    assert said[0] == said[2] != said[1]


def test_no_more_kinds_of_machines_are_kept_than_so_many() -> None:
    limits = FittedLimits(apart)
    kept = {
        id(limits.on(case_of({"compressor_type": "scroll", "motor": "three_phase", "refrigerant": f"X-{n}"})))
        for n in range(MOST_KINDS + 10)
    }
    assert kept
    assert len(limits._kinds) <= MOST_KINDS


def test_a_limit_on_a_finding_that_the_machine_cannot_have_says_so() -> None:
    case = msgspec.convert(
        {
            "unit": {"compressor_type": "scroll", "motor": "three_phase"},
            "readings": {"capacitor": {"rated_uf": 40, "measured_uf": 20}},
        },
        Case,
    )
    notes = [value.note or "" for value in derive(case, apart, fitted).values]
    assert any("cannot be on this machine" in note for note in notes), notes
