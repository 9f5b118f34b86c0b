"""From a case's readings and oil results to findings: worked out, judged by the rule table's limits, each
step shown.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import msgspec

from coldcase.core.answer import DerivedValue, Source
from coldcase.core.case import NO_RESULTS, Case, Readings
from coldcase.core.fitted_limits import FittedLimits
from coldcase.core.quantities import (
    Pressure,
    Range,
    SaturationExcess,
    Sent,
    Temperature,
    TemperatureDifference,
    given,
)
from coldcase.core.rule_table import RuleTable
from coldcase.readings import charges, cycle, electrical, laboratory, plant
from coldcase.readings.circuit import TOLERANCE
from coldcase.readings.implausible import doubt_implausible
from coldcase.readings.limits import JudgedQuantity, LimitJudge, rank
from coldcase.readings.ranges import at_ends, put_together
from coldcase.readings.refrigerants import library
from coldcase.readings.units import ICE_POINT, kelvins, kelvins_apart, pascals
from coldcase.readings.worksheet import QUANTITY_UNITS, DerivedQuantity, DetectionLimit, Worksheet, measured

# Readings that are a quantity as they are.
_RAW = {
    "discharge_temperature", "starts_per_hour", "run_hours", "starts_in_night", "days_in_service",
    "days_idle_before", "net_oil_pressure", "oil_temperature", "drier_pressure_drop",
    "drier_temperature_drop", "suction_filter_pressure_drop",
}  # fmt: skip
# Quantities that may be sent under their own name: all that a raw reading of another name yields.
_SENT_AS_SUCH = {name for name in Readings.__struct_fields__ if name in QUANTITY_UNITS and name not in _RAW}
# A quantity sent and the one worked out agree within this: absolute by unit, else relative [judgement].
_AGREE = {"K": 2.0, "degC": 2.0, "%": 0.5, "kPa": 3.0}
_AGREE_RELATIVE = 0.05


@dataclass(frozen=True, slots=True)
class Derivation:
    """What the readings of a case yield.

    `values` shows every quantity; `outcomes` holds, for each finding that was not also observed, the outcome,
    or several that could not be told apart; `properties` names the property library where it was used.
    """

    values: list[DerivedValue] = field(default_factory=list)
    outcomes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    properties: str | None = None


def derive(case: Case, table: RuleTable, limits: FittedLimits | None = None) -> Derivation:
    """Findings from readings and oil results by the table's limits, which are fitted anew where they are not
    at hand. The case holds nothing that `impossible` names.
    """
    result = Derivation()
    worksheets, properties = _worked_out(case, informs=True)
    if not worksheets:
        return result
    judge = LimitJudge(case, table, FittedLimits(table) if limits is None else limits)
    for source, worksheet in worksheets:
        _weigh(worksheet, judge, source, result)
    return (
        result
        if not properties
        else Derivation(result.values, result.outcomes, result.sources, result.notes, library())
    )


def derive_outcomes(
    case: Case, table: RuleTable, limits: FittedLimits
) -> dict[str, tuple[tuple[str, ...], Source]]:
    """The findings that `derive` yields, each with its outcomes and its source, and nothing of what it
    shows.
    """
    result = Derivation()
    worksheets, _ = _worked_out(case, informs=False)
    if worksheets:
        judge = LimitJudge(case, table, limits)
        for source, worksheet in worksheets:
            for worked in worksheet.values.values():
                for finding, outcomes in judge.outcomes_of(worked, worksheet.doubtful):
                    _keep_worse(result, judge, finding, outcomes, source)
    return {finding: (outcomes, result.sources[finding]) for finding, outcomes in result.outcomes.items()}


def outcomes_shown(values: Iterable[DerivedValue], table: RuleTable) -> dict[str, tuple[str, ...]]:
    """The findings of derived values as an answer shows them, each with its outcomes: those that
    `derive_outcomes` yields by the limits of that answer, whose outcomes the table has in the same order.
    """
    found: dict[str, tuple[str, ...]] = {}
    for value in values:
        if value.finding is None or value.outcome is None or value.superseded:
            continue
        outcomes = (value.outcome,) if isinstance(value.outcome, str) else tuple(value.outcome)
        known = found.get(value.finding)
        if known is None or rank(table, value.finding, outcomes) > rank(table, value.finding, known):
            found[value.finding] = outcomes
    return found


def _worked_out(case: Case, *, informs: bool) -> tuple[list[tuple[Source, Worksheet]], bool]:
    """What was worked out, by where it comes from, and whether the property library was used."""
    found: list[tuple[Source, Worksheet]] = []
    properties = False
    sent = given(case.readings)
    if sent or _installed_and_failed(case):
        ends = []
        for at_one_end in at_ends(case, sent):
            ends.append(Worksheet(informs=informs))
            properties = _metered(*at_one_end, ends[-1]) or properties
        found.append(("reading", put_together(ends)))
    if case.oil_results != NO_RESULTS:
        worksheet = Worksheet()
        laboratory.derive_oil_results(case, worksheet)
        found.append(("laboratory", worksheet))
    return found, properties


def _installed_and_failed(case: Case) -> bool:
    """Whether the dates say how long the machine had been in service."""
    return case.unit.installed_at is not None and case.job.failed_at is not None


def _metered(case: Case, sent: Sent, worksheet: Worksheet) -> bool:
    doubt_implausible(case.readings, sent, worksheet)
    properties = cycle.derive_cycle(case.readings, case.unit, worksheet)
    electrical.derive_electrical(case, worksheet)
    charges.derive_charges(case, worksheet)
    plant.derive_plant(case, worksheet)
    _take_sent(sent, worksheet)
    return properties


def _weigh(worksheet: Worksheet, judge: LimitJudge, source: Source, result: Derivation) -> None:
    """Judges what was worked out."""
    result.notes.extend(worksheet.notes)
    for worked in worksheet.values.values():
        for judged in judge.against_limits(worked, worksheet.doubtful):
            result.values.append(_beside_observation(judged, judge, result.notes))
            if judged.note is not None:
                result.notes.append(judged.note)
            finding = judged.value.finding
            if finding is None or not judged.outcomes or finding in judge.observed:
                continue
            _keep_worse(result, judge, finding, judged.outcomes, source)


def _keep_worse(
    result: Derivation, judge: LimitJudge, finding: str, outcomes: tuple[str, ...], source: Source
) -> None:
    """Of several quantities that yield one finding the worse outcome stays (the later in the table's
    order).
    """
    known = result.outcomes.get(finding)
    if known is None or rank(judge.table, finding, outcomes) > rank(judge.table, finding, known):
        result.outcomes[finding] = outcomes
        result.sources[finding] = source


def _beside_observation(judged: JudgedQuantity, judge: LimitJudge, notes: list[str]) -> DerivedValue:
    """The value, marked where its finding was also observed: then the observation stands, and a disagreement
    is named.
    """
    value = judged.value
    seen = judge.observed.get(value.finding or "")
    if seen is None or not judged.outcomes:
        return value
    if not seen.intersection(judged.outcomes):
        said, saw = " or ".join(judged.outcomes), " or ".join(sorted(seen))
        notes.append(
            f"{value.finding}: observed {saw}, but {value.quantity} {_shown(value)} says "
            f"{said}; the observation stands"
        )
    return msgspec.structs.replace(value, superseded=True)


def _shown(value: DerivedValue) -> str:
    upper = "" if value.to is None else f" to {value.to}"
    return f"{value.value}{upper} {value.unit}"


def _take_sent(members: Sent, worksheet: Worksheet) -> None:
    """Quantities that were sent take the place of what the raw readings yield; where the two disagree, both
    are named.
    """
    for name, sent in members:
        if name not in _SENT_AS_SUCH or (isinstance(sent, SaturationExcess) and sent.is_pressure):
            continue
        value, bound = _in_unit(sent)
        own = worksheet.values.get(name)
        if own is not None and bound is None and own.bound is None and not _agree(name, value, own.value):
            unit = QUANTITY_UNITS[name][0]
            worksheet.notes.append(
                f"{name}: {_short(value, name)} {unit} was sent, the readings give "
                f"{_short(own.value, name)} {unit}; the value sent counts"
            )
        worksheet.values[name] = DerivedQuantity(
            name, value, note="as sent", bound=bound, weighed=name not in _INFORMS
        )
        _below_saturation(name, value, worksheet)


_INFORMS = {"isentropic_discharge_temperature", "isentropic_efficiency", "polarization_index"}
_NOT_NEGATIVE = {
    "suction_superheat",
    "discharge_superheat",
    "sump_superheat",
    "condensing_over_entering",
    "subcooling",
}


def _below_saturation(name: str, value: float, worksheet: Worksheet) -> None:
    own = worksheet.values[name]
    if name in _NOT_NEGATIVE and value < 0:
        worksheet.values[name] = DerivedQuantity(
            name, max(value, 0.0) if value >= -TOLERANCE else value, (name,), own.note
        )
        if value < -TOLERANCE:
            worksheet.doubt([name], f"{name} {value:.1f} K cannot be: it starts at zero")
    elif name == "compression_ratio" and value < 1:
        worksheet.values[name] = DerivedQuantity(name, value, (name,), own.note)
        worksheet.doubt(
            [name], f"compression_ratio {value:g} cannot be: it starts at one (absolute pressures)"
        )


def _in_unit(
    sent: Temperature | TemperatureDifference | SaturationExcess | Pressure | Range | float | str,
) -> tuple[float, DetectionLimit | None]:
    match sent:
        case Temperature():
            return kelvins(sent) - ICE_POINT, None
        case TemperatureDifference() | SaturationExcess():
            return kelvins_apart(sent), None
        case Pressure():
            return pascals(sent, 0.0) / 1e3, None
        case _:
            return measured(sent)


def _agree(name: str, sent: float, worked: float) -> bool:
    unit = QUANTITY_UNITS[name][0]
    within = _AGREE.get(unit, _AGREE_RELATIVE * max(abs(sent), abs(worked)))
    return abs(sent - worked) <= within


def _short(value: float, name: str) -> str:
    return f"{round(value, QUANTITY_UNITS[name][1]):g}"
