"""The oil report: units, detection limits, viscosity against the grade, particle code, and reports not to be
believed.
"""

from msgspec.structs import replace

from coldcase.core.case import Case, OilResults, outcomes_of, signs_of
from coldcase.core.quantities import given
from coldcase.readings.iso3448 import MIDPOINTS
from coldcase.readings.iso4406 import parse_code
from coldcase.readings.units import ICE_POINT, kelvins
from coldcase.readings.viscosity import USUAL_INDEX, at_40c_from, viscosity_index
from coldcase.readings.worksheet import DerivedQuantity, DetectionLimit, Worksheet, joined_notes, measured

METALS = ("iron", "copper", "aluminium", "tin", "lead", "silicon", "zinc", "chromium")
# Scope of ASTM D6304 (coulometric Karl Fischer), mg/kg.
_WATER_SCOPE = (10.0, 25_000.0)
# A twentieth of the sample as one metal is swarf or a slipped decimal, not oil [judgement].
_MOST_METAL = 50_000.0
# Water that each family dissolves at about 25 degC, mg/kg [from memory]. None: no upper figure.
SOLUBILITY: dict[str, tuple[float, float | None]] = {
    "mineral": (50, 100), "AB": (100, 200), "POE": (1_500, 2_500), "PVE": (5_000, 6_500), "PAG": (10_000,
    None),
}  # fmt: skip
# Below this a polar oil cannot shed water; above the other a non-polar one may [judgement].
_NO_FREE_WATER_BELOW, _FREE_WATER_ABOVE = 1_000.0, 150.0
_MILKY = {"clears_on_standing", "stays_milky"}
_MILKY_SIGNS = {"milky", "milky_clears", "stays_milky"}
# No lubricant's viscosity index lies outside [judgement].
_CREDIBLE_INDEX = (-300.0, 500.0)
_AS_SENT = (
    "acid_number_mg_koh_g",
    "viscosity_40c_mm2_s",
    "viscosity_100c_mm2_s",
    "refrigerant_in_oil_percent",
    "foreign_oil_percent",
)
# Farther than this from 40 degC the line is carried beyond what two points give [judgement].
_NEAR_40C = 60.0
Result = tuple[float, DetectionLimit | None, str | None]


def derive_oil_results(case: Case, worksheet: Worksheet) -> None:
    """Writes every quantity that the oil report yields."""
    results = case.oil_results
    sent = {name for name, _ in given(results)}
    for substance, names in _NAMES.items():
        if not sent.isdisjoint(names):
            _share(results, substance, worksheet)
    for name in _AS_SENT:
        if (result := getattr(results, name)) is not None:
            value, bound = measured(result)
            worksheet.put(name, value, name, bound=bound)
    _acid_rise(results, worksheet)
    _water(case, worksheet)
    _metals(worksheet)
    _to_40c(results, worksheet)
    _viscosity(case, worksheet)
    _particles(results, worksheet)


def _share(results: OilResults, substance: str, worksheet: Worksheet) -> None:
    """Writes a mass fraction in mg/kg, from mg/kg, else mg/L with the density, else per cent."""
    found = [
        (name, converted)
        for name in _NAMES[substance]
        if (converted := _converted(results, name, worksheet)) is not None
    ]
    if not found:
        return
    name, (value, bound, note) = found[0]
    for other, (second, second_bound, _) in found[1:]:
        if bound == second_bound and abs(second - value) > 0.1 * max(value, second):
            worksheet.notes.append(
                f"{name} ({value:g} mg/kg) and {other} ({second:g} mg/kg) disagree; the first counts"
            )
    worksheet.put(f"{substance}_mg_kg", value, name, note=note, bound=bound)


_NAMES = {
    "water": ("water_mg_kg", "water_mg_l", "water_percent"),
    **{metal: (f"{metal}_mg_kg", f"{metal}_mg_l") for metal in METALS},
}


def _converted(results: OilResults, name: str, worksheet: Worksheet) -> Result | None:
    result = getattr(results, name)
    if result is None:
        return None
    value, bound = measured(result)
    if name.endswith("mg_kg"):
        return value, bound, None
    figure = f"{bound or ''}{value:g}"
    if name.endswith("percent"):
        return value * 1e4, bound, f"{figure} % = {value * 1e4:g} mg/kg"
    if results.density_kg_l is None:
        worksheet.notes.append(
            f"{name}: mg/L become mg/kg by the density; density_kg_l is not given, so it was not judged"
        )
        return None
    share = value / results.density_kg_l
    return share, bound, f"{figure} mg/L / {results.density_kg_l:g} kg/L = {share:.4g} mg/kg"


def _water(case: Case, worksheet: Worksheet) -> None:
    water = worksheet.values.get("water_mg_kg")
    if water is None:
        return
    if water.value <= 0:
        worksheet.doubt(
            water.rests_on, "water zero is not credible: Karl Fischer starts at 10 mg/kg [ASTM D6304]"
        )
        return
    if water.bound is None and not _WATER_SCOPE[0] <= water.value <= _WATER_SCOPE[1]:
        scope = f"outside the scope of ASTM D6304 ({_WATER_SCOPE[0]:g} to {_WATER_SCOPE[1]:g} mg/kg)"
        worksheet.values["water_mg_kg"] = replace(water, note=joined_notes(water.note, scope))
    if water.bound != ">":
        _milky(case, water.value, water.bound, worksheet)


def _milky(case: Case, water: float, bound: DetectionLimit | None, worksheet: Worksheet) -> None:
    """Says whether milky oil can be water, by what the oil family dissolves."""
    seen = outcomes_of(case.observations.get("oil_clarity", []))
    signs, _ = signs_of(case.observations.get("oil_body", []))
    milky = (bool(seen) and _MILKY.issuperset(seen)) or not _MILKY_SIGNS.isdisjoint(signs)
    family = case.unit.lubricant
    if not milky or family not in SOLUBILITY:
        return
    lowest, highest = SOLUBILITY[family]
    dissolves = f"{family} oil dissolves about {lowest:g}" + (
        f" to {highest:g} mg/kg" if highest else " mg/kg and more"
    )
    if family in ("POE", "PVE", "PAG") and water < _NO_FREE_WATER_BELOW:
        worksheet.notes.append(
            f"milky oil, but {bound or ''}{water:g} mg/kg of water: {dissolves}, so it is foam, "
            "refrigerant or another oil, not free water"
        )
    elif family in ("mineral", "AB") and bound is None and water > _FREE_WATER_ABOVE:
        worksheet.notes.append(
            f"milky oil with {water:g} mg/kg of water: {dissolves}, so free water is possible"
        )


def _metals(worksheet: Worksheet) -> None:
    metals = [found for metal in METALS if (found := worksheet.values.get(f"{metal}_mg_kg")) is not None]
    for metal in metals:
        if metal.value > _MOST_METAL:
            worksheet.doubt(
                metal.rests_on,
                f"{metal.quantity} {metal.value:,.0f} is over 5 % of the oil: swarf in the bottle or "
                "a slipped decimal",
            )
    if len(metals) > 1 and all(metal.value == 0 and metal.bound is None for metal in metals):
        worksheet.doubt(
            [name for metal in metals for name in metal.rests_on],
            "all metals are zero: the wrong bottle, or never measured",
        )


def _acid_rise(results: OilResults, worksheet: Worksheet) -> None:
    """Additives make a fresh oil read acid; where its own value is known only the rise counts."""
    acid = worksheet.values.get("acid_number_mg_koh_g")
    if acid is None or results.fresh_acid_number_mg_koh_g is None:
        return
    fresh, fresh_bound = measured(results.fresh_acid_number_mg_koh_g)
    if ">" in (acid.bound, fresh_bound):
        worksheet.notes.append("acid_number_rise not derived: it needs figures, not lower bounds")
        return
    behind = "acid_number_mg_koh_g", "fresh_acid_number_mg_koh_g"
    # A fresh oil below its detection limit may have none: then the rise is at most the value itself.
    rise = max(0.0, acid.value - (0.0 if fresh_bound else fresh))
    note = f"over {fresh:g} of the fresh oil"
    worksheet.put("acid_number_rise", rise, *behind, bound=acid.bound, note=note)
    worksheet.values["acid_number_mg_koh_g"] = replace(
        acid, note=joined_notes(acid.note, "not judged: the rise over the fresh oil counts"), weighed=False
    )


def _to_40c(results: OilResults, worksheet: Worksheet) -> None:
    """Writes the viscosity at 40 degC from those at two other temperatures, by ASTM D341."""
    if results.viscosity_mm2_s is None:
        return
    name, other = "viscosity_mm2_s", worksheet.values.get("viscosity_100c_mm2_s")
    if results.viscosity_temperature is None:
        worksheet.notes.append(f"{name}: not derived to 40 degC, for viscosity_temperature is not stated")
        return
    kelvin, (value, bound) = kelvins(results.viscosity_temperature), measured(results.viscosity_mm2_s)
    at_40 = worksheet.values.get("viscosity_40c_mm2_s")
    if at_40 is not None:
        return
    if abs(kelvin - ICE_POINT - 40) < 0.05:
        worksheet.put("viscosity_40c_mm2_s", value, name, bound=bound, note="as read at 40 degC")
        return
    if other is None or bound is not None or other.bound is not None:
        worksheet.notes.append(
            f"{name}: one viscosity gives no slope to go to 40 degC; send that at 100 degC as well"
        )
        return
    found = at_40c_from((kelvin, value), (ICE_POINT + 100, other.value))
    if found is None:
        worksheet.notes.append(f"{name} and viscosity_100c_mm2_s give no line of an oil [ASTM D341]")
        return
    far = "far from 40 degC" if abs(kelvin - ICE_POINT - 40) > _NEAR_40C else None
    note = joined_notes(f"from {kelvin - ICE_POINT:.1f} and 100 degC [ASTM D341]", far)
    worksheet.put("viscosity_40c_mm2_s", found, name, "viscosity_100c_mm2_s", note=note)


def _viscosity(case: Case, worksheet: Worksheet) -> None:
    cold, hot = worksheet.values.get("viscosity_40c_mm2_s"), worksheet.values.get("viscosity_100c_mm2_s")
    if (
        cold is not None
        and hot is not None
        and cold.bound is None
        and hot.bound is None
        and hot.value >= cold.value
    ):
        worksheet.doubt((*cold.rests_on, *hot.rests_on), "viscosity at 100 degC is not below that at 40 degC")
    if cold is None:
        if hot is not None:
            worksheet.notes.append(
                "viscosity_to_grade not derived: grades are of 40 degC, and one viscosity gives no "
                "slope to go there"
            )
        return
    if hot is not None:
        _index(case, cold, hot, worksheet)
    fresh = case.oil_results.fresh_viscosity_40c_mm2_s
    if fresh is not None:
        names = (*cold.rests_on, "fresh_viscosity_40c_mm2_s")
        of_what = f"over {fresh:g} mm2/s of the fresh oil"
        worksheet.put("viscosity_to_fresh", cold.value / fresh, *names, note=of_what, bound=cold.bound)
    grade = case.unit.viscosity_grade
    if grade is None:
        worksheet.notes.append("viscosity_to_grade not derived: the unit's viscosity grade is not stated")
        return
    middle = MIDPOINTS.get(grade, float(grade))
    odd = None if grade in MIDPOINTS else f"{grade} is no grade of ISO 3448; taken as the midpoint"
    thin = "a sample that was not degassed reads low" if cold.value < 0.9 * middle else None
    own = "not judged: the fresh oil's own value counts" if fresh is not None else None
    note = joined_notes(f"midpoint of the grade {middle:g} mm2/s [ISO 3448]", odd, thin, own)
    ratio = cold.value / middle
    worksheet.put(
        "viscosity_to_grade", ratio, *cold.rests_on, note=note, bound=cold.bound, weighed=fresh is None
    )


def _index(case: Case, cold: DerivedQuantity, hot: DerivedQuantity, worksheet: Worksheet) -> None:
    """The viscosity index names the base oil better than any grade: refrigerant thins an oil, another oil
    changes its slope.
    """
    if cold.bound is not None or hot.bound is not None or hot.value >= cold.value:
        return
    index = viscosity_index(cold.value, hot.value)
    if index is None:
        worksheet.notes.append("viscosity_index not derived: it begins at 2 mm2/s at 100 degC")
        return
    if not _CREDIBLE_INDEX[0] <= index <= _CREDIBLE_INDEX[1]:
        worksheet.notes.append("viscosity_index not derived: no oil has these two viscosities")
        return
    usual = USUAL_INDEX.get(case.unit.lubricant or "")
    outside = usual is not None and not usual[0] <= index <= usual[1]
    foreign = (
        f"unusual for {case.unit.lubricant} ({usual[0]} to {usual[1]}): another base oil?"
        if usual and outside
        else None
    )
    note = joined_notes("from 40 and 100 degC [ASTM D2270]", foreign, "informs, is not weighed")
    worksheet.put("viscosity_index", index, *cold.rests_on, *hot.rests_on, note=note, weighed=False)


def _particles(results: OilResults, worksheet: Worksheet) -> None:
    text = results.particle_count_iso4406
    code = None if text is None else parse_code(text)
    if code is None:
        return
    first = code.numbers[0]
    note = joined_notes(
        "not judged: two numbers, none at 4 um(c)"
        if first is None
        else "judged by its first number, 4 um(c) and larger",
        "in compressor sumps bubbles and dark oil count as particles [common practice]",
    )
    worksheet.put(
        "particle_count_iso4406", first or 0, "particle_count_iso4406", note=note, weighed=first is not None
    )
    worksheet.values["particle_count_iso4406"] = replace(
        worksheet.values["particle_count_iso4406"], shown=str(code)
    )
