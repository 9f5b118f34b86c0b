"""Warmth of the sump over saturation, and what the pressure at rest stands over it."""

from coldcase.core.case import Unit
from coldcase.readings.circuit import TOLERANCE, Circuit, pressure_at, put_superheat
from coldcase.readings.refrigerants import Fluid

# What stands at discharge pressure holds its oil there too: the shell of a rotary, the separator of an
# oil-injected screw.
_OIL_AT_DISCHARGE = {
    "rotary": "the shell of a rotary compressor",
    "screw": "the oil separator of a screw compressor",
}


def derive_sump(circuit: Circuit, unit: Unit) -> None:
    """Sump superheat in K, where the oil is at suction conditions."""
    worksheet, reading = circuit.worksheet, circuit.temperatures.get("sump_temperature")
    given = circuit.temperatures.get("saturated_suction_temperature")
    base, glide, name = given, 0.0, "saturated_suction_temperature"
    if base is None and (saturation := circuit.saturated("suction_pressure")) is not None:
        base, glide, name = saturation.dew, saturation.glide, "suction_pressure"
    if reading is None or base is None:
        return
    if (place := _OIL_AT_DISCHARGE.get(unit.compressor_type)) is not None:
        note = f"not judged: {place} stands at discharge pressure, its oil is not at suction conditions"
        worksheet.put("sump_superheat", reading - base, "sump_temperature", name, note=note, weighed=False)
        return
    # A clamp on a shell reads up to 2 K low in moving air [judgement].
    put_superheat(
        worksheet,
        "sump_superheat",
        reading - base,
        ("sump_temperature", name),
        glide=glide,
        tolerance=2 * TOLERANCE,
    )


def derive_standing(circuit: Circuit) -> None:
    """Excess of the standing pressure, in K of saturation."""
    worksheet, reading = circuit.worksheet, circuit.temperatures.get("standing_temperature")
    saturation = circuit.saturation("standing_pressure")
    if reading is None or saturation is None:
        return
    dew, bubble = saturation
    names = ("standing_pressure", "standing_temperature")
    if reading > dew + 2 * TOLERANCE:
        note = (
            f"{reading - dew:.1f} K above dew temperature: no liquid is left standing (little charge, "
            "or not equalised), "
            "so the pressure says nothing of air"
        )
        worksheet.put("standing_pressure_excess", dew - reading, *names, note=note, weighed=False)
        return
    note = "bubble temperature at standing pressure less the even temperature"
    excess = bubble - reading
    # Between bubble and dew both phases stand together: as it should be, for every fill.
    worksheet.put(
        "standing_pressure_excess", excess if excess > 0 else min(0.0, dew - reading), *names, note=note
    )


def derive_excess(circuit: Circuit, over: float) -> None:
    """A standing pressure noted as so much over saturation, in Pa."""
    worksheet, around = circuit.worksheet, circuit.temperatures.get("standing_temperature")
    name, refrigerant = "standing_pressure_excess", circuit.refrigerant
    saturation = None if around is None or refrigerant is None else _bubble_pressure(refrigerant, around)
    if saturation is None or refrigerant is None or around is None:
        why = "not judged: it becomes a temperature only with refrigerant and standing_temperature"
        worksheet.put("standing_pressure_excess_kpa", over / 1e3, name, note=why, weighed=False)
        return
    worksheet.put("standing_pressure_excess_kpa", over / 1e3, name, note="judged in K", weighed=False)
    if refrigerant.saturated(saturation + over):
        note = "from a pressure over that of the bubble temperature"
        excess = refrigerant.bubble.temperature(saturation + over) - around
        worksheet.put(name, excess, name, "standing_temperature", note=note)


def _bubble_pressure(refrigerant: Fluid, kelvin: float) -> float | None:
    return pressure_at(refrigerant.bubble, kelvin, refrigerant)
