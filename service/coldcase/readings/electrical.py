"""Electrical readings: unbalance, ratios to the rating, windings, insulation, capacitor."""

import math
from collections.abc import Sequence
from itertools import pairwise

from coldcase.core.case import Capacitor, Case, Insulation, Readings
from coldcase.core.quantities import Range, lower_end
from coldcase.readings.plant import lines_of
from coldcase.readings.units import ICE_POINT, kelvins
from coldcase.readings.worksheet import Worksheet, joined_notes, measured

# Unbalance in per cent from which a line is missing, not unequal: with one open at standstill its two
# voltages are half of the third or nothing (50 to 100 per cent), and it carries no current (100 per cent).
# The table's bands say the same.
_LOST_VOLTAGE, _LOST_CURRENT = 40.0, 70.0
# What no meter tells from zero: V, A or ohm.
_NOTHING = 1e-6
# Derating factor at a voltage unbalance in per cent [NEMA MG 1, figure 14-1, from memory].
_DERATING = ((1.0, 1.0), (2.0, 0.95), (3.0, 0.9), (4.0, 0.825), (5.0, 0.755))
# No winding of these motors has as much: the meter showed an open circuit [judgement].
_OPEN_OHM = 10_000.0
_RANDOM_WOUND_MEGOHM = 5.0
# Farther from 40 degC the correction says more than the measurement [judgement].
_FARTHEST_CORRECTION = 45.0
# Thermosetting insulation, by range of winding temperature in degC [IEEE 43-2013, from memory]; below 10 degC
# extrapolated.
_KELVINS_BELOW_40, _KELVINS_ABOVE_40, _LOWEST_TABLED = 1245.0, 4230.0, 10.0
# Copper: resistance is proportional to 234.5 plus the temperature in degC [IEC 60034-1, from memory].
_COPPER = 234.5
_PLATE_CELSIUS = 20.0


def unbalance(values: Sequence[float]) -> float:
    """NEMA MG 1: 100 times the largest deviation from the mean over the mean, unrounded. Raises ValueError
    for a mean of zero.
    """
    mean = sum(values) / len(values)
    if not mean > 0:
        raise ValueError("no mean to deviate from")
    return 100 * max(abs(value - mean) for value in values) / mean


def extra_rise(unbalance_percent: float) -> float:
    """Extra temperature rise of the winding in per cent, about twice the square of the voltage unbalance
    [common practice].
    """
    return 2 * unbalance_percent**2


def derating(unbalance_percent: float) -> float | None:
    """Share of rated power that the motor may carry; None above 5 per cent, where it should not run [NEMA MG
    1].
    """
    if unbalance_percent > _DERATING[-1][0]:
        return None
    for (low, upper), (high, lower) in pairwise(_DERATING):
        if unbalance_percent <= high:
            return (
                upper
                if unbalance_percent <= low
                else upper + (lower - upper) * (unbalance_percent - low) / (high - low)
            )
    return _DERATING[-1][1]


def at_40c(megohm: float, celsius: float) -> float:
    """Insulation resistance of a thermosetting winding, corrected from its temperature in degC to 40 degC
    [IEEE 43-2013, from memory].

    The older rule, half for every 10 K, belongs to thermoplastic insulation and makes cold windings bad and
    hot ones good.
    """
    slope = _KELVINS_BELOW_40 if celsius <= 40 else _KELVINS_ABOVE_40
    return megohm * math.exp(-slope * (1 / (celsius + 273) - 1 / 313))


def at_20c(ohm: float, celsius: float) -> float:
    """Resistance of a copper winding at 20 degC, from that at its temperature in degC."""
    return ohm * (_COPPER + _PLATE_CELSIUS) / (_COPPER + celsius)


def derive_electrical(case: Case, worksheet: Worksheet) -> None:
    """Writes every electrical quantity that the readings yield."""
    readings = case.readings
    if voltages := lines_of(readings.line_voltages_v):
        _voltages(case, voltages, worksheet)
    if currents := lines_of(readings.line_currents_a):
        _currents(case, currents, worksheet)
    if readings.start_voltage_v is not None:
        _to_rating(
            worksheet,
            "start_voltage_to_rating",
            lower_end(readings.start_voltage_v),
            case.unit.rated_voltage_v,
            "start_voltage_v",
        )
    if readings.winding_resistances_ohm is not None:
        _windings(case, readings.winding_resistances_ohm, worksheet)
    if readings.insulation is not None:
        _insulation(case, readings.insulation, worksheet)
    _parts(readings, worksheet)


def _parts(readings: Readings, worksheet: Worksheet) -> None:
    if readings.capacitor is not None:
        _capacitor(readings.capacitor, worksheet)
    if readings.shaft_voltage_v is not None:
        worksheet.put("shaft_voltage", lower_end(readings.shaft_voltage_v), "shaft_voltage_v")


def _capacitor(capacitor: Capacitor, worksheet: Worksheet) -> None:
    if capacitor.measured_uf is None or capacitor.rated_uf is None:
        missing = "measured_uf" if capacitor.measured_uf is None else "rated_uf"
        worksheet.notes.append(f"capacitor_to_rating not derived: {missing} of the capacitor is not stated")
        if capacitor.measured_uf is not None:
            note = "not judged: rated_uf of the capacitor is not stated"
            worksheet.put("capacitance", capacitor.measured_uf, "capacitor", note=note, weighed=False)
        return
    quantity = "run_capacitor_to_rating" if capacitor.kind == "run" else "capacitor_to_rating"
    worksheet.put(quantity, capacitor.measured_uf / capacitor.rated_uf, "capacitor")


def _lines(case: Case, name: str, values: list[float], worksheet: Worksheet) -> bool:
    """Whether the values fit the supply; noted where they do not."""
    if max(values) < _NOTHING:
        worksheet.doubt([name], f"{name} are all zero: the machine was not under power")
    elif case.unit.motor == "single_phase" and len(values) == 3:
        worksheet.doubt([name], f"{name}: three line values on a single-phase motor")
    elif len(values) == 2:
        worksheet.notes.append(f"{name}: two values give no unbalance; three lines have three")
    return name not in worksheet.doubtful


def _voltages(case: Case, values: list[float], worksheet: Worksheet) -> None:
    name = "line_voltages_v"
    if not _lines(case, name, values, worksheet):
        return
    if len(values) == 3:
        percent = unbalance(values)
        if percent >= _LOST_VOLTAGE:
            worksheet.put(
                "voltage_unbalance",
                percent,
                name,
                note="a lost line, no unbalance: say where it was lost as lost_phase",
            )
            return
        worksheet.put("voltage_unbalance", percent, name, note=_heating(percent) if percent >= 1 else None)
    _to_rating(worksheet, "voltage_to_rating", sum(values) / len(values), case.unit.rated_voltage_v, name)


def _heating(percent: float) -> str:
    share = derating(percent)
    advice = (
        "should not run" if share is None else f"derate to {share:.2f} [NEMA MG 1 figure 14-1, from memory]"
    )
    return f"extra temperature rise about {extra_rise(percent):.3g} % [common practice]; {advice}"


def _currents(case: Case, values: list[float], worksheet: Worksheet) -> None:
    name = "line_currents_a"
    if not _lines(case, name, values, worksheet):
        return
    if len(values) == 3:
        percent = unbalance(values)
        if percent >= _LOST_CURRENT:
            worksheet.put("current_unbalance", percent, name, note="a line without current, no unbalance")
            return
        worksheet.put(
            "current_unbalance",
            percent,
            name,
            note="roll the leads: what stays on the line is the supply, what moves is the motor",
        )
    _to_rating(worksheet, "current_to_rating", sum(values) / len(values), case.unit.rated_current_a, name)


def _to_rating(worksheet: Worksheet, quantity: str, value: float, rating: float | None, name: str) -> None:
    if rating is None:
        worksheet.notes.append(f"{quantity} not derived: the unit's rating is not stated")
    else:
        worksheet.put(quantity, value / rating, name)


def _windings(case: Case, ohms: list[float], worksheet: Worksheet) -> None:
    name = "winding_resistances_ohm"
    if max(ohms) >= _OPEN_OHM:
        what = "all" if min(ohms) >= _OPEN_OHM else "some"
        trap = "; a protector in the star point still hot opens all three" if what == "all" else ""
        worksheet.doubt(
            [name],
            f"{name}: {what} read open{trap}: send winding_resistance `open_circuit` if it stays so "
            "on the cold machine",
        )
        return
    if case.unit.motor == "unknown":
        worksheet.notes.append(
            f"{name}: three phases or start and run winding? The motor is not known, so they were not judged"
        )
    elif max(ohms) < _NOTHING:
        worksheet.doubt([name], f"{name} are all zero: leads shorted or meter not reading")
    elif len(ohms) < 3:
        _some_windings(case, ohms, worksheet)
    elif case.unit.motor == "single_phase":
        _identity(worksheet, ohms)
    else:
        leads = "below 1 ohm a lead of 0.05 ohm counts: four-wire values only" if min(ohms) < 1 else None
        worksheet.put("winding_unbalance", unbalance(ohms), name, note=leads)
        _to_plate(case, sum(ohms) / len(ohms), worksheet)


def _some_windings(case: Case, ohms: list[float], worksheet: Worksheet) -> None:
    """One or two of three: what they say whatever the third is."""
    name = "winding_resistances_ohm"
    if case.unit.motor == "single_phase":
        worksheet.notes.append(
            f"{name}: common-start, common-run and start-run prove each other; {len(ohms)} of three do not"
        )
        return
    if len(ohms) == 2:
        # A third in the middle of the two makes the unbalance least.
        note = "of two windings: with the third it is this or more"
        worksheet.put("winding_unbalance", unbalance(ohms), name, note=note, bound=">")
    else:
        worksheet.notes.append(f"{name}: one value gives no unbalance; three windings have three")
    _to_plate(case, sum(ohms) / len(ohms), worksheet)


def _to_plate(case: Case, mean: float, worksheet: Worksheet) -> None:
    """Turns shorted alike in all phases show in no unbalance, only against the maker's figure at 20 degC."""
    sent, temperature = case.readings.plate_resistance_ohm, case.readings.winding_temperature
    plate = None if sent is None else lower_end(sent)
    if plate is None or "winding_temperature" in worksheet.doubtful:
        return
    if plate < _NOTHING:
        worksheet.doubt(["plate_resistance_ohm"], "plate_resistance_ohm is zero: no winding has none")
        return
    if temperature is None:
        worksheet.notes.append(
            "winding_to_plate not derived: winding_temperature is not stated, and copper changes 4 % in 10 K"
        )
        return
    celsius = kelvins(temperature) - ICE_POINT
    note = f"mean of the three at 20 degC, by {at_20c(1.0, celsius):.3f} from {celsius:.0f} degC"
    names = ("winding_resistances_ohm", "plate_resistance_ohm", "winding_temperature")
    worksheet.put("winding_to_plate", at_20c(mean, celsius) / plate, *names, note=note)


def _identity(worksheet: Worksheet, ohms: list[float]) -> None:
    start, run, both = ohms
    if both < _NOTHING:
        worksheet.doubt(
            ["winding_resistances_ohm"], "start-run reads zero ohm where it is the sum of both windings"
        )
        return
    swapped = (
        "common-start is usually above common-run: were the terminals told apart?" if start <= run else None
    )
    note = joined_notes("100 x |common-start + common-run - start-run| / start-run", swapped)
    worksheet.put(
        "winding_identity_error", 100 * abs(start + run - both) / both, "winding_resistances_ohm", note=note
    )


def _insulation(case: Case, test: Insulation, worksheet: Worksheet) -> None:
    result = test.resistance_megohm if test.resistance_megohm is not None else test.one_minute_megohm
    if result is not None:
        _resistance(case, test, result, worksheet)
    if test.phase_to_phase_megohm is not None:
        megohm, bound = measured(test.phase_to_phase_megohm)
        note = "not judged here: by itself it says that the phases are apart"
        worksheet.put(
            "insulation_phase_to_phase", megohm, "insulation", note=note, bound=bound, weighed=False
        )
    if test.one_minute_megohm is not None and test.ten_minute_megohm is not None:
        _polarization(test.one_minute_megohm, test.ten_minute_megohm, worksheet)


def _resistance(case: Case, test: Insulation, result: float | str | Range, worksheet: Worksheet) -> None:
    megohm, bound = measured(result)
    temperature = test.winding_temperature or case.readings.winding_temperature
    celsius = None if temperature is None else kelvins(temperature) - ICE_POINT
    notes, worthless = _temperature_notes(celsius)
    if case.opening.high_voltage_test_in_vacuum:
        worthless = "worthless: tested under vacuum, where the winding flashes over"
    corrected = megohm if celsius is None or worthless else at_40c(megohm, celsius)
    if test.test_voltage_v is not None and test.test_voltage_v > 1000:
        notes.append(f"tested at {test.test_voltage_v:g} V; windings below 1 kV are tested at 500 V DC")
    note = joined_notes(worthless, *notes, _rule(case, corrected) if bound != ">" else None)
    worksheet.put(
        "insulation_at_40c", corrected, "insulation", note=note, bound=bound, weighed=worthless is None
    )
    if celsius is not None:
        worksheet.put("insulation_as_measured", megohm, "insulation", bound=bound, weighed=worthless is None)


def _temperature_notes(celsius: float | None) -> tuple[list[str], str | None]:
    if celsius is None:
        return ["winding temperature not given: taken as 40 degC, not corrected"], None
    if abs(celsius - 40) > _FARTHEST_CORRECTION:
        return [], f"worthless: winding at {celsius:.0f} degC, too far from 40 degC to correct"
    factor = at_40c(1.0, celsius)
    warm = (
        f"warm winding: the correction multiplies by {factor:.2g}, measure again near 40 degC"
        if celsius > 60
        else None
    )
    cold = "; extrapolated below 10 degC" if celsius < _LOWEST_TABLED else ""
    return [warm or f"corrected to 40 degC by {factor:.3g}{cold}"], None


def _rule(case: Case, corrected: float) -> str | None:
    """Which published minimum a low value misses, since an old one still circulates."""
    if corrected >= _RANDOM_WOUND_MEGOHM:
        return None
    missed = "below the 5 megohm of IEEE 43 for random-wound windings under 1 kV"
    volts = case.unit.rated_voltage_v
    if volts is not None and volts / 1000 + 1 <= corrected:
        missed += f"; passes the old rule kV + 1 = {volts / 1000 + 1:.2f} megohm"
    return missed


def _polarization(one_minute: float | str, ten_minutes: float | str, worksheet: Worksheet) -> None:
    first, tenth = measured(one_minute), measured(ten_minutes)
    if first[1] or tenth[1] or first[0] <= 0:
        worksheet.notes.append("polarization_index not derived: it needs two figures, not bounds")
        return
    ambiguous = "ambiguous above 5000 megohm" if first[0] > 5000 else None
    note = joined_notes(
        "informs, never decides: in small random windings the absorption current dies within "
        "minutes [IEEE 43]",
        ambiguous,
    )
    worksheet.put("polarization_index", tenth[0] / first[0], "insulation", note=note, weighed=False)
