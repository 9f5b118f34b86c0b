"""What is read around the compressor: oil side, driers and filters, vibration, contactor, control, supply."""

from coldcase.core.case import Case, Lines
from coldcase.core.quantities import Range, Spread, lower_end
from coldcase.readings.units import ICE_POINT, kelvins, kelvins_apart, pascals_apart
from coldcase.readings.worksheet import Worksheet, joined_notes

_PRESSURE_DIFFERENCES = ("net_oil_pressure", "drier_pressure_drop", "suction_filter_pressure_drop")
_GRIDS = (50.0, 60.0)
# Farther than this from both no grid is meant [judgement].
_NEAR_A_GRID = 0.07
_NOT_HERE = "not judged here"


def derive_plant(case: Case, worksheet: Worksheet) -> None:
    """Writes every quantity of the oil side, the filters and the panel."""
    readings = case.readings
    for name in _PRESSURE_DIFFERENCES:
        if (difference := getattr(readings, name)) is not None:
            worksheet.put(name, pascals_apart(difference) / 1e3, name)
    if readings.drier_temperature_drop is not None:
        drop = kelvins_apart(readings.drier_temperature_drop)
        worksheet.put("drier_temperature_drop", drop, "drier_temperature_drop")
    if readings.oil_temperature is not None:
        _oil_temperature(case, kelvins(readings.oil_temperature), worksheet)
    if readings.vibration_mm_s is not None:
        note = "its own old value says more than any limit"
        worksheet.put("vibration", lower_end(readings.vibration_mm_s), "vibration_mm_s", note=note)
    if readings.supply_frequency_hz is not None:
        _frequency(case, lower_end(readings.supply_frequency_hz), worksheet)
    if readings.control_voltage_v is not None:
        _control_voltage(case, lower_end(readings.control_voltage_v), worksheet)
    _poles(case, worksheet)


def _oil_temperature(case: Case, oil: float, worksheet: Worksheet) -> None:
    worksheet.put("oil_temperature", oil - ICE_POINT, "oil_temperature")
    base = worksheet.values.get("saturated_suction_temperature")
    if base is None and case.readings.saturated_suction_temperature is not None:
        saturated = kelvins(case.readings.saturated_suction_temperature) - ICE_POINT
    elif base is not None:
        saturated = base.value
    else:
        return
    behind = (*(base.rests_on if base else ()), "oil_temperature")
    at_discharge = case.unit.compressor_type in ("rotary", "screw")
    note = "not judged: oil that stands at discharge pressure" if at_discharge else None
    above = oil - ICE_POINT - saturated
    worksheet.put("oil_over_suction", above, *behind, note=note, weighed=not at_discharge)


def _frequency(case: Case, hertz: float, worksheet: Worksheet) -> None:
    rating, note = case.unit.rated_frequency_hz, None
    if rating is None:
        rating = min(_GRIDS, key=lambda grid: abs(hertz - grid))
        if abs(hertz / rating - 1) > _NEAR_A_GRID:
            worksheet.notes.append(
                f"frequency_to_rating not derived: the rating is not stated, and {hertz:g} Hz is near no grid"
            )
            return
        note = f"rating not stated: taken as {rating:g} Hz"
    worksheet.put("frequency_to_rating", hertz / rating, "supply_frequency_hz", note=note)


def _control_voltage(case: Case, volts: float, worksheet: Worksheet) -> None:
    rating, name = case.unit.rated_control_voltage_v, "control_voltage_v"
    if rating is None:
        note = "not judged: the rating of the coil is not stated"
        worksheet.put("control_voltage", volts, name, note=note, weighed=False)
        return
    worksheet.put("control_voltage_to_rating", volts / rating, name)


def _poles(case: Case, worksheet: Worksheet) -> None:
    """The drops over the poles as read, else from their resistances at rated current."""
    readings, rated = case.readings, case.unit.rated_current_a
    drops, name, note = lines_of(readings.pole_voltage_drop_mv), "pole_voltage_drop_mv", None
    milliohms = lines_of(readings.contact_resistance_mohm)
    if milliohms:
        why = None if rated else "not judged: the rated current is not stated, which makes it a drop"
        worksheet.put(
            "contact_resistance", max(milliohms), "contact_resistance_mohm",
            note=joined_notes("the highest pole", why or _NOT_HERE), weighed=False,
        )  # fmt: skip
    if not drops and milliohms and rated:
        drops, name = [each * rated for each in milliohms], "contact_resistance_mohm"
        note = f"at the rated {rated:g} A"
    if len(drops) == 1:
        lone = "not judged: one pole alone does not say whether they are alike"
        worksheet.put(
            "pole_voltage_drop_highest", drops[0], name, note=joined_notes(note, lone), weighed=False
        )
    elif drops:
        worksheet.put("pole_voltage_drop_highest", max(drops), name, note=note)
        worksheet.put("pole_voltage_drop_lowest", min(drops), name, note=note)
        worksheet.put("pole_voltage_drop_spread", max(drops) - min(drops), name, note=note)


def lines_of(value: Lines | None) -> list[float]:
    """The values of up to three lines, none where nothing was read."""
    if value is None or isinstance(value, list):
        return value or []
    plain: Spread = value
    return [plain.from_ if isinstance(plain, Range) else plain]
