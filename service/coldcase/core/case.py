"""The case: what a caller sends about one failed compressor, as frozen values with their limits."""

from datetime import date, datetime
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import Meta

from coldcase.core.labels import LABEL, UNSEEN
from coldcase.core.quantities import (
    Amount,
    Mass,
    Positive,
    Pressure,
    PressureDifference,
    Range,
    SaturationExcess,
    Spread,
    Temperature,
    TemperatureDifference,
)

CompressorType = Literal["scroll", "rotary", "reciprocating", "screw", "unknown"]
Motor = Literal["three_phase", "single_phase", "inverter", "permanent_magnet", "unknown"]
"""`inverter` is an induction motor on a drive, or a motor on a drive of which no more is known;
`permanent_magnet` is always on a drive.
"""
WindingConnection = Literal["star", "delta", "part_winding", "star_delta_start", "single_phase", "unknown"]
Hermeticity = Literal["hermetic", "semi_hermetic"]
Lubricant = Literal["POE", "PVE", "PAG", "PAO", "AB", "mineral", "unknown"]
Condenser = Literal["air", "water", "evaporative"]
CondenserAsOnceSpelled = Literal["air_cooled", "water_cooled"]
Known = Literal["seen", "measured", "told", "assumed"]
"""How a finding is known; what is not said is taken as seen."""
Application = Literal[
    "air_conditioning", "high_temperature", "medium_temperature", "low_temperature", "heat_pump", "chiller"
]

# `(?!\n)` because `$` also matches before a final newline; control characters (NUL above all) are refused by
# PostgreSQL or by readers, and what ends a line for some readers would tear the lines of an export.
Code = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]{0,63}$(?!\n)")]
Label = Annotated[str, Meta(min_length=1, max_length=200, pattern=LABEL)]
Text = Annotated[str, Meta(max_length=2000, pattern=r"^[^\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029]*$(?!\n)")]
Bound = Annotated[
    str,
    Meta(
        pattern=r"^[<>] ?[0-9]{1,12}(\.[0-9]{1,12})?$(?!\n)", description='a detection limit, "<5" or ">1000"'
    ),
]
Measured = Positive | Bound


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class Job(_Part, frozen=True, kw_only=True):
    """The job that closed: its reference, when the machine failed, when the job closed, on which circuit.

    `site` and `note` are kept and shown, never weighed.
    """

    ref: Label | None = None
    closed_at: Annotated[datetime, Meta(tz=True)] | None = None
    failed_at: Annotated[datetime, Meta(tz=True)] | None = None
    circuit: Label | None = None
    site: Label | None = None
    note: Text | None = None


class Unit(_Part, frozen=True, kw_only=True):
    """The compressor. `compressor_type` and `motor` may be `unknown`; then nothing is ruled out by them.

    `make`, `model` and `serial` are kept and shown, never weighed.
    """

    compressor_type: CompressorType
    motor: Motor
    ref: Label | None = None
    make: Label | None = None
    model: Label | None = None
    serial: Label | None = None
    hermeticity: Hermeticity | None = None
    winding_connection: WindingConnection | None = None
    refrigerant: Label | None = None
    lubricant: Lubricant | None = None
    viscosity_grade: Annotated[int, Meta(ge=1, le=5000)] | None = None
    application: Application | None = None
    condenser: Condenser | CondenserAsOnceSpelled | None = None
    oil_charge: Amount | None = None
    refrigerant_charge: Mass | None = None
    rated_voltage_v: Annotated[float, Meta(gt=0, le=100_000)] | None = None
    rated_current_a: Annotated[float, Meta(gt=0, le=100_000)] | None = None
    rated_frequency_hz: Annotated[float, Meta(gt=0, le=1000)] | None = None
    rated_control_voltage_v: Annotated[float, Meta(gt=0, le=1000)] | None = None
    compressors_on_circuit: Annotated[int, Meta(ge=1, le=1000)] | None = None
    installed_at: date | None = None


UNIT_LABELS = ("ref", "make", "model", "serial")
"""Members of the unit that are never weighed."""


class Opening(_Part, frozen=True, kw_only=True):
    """How the shell was opened and the oil taken: how far the evidence can be trusted."""

    method: (
        Literal["not_opened", "unbolted", "rolling_cutter", "saw", "grinder", "plasma", "torch"] | None
    ) = None
    oil: Literal["measured", "drained_unmeasured", "spilled", "topped_up_after_failure"] | None = None
    left_open: Literal["no", "days", "weeks"] | None = None
    cleaned_before: bool | None = None
    oil_sample: Literal["sealed", "kept", "open"] | None = None
    oil_changed_before_sample: bool | None = None
    drier_changed_before_sample: bool | None = None
    seen: Literal["parts", "photos_only"] | None = None
    high_voltage_test_in_vacuum: bool | None = None


class Insulation(_Part, frozen=True, kw_only=True):
    """An insulation test: resistances in megohm (a number, a bound or a range), test voltage in V."""

    resistance_megohm: Measured | Range | None = None
    winding_temperature: Temperature | None = None
    test_voltage_v: Positive | None = None
    one_minute_megohm: Measured | None = None
    ten_minute_megohm: Measured | None = None
    phase_to_phase_megohm: Measured | None = None


class Capacitor(_Part, frozen=True, kw_only=True):
    """A start or run capacitor, in microfarad; a run capacitor has the narrower tolerance."""

    kind: Literal["start", "run"] | None = None
    rated_uf: Annotated[float, Meta(gt=0, le=1e6)] | None = None
    measured_uf: Annotated[float, Meta(ge=0, le=1e6)] | None = None


# A range for line values says that all of them lie in it.
Lines = Positive | Annotated[list[Positive], Meta(min_length=1, max_length=3)] | Range


class Readings(_Part, frozen=True, kw_only=True):
    """Readings at the machine, raw or (second block) as quantities that the technician already worked out.

    A range is judged only where all of it is judged alike.
    """

    suction_pressure: Pressure | None = None
    suction_temperature: Temperature | None = None
    discharge_pressure: Pressure | None = None
    discharge_temperature: Temperature | None = None
    liquid_pressure: Pressure | None = None
    liquid_temperature: Temperature | None = None
    entering_medium_temperature: Temperature | None = None
    sump_temperature: Temperature | None = None
    standing_pressure: Pressure | None = None
    standing_temperature: Temperature | None = None
    altitude_m: Annotated[float, Meta(ge=-500, le=9000)] | None = None
    barometric_pressure: Pressure | None = None
    line_voltages_v: Lines | None = None
    line_currents_a: Lines | None = None
    start_voltage_v: Spread | None = None
    winding_resistances_ohm: Annotated[list[Positive], Meta(min_length=1, max_length=3)] | None = None
    plate_resistance_ohm: Spread | None = None
    winding_temperature: Temperature | None = None
    insulation: Insulation | None = None
    capacitor: Capacitor | None = None
    shaft_voltage_v: Spread | None = None
    oil_drained: Amount | None = None
    recovered_charge: Mass | None = None
    starts_per_hour: Spread | None = None
    run_hours: Spread | None = None
    starts_in_night: Spread | None = None
    days_in_service: Spread | None = None
    days_idle_before: Spread | None = None
    net_oil_pressure: PressureDifference | None = None
    oil_temperature: Temperature | None = None
    pole_voltage_drop_mv: Lines | None = None
    contact_resistance_mohm: Lines | None = None
    supply_frequency_hz: Spread | None = None
    control_voltage_v: Spread | None = None
    drier_pressure_drop: PressureDifference | None = None
    drier_temperature_drop: TemperatureDifference | None = None
    suction_filter_pressure_drop: PressureDifference | None = None
    vibration_mm_s: Spread | None = None

    saturated_suction_temperature: Temperature | None = None
    condensing_temperature: Temperature | None = None
    suction_superheat: TemperatureDifference | None = None
    compression_ratio: Spread | None = None
    discharge_superheat: TemperatureDifference | None = None
    isentropic_discharge_temperature: Temperature | None = None
    isentropic_efficiency: Spread | None = None
    subcooling: TemperatureDifference | None = None
    condensing_over_entering: TemperatureDifference | None = None
    sump_superheat: TemperatureDifference | None = None
    standing_pressure_excess: SaturationExcess | None = None
    ambient_pressure: Pressure | None = None
    voltage_unbalance: Spread | None = None
    current_unbalance: Spread | None = None
    voltage_to_rating: Spread | None = None
    current_to_rating: Spread | None = None
    start_voltage_to_rating: Spread | None = None
    winding_unbalance: Spread | None = None
    winding_identity_error: Spread | None = None
    insulation_at_40c: Measured | Range | None = None
    polarization_index: Spread | None = None
    capacitor_to_rating: Spread | None = None
    shaft_voltage: Spread | None = None
    oil_to_charge: Spread | None = None
    refrigerant_to_charge: Spread | None = None


class OilResults(_Part, frozen=True, kw_only=True):
    """A laboratory report on the oil. `…_mg_l` members need `density_kg_l`; a string is a detection limit.

    `viscosity_mm2_s` is that at `viscosity_temperature`; `fresh_…` are the unused oil's own values.
    """

    water_mg_kg: Measured | None = None
    acid_number_mg_koh_g: Measured | None = None
    iron_mg_kg: Measured | None = None
    copper_mg_kg: Measured | None = None
    aluminium_mg_kg: Measured | None = None
    tin_mg_kg: Measured | None = None
    lead_mg_kg: Measured | None = None
    silicon_mg_kg: Measured | None = None
    zinc_mg_kg: Measured | None = None
    chromium_mg_kg: Measured | None = None
    water_mg_l: Measured | None = None
    iron_mg_l: Measured | None = None
    copper_mg_l: Measured | None = None
    aluminium_mg_l: Measured | None = None
    tin_mg_l: Measured | None = None
    lead_mg_l: Measured | None = None
    silicon_mg_l: Measured | None = None
    zinc_mg_l: Measured | None = None
    chromium_mg_l: Measured | None = None
    water_percent: Measured | None = None
    viscosity_40c_mm2_s: Measured | None = None
    viscosity_100c_mm2_s: Measured | None = None
    viscosity_mm2_s: Measured | None = None
    viscosity_temperature: Temperature | None = None
    fresh_acid_number_mg_koh_g: Measured | None = None
    fresh_viscosity_40c_mm2_s: Annotated[float, Meta(gt=0, le=1e6)] | None = None
    particle_count_iso4406: Annotated[str, Meta(max_length=40, pattern=rf"^[^{UNSEEN}]*$(?!\n)")] | None = (
        None
    )
    refrigerant_in_oil_percent: Measured | None = None
    foreign_oil_percent: Measured | None = None
    density_kg_l: Annotated[float, Meta(ge=0.5, le=2)] | None = None
    sampled_at: Annotated[datetime, Meta(tz=True)] | None = None


NO_READINGS = Readings()
NO_RESULTS = OilResults()


class Exhibit(_Part, frozen=True, kw_only=True):
    """A picture or document kept beside the case: shown, never weighed."""

    uri: Annotated[str, Meta(min_length=1, max_length=2000, pattern=rf"^[^\x20{UNSEEN}]+$(?!\n)")]
    sha256: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}$(?!\n)")] | None = None
    finding: Code | None = None
    caption: Text | None = None


# The pattern is in the schema only: in msgspec 0.22 a union of a checked pattern and a list frees the wrong
# memory. An outcome is looked up in the rule table anyway.
_Outcome = Annotated[str, Meta(extra_json_schema={"pattern": "^[a-z][a-z0-9_]{0,63}$"})]
_Outcomes = Annotated[list[_Outcome], Meta(min_length=1, max_length=20)]


class Disputed(_Part, frozen=True, kw_only=True):
    """What somebody else says of the same finding: kept and shown, never weighed."""

    outcome: _Outcome | _Outcomes
    by: Label | None = None
    known: Known | None = None


class ObservationDetail(_Part, frozen=True, kw_only=True):
    """An observation that says more than its outcome.

    `outcome` of a finding whose outcomes exclude each other; `seen` and `not_seen` (looked for and not there)
    of one whose outcomes are signs of their own. `since` (when, or after which work) and `disputed_by` are
    kept and shown, never weighed.
    """

    outcome: _Outcome | _Outcomes | None = None
    seen: _Outcomes | None = None
    not_seen: _Outcomes | None = None
    known: Known | None = None
    since: Label | None = None
    disputed_by: Disputed | None = None


Outcomes = _Outcome | _Outcomes | ObservationDetail


def outcomes_of(value: Outcomes) -> tuple[str, ...]:
    """The outcomes of an observation of a finding whose outcomes exclude each other."""
    named = value.outcome if isinstance(value, ObservationDetail) else value
    return (named,) if isinstance(named, str) else tuple(named or ())


def signs_of(value: Outcomes) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The signs that were seen, and those that were looked for and are not there, of an observation of a
    finding whose outcomes are signs of their own.
    """
    detail = value if isinstance(value, ObservationDetail) else ObservationDetail()
    return (*outcomes_of(value), *(detail.seen or ())), tuple(detail.not_seen or ())


class Case(_Part, frozen=True, kw_only=True):
    """One failed compressor. Only `unit.compressor_type` and `unit.motor` are required."""

    unit: Unit
    job: Job = Job()
    opening: Opening = Opening()
    observations: Annotated[dict[Code, Outcomes], Meta(max_length=200)] = {}
    readings: Readings = NO_READINGS
    oil_results: OilResults = NO_RESULTS
    evidence: Annotated[list[Exhibit], Meta(max_length=50)] = []
    supersedes: UUID | None = None

    @property
    def metered(self) -> bool:
        """Whether there is anything to work out: readings, oil results, or the dates of installation and
        failure.
        """
        return (
            self.readings is not NO_READINGS
            or self.oil_results is not NO_RESULTS
            or (self.job.failed_at is not None and self.unit.installed_at is not None)
        )
