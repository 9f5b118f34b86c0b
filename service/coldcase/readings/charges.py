"""Oil and refrigerant against the nameplate, and the counters."""

from coldcase.core.case import Case
from coldcase.core.quantities import Amount, lower_end
from coldcase.readings.units import is_volume, kilograms, litres
from coldcase.readings.worksheet import Worksheet, joined_notes

# Typical densities in kg/L [common practice: 0.86 to 1.0; per family from memory].
_DENSITIES = {"mineral": 0.9, "AB": 0.87, "PAO": 0.83, "POE": 0.98, "PVE": 0.93, "PAG": 1.0}
_TYPICAL = 0.93
# A charge this small, in any unit, was not filled in.
_NOTHING = 1e-6
_NOT_THE_CHARGE = {
    "drained_unmeasured": "oil was drained unmeasured before",
    "spilled": "oil was spilled before",
    "topped_up_after_failure": "oil was topped up after the failure",
}


def derive_charges(case: Case, worksheet: Worksheet) -> None:
    """Writes the shares of the charges and the counters."""
    readings, unit = case.readings, case.unit
    if readings.oil_drained is not None:
        _oil(case, readings.oil_drained, worksheet)
    if readings.recovered_charge is not None:
        if unit.refrigerant_charge is None or unit.refrigerant_charge.figure < _NOTHING:
            worksheet.notes.append(
                "refrigerant_to_charge not derived: the unit's refrigerant charge is not stated"
            )
        else:
            share = kilograms(readings.recovered_charge) / kilograms(unit.refrigerant_charge)
            worksheet.put("refrigerant_to_charge", share, "recovered_charge")
    for name in ("starts_per_hour", "run_hours", "starts_in_night", "days_idle_before"):
        if (count := getattr(readings, name)) is not None:
            worksheet.put(name, lower_end(count), name)
    _days_in_service(case, worksheet)


def _days_in_service(case: Case, worksheet: Worksheet) -> None:
    """Days as sent, else from installation to failure; where the hours run are known they say more."""
    sent, installed, failed = case.readings.days_in_service, case.unit.installed_at, case.job.failed_at
    if sent is not None:
        days, note = lower_end(sent), None
    elif installed is not None and failed is not None:
        days, note = float((failed.date() - installed).days), "from installed_at to failed_at"
    else:
        return
    if days < 0:
        worksheet.notes.append("days_in_service not derived: installed_at lies after failed_at")
        return
    hours = "not judged: run_hours say more" if case.readings.run_hours is not None else None
    worksheet.put(
        "days_in_service", days, "days_in_service", note=joined_notes(note, hours), weighed=hours is None
    )


def _oil(case: Case, drained: Amount, worksheet: Worksheet) -> None:
    charge = case.unit.oil_charge
    if charge is None or charge.figure < _NOTHING:
        worksheet.notes.append("oil_to_charge not derived: the unit's oil charge is not stated")
        return
    note = None
    if is_volume(drained) == is_volume(charge):
        amount = litres if is_volume(drained) else kilograms
        share = amount(drained) / amount(charge)
    else:
        density, origin = _density(case)
        share = _mass(drained, density) / _mass(charge, density)
        note = f"volume and mass compared at {density:g} kg/L, {origin}"
    spoilt = _NOT_THE_CHARGE.get(case.opening.oil or "")
    worksheet.put(
        "oil_to_charge",
        share,
        "oil_drained",
        note=f"not judged: {spoilt}" if spoilt else note,
        weighed=spoilt is None,
    )


def _density(case: Case) -> tuple[float, str]:
    if case.oil_results.density_kg_l is not None:
        return case.oil_results.density_kg_l, "as measured"
    family = case.unit.lubricant
    if family in _DENSITIES:
        return _DENSITIES[family], f"assumed for {family} oil"
    return _TYPICAL, "assumed: the oil is not stated"


def _mass(amount: Amount, density: float) -> float:
    return litres(amount) * density if is_volume(amount) else kilograms(amount)
