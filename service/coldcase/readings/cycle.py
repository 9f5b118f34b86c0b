"""The refrigerant circuit: pressures and temperatures at the machine into superheats, ratio, subcooling and
the like.

Dew temperature on the vapour side, bubble temperature on the liquid side [common practice]. Vapour cannot be
colder than its dew temperature, nor all liquid hotter than its bubble temperature: readings that say so
contradict each other.
"""

from coldcase.core.case import Readings, Unit
from coldcase.core.quantities import Pressure, Temperature
from coldcase.readings.circuit import TOLERANCE, Circuit, pressure_at, put_superheat
from coldcase.readings.refrigerants import (
    Compression,
    Fluid,
    compression,
    fluid,
    known_designation,
)
from coldcase.readings.standstill import derive_excess, derive_standing, derive_sump
from coldcase.readings.units import (
    ICE_POINT,
    Ambient,
    ambient_of,
    is_gauge,
    kelvins,
    pascals,
    pascals_apart,
)
from coldcase.readings.worksheet import Worksheet, joined_notes

# A pump's least pressure rise that a pair of gauges can tell from none [judgement].
_GAUGES = 0.02
_CREDIBLE_EFFICIENCY = (0.35, 0.95)
# Below both, 15 and 35 degC, a head-pressure control may be at work [judgement].
_COLD_MEDIUM, _HELD_UP = ICE_POINT + 15, ICE_POINT + 35
_PRESSURES = ("suction_pressure", "discharge_pressure", "liquid_pressure", "standing_pressure")
_TEMPERATURES = (
    "suction_temperature", "discharge_temperature", "liquid_temperature", "entering_medium_temperature",
    "sump_temperature",
    "standing_temperature", "saturated_suction_temperature", "condensing_temperature",
)  # fmt: skip


def derive_cycle(readings: Readings, unit: Unit, worksheet: Worksheet) -> bool:
    """Writes every quantity of the circuit that the readings yield; says whether fluid properties were
    needed.
    """
    ambient = ambient_of(readings)
    pressures = {
        name: pascals(value, ambient.pascals)
        for name, value in _given(readings, _PRESSURES)
        if isinstance(value, Pressure)
    }
    temperatures = {
        name: kelvins(value)
        for name, value in _given(readings, _TEMPERATURES)
        if isinstance(value, Temperature)
    }
    _ambient(readings, ambient, worksheet)
    excess = readings.standing_pressure_excess
    if excess is not None and not excess.is_pressure:
        excess = None
    if not pressures and not temperatures and excess is None:
        return False
    needed = pressures or excess is not None or temperatures.keys() >= _SATURATED
    refrigerant = _refrigerant(unit, worksheet) if needed else None
    circuit = Circuit(worksheet, refrigerant, pressures, temperatures)
    _suction(circuit)
    _discharge(circuit)
    _compression(circuit)
    _liquid(circuit)
    derive_sump(circuit, unit)
    derive_standing(circuit)
    if excess is not None:
        derive_excess(circuit, pascals_apart(excess))
    return refrigerant is not None


_SATURATED = {"saturated_suction_temperature", "condensing_temperature"}


def _given(readings: Readings, names: tuple[str, ...]) -> list[tuple[str, object]]:
    return [(name, value) for name in names if (value := getattr(readings, name)) is not None]


def _ambient(readings: Readings, ambient: Ambient, worksheet: Worksheet) -> None:
    gauge = any(isinstance(value, Pressure) and is_gauge(value) for _, value in _given(readings, _PRESSURES))
    stated = [
        name
        for name in ("barometric_pressure", "ambient_pressure", "altitude_m")
        if getattr(readings, name) is not None
    ]
    if not gauge and not stated:
        return
    worksheet.put("ambient_pressure", ambient.pascals / 1e3, note=ambient.origin)
    if readings.altitude_m is not None and "altitude" not in ambient.origin:
        expected = ambient_of(Readings(altitude_m=readings.altitude_m)).pascals
        # Weather moves the air pressure by up to about 4 kPa; more means a pressure reduced to sea level, or
        # a wrong altitude.
        if abs(expected - ambient.pascals) > 5e3:
            worksheet.notes.append(
                f"air pressure {ambient.pascals / 1e3:.4g} kPa does not go with altitude "
                f"{readings.altitude_m:g} m "
                f"({expected / 1e3:.4g} kPa): a weather station's figure reduced to sea level? The "
                "pressure was used"
            )


def _refrigerant(unit: Unit, worksheet: Worksheet) -> Fluid | None:
    if unit.refrigerant is None:
        worksheet.notes.append(
            "refrigerant not stated: no saturation temperature, and nothing that needs one, was derived"
        )
        return None
    designation = known_designation(unit.refrigerant)
    if designation is None:
        worksheet.notes.append(
            f"refrigerant {unit.refrigerant}: its properties are not known here; no saturation "
            "temperature, and nothing that needs one, "
            "was derived"
        )
        return None
    return fluid(designation)


def _suction(circuit: Circuit) -> None:
    worksheet, reading = circuit.worksheet, circuit.temperatures.get("suction_temperature")
    given = circuit.temperatures.get("saturated_suction_temperature")
    saturation = circuit.saturation("suction_pressure")
    if saturation is not None:
        dew, glide = saturation.dew, saturation.glide
        worksheet.put(
            "saturated_suction_temperature",
            dew - ICE_POINT,
            "suction_pressure",
            note="dew temperature at suction pressure",
        )
    else:
        dew, glide = None, 0.0
    base = dew if given is None else given
    if reading is None or base is None:
        return
    names = ("suction_temperature", "suction_pressure" if given is None else "saturated_suction_temperature")
    put_superheat(worksheet, "suction_superheat", reading - base, names, glide=glide)


def _discharge(circuit: Circuit) -> None:
    worksheet, reading = circuit.worksheet, circuit.temperatures.get("discharge_temperature")
    if reading is not None:
        worksheet.put("discharge_temperature", reading - ICE_POINT, "discharge_temperature")
        _cooled_by_compression(circuit, reading)
    saturation = circuit.saturation("discharge_pressure")
    if saturation is None:
        _condensing_as_sent(worksheet, circuit.temperatures)
        return
    dew = saturation.dew
    mean = (dew + saturation.bubble) / 2
    if "condensing_temperature" in circuit.temperatures:
        worksheet.put("condensing_temperature", mean - ICE_POINT, "discharge_pressure")
    if reading is not None:
        names = ("discharge_temperature", "discharge_pressure")
        put_superheat(worksheet, "discharge_superheat", reading - dew, names, glide=saturation.glide)
    entering = circuit.temperatures.get("entering_medium_temperature")
    if entering is not None:
        how = "condensing temperature: mean of dew and bubble at discharge pressure [common practice]"
        _condensing(worksheet, mean, entering, "discharge_pressure", how)


def _condensing_as_sent(worksheet: Worksheet, temperatures: dict[str, float]) -> None:
    """What a condensing temperature yields that was sent in place of the discharge pressure."""
    condensing, name = temperatures.get("condensing_temperature"), "condensing_temperature"
    if condensing is None:
        return
    reading, entering = (
        temperatures.get("discharge_temperature"),
        temperatures.get("entering_medium_temperature"),
    )
    if reading is not None:
        names = ("discharge_temperature", name)
        put_superheat(worksheet, "discharge_superheat", reading - condensing, names, glide=0)
    if entering is not None:
        _condensing(worksheet, condensing, entering, name, "condensing temperature as sent")


def _condensing(worksheet: Worksheet, condensing: float, entering: float, name: str, how: str) -> None:
    names = (name, "entering_medium_temperature")
    if condensing - entering < -TOLERANCE:
        worksheet.doubt(
            names[::-1],
            f"condensing at {condensing - ICE_POINT:.1f} degC would be colder than the medium that "
            "takes up the heat",
        )
    held_up = entering < _COLD_MEDIUM and condensing < _HELD_UP
    cold = "not judged: in the cold the condensing pressure is held up on purpose" if held_up else None
    note = joined_notes(how, cold)
    worksheet.put("condensing_over_entering", condensing - entering, *names, note=note, weighed=not held_up)


def _cooled_by_compression(circuit: Circuit, discharge: float) -> None:
    suction = circuit.temperatures.get("suction_temperature")
    if suction is not None and discharge < suction - 2 * TOLERANCE:
        why = f"discharge gas {suction - discharge:.1f} K colder than suction gas: compression does not cool"
        circuit.worksheet.doubt(("discharge_temperature", "suction_temperature"), why)


def _compression(circuit: Circuit) -> None:
    low, high = circuit.pressures.get("suction_pressure"), circuit.pressures.get("discharge_pressure")
    if low is None and high is None:
        _ratio_of_saturated(circuit)
    if low is None or high is None or low <= 0 or high <= 0:
        return
    names, ratio = ("discharge_pressure", "suction_pressure"), high / low
    if ratio < 1 - _GAUGES:
        circuit.worksheet.doubt(
            names,
            f"discharge pressure {high / 1e3:.4g} kPa absolute lies below suction pressure "
            f"{low / 1e3:.4g} kPa absolute",
        )
    circuit.worksheet.put(
        "compression_ratio",
        ratio if ratio < 1 - _GAUGES else max(ratio, 1.0),
        *names,
        note="of absolute pressures",
    )
    suction = circuit.temperatures.get("suction_temperature")
    informs = circuit.worksheet.informs
    if informs and circuit.refrigerant is not None and suction is not None and ratio > 1 + _GAUGES:
        _isentropic(circuit, circuit.refrigerant, (low, suction), high)


def _ratio_of_saturated(circuit: Circuit) -> None:
    """The compression ratio where both pressures were noted as their saturation temperatures."""
    evaporating = circuit.temperatures.get("saturated_suction_temperature")
    condensing = circuit.temperatures.get("condensing_temperature")
    if evaporating is None or condensing is None or circuit.refrigerant is None:
        return
    names = ("condensing_temperature", "saturated_suction_temperature")
    if condensing < evaporating - TOLERANCE:
        circuit.worksheet.doubt(names, "condensing temperature lies below saturated suction temperature")
        return
    low, high = (_dew_pressure(circuit.refrigerant, each) for each in (evaporating, condensing))
    if low is not None and high is not None:
        note = "of dew pressures at the saturation temperatures as sent"
        circuit.worksheet.put("compression_ratio", max(high / low, 1.0), *names, note=note)


def _dew_pressure(refrigerant: Fluid, kelvin: float) -> float | None:
    """The pressure of a dew temperature; None outside the range."""
    return pressure_at(refrigerant.dew, kelvin, refrigerant)


def _isentropic(circuit: Circuit, refrigerant: Fluid, suction: tuple[float, float], high: float) -> None:
    worksheet, read = circuit.worksheet, circuit.temperatures.get("discharge_temperature")
    names = ("suction_pressure", "suction_temperature", "discharge_pressure")
    if worksheet.doubtful.intersection(names):
        return
    result = compression(refrigerant, suction, high, read) or compression(refrigerant, suction, high, None)
    if result is None:
        worksheet.notes.append(
            f"isentropic compression not derived: suction gas at {suction[1] - ICE_POINT:.1f} degC "
            f"and {suction[0] / 1e3:.4g} kPa, or "
            f"its isentropic end, is not vapour within the range of {refrigerant.designation}'s properties"
        )
        return
    worksheet.put(
        "isentropic_discharge_temperature", result.isentropic_temperature - ICE_POINT, *names,
        note="compression without losses, for comparison", weighed=False,
    )  # fmt: skip
    if read is not None:
        _efficiency(worksheet, result, (*names, "discharge_temperature"))


def _efficiency(worksheet: Worksheet, result: Compression, names: tuple[str, ...]) -> None:
    lowest, highest = _CREDIBLE_EFFICIENCY
    doubt = None
    if result.efficiency is None or not lowest <= result.efficiency <= highest:
        said = "no" if result.efficiency is None else f"{result.efficiency:.2f} as"
        doubt = (
            f"the readings imply {said} isentropic efficiency (credible: {lowest:g} to {highest:g}): "
            "suspect the readings, liquid "
            "carried over or injected, or a mixed refrigerant"
        )
        worksheet.notes.append(doubt)
    if result.efficiency is not None:
        note = joined_notes(
            "a check of the readings, never evidence: heat loss and injection break it",
            doubt and "not credible, see notes",
        )
        worksheet.put("isentropic_efficiency", result.efficiency, *names, note=note, weighed=False)


def _liquid(circuit: Circuit) -> None:
    worksheet, reading = circuit.worksheet, circuit.temperatures.get("liquid_temperature")
    _liquid_pressure(circuit)
    saturation = circuit.saturation("liquid_pressure")
    if reading is None or saturation is None:
        return
    subcooling = saturation.bubble - reading
    names, glide = ("liquid_temperature", "liquid_pressure"), saturation.glide
    if subcooling < -glide - TOLERANCE:
        why = (
            f"liquid line {-subcooling:.1f} K above the bubble temperature at its pressure, where "
            "there is no liquid"
        )
        worksheet.doubt(names, f"{why}: the two contradict each other")
        worksheet.put("subcooling", subcooling, *names)
        return
    flash = "no subcooling: liquid and flash gas together" if subcooling < 0 else None
    worksheet.put(
        "subcooling",
        max(subcooling, 0.0),
        *names,
        note=joined_notes("bubble temperature at liquid pressure", flash),
    )


def _liquid_pressure(circuit: Circuit) -> None:
    liquid = circuit.pressures.get("liquid_pressure")
    suction, discharge = (
        circuit.pressures.get("suction_pressure"),
        circuit.pressures.get("discharge_pressure"),
    )
    if liquid is None:
        return
    if suction is not None and liquid < suction * (1 - _GAUGES):
        circuit.worksheet.doubt(
            ("liquid_pressure", "suction_pressure"), "liquid pressure lies below suction pressure"
        )
    # A quarter more is a liquid column of 20 to 40 m; nothing else raises it above the discharge.
    if discharge is not None and liquid > discharge * 1.25:
        circuit.worksheet.doubt(
            ("liquid_pressure", "discharge_pressure"), "liquid pressure lies far above discharge pressure"
        )
