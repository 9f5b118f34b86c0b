"""Damages to a rule table's document: what is done to it, where the flaw is named, and by which words."""

from collections.abc import Callable
from typing import Any

Document = dict[str, Any]
PLATING = "/findings/copper_plating"


def put(*path: str | int, value: Any) -> Callable[[Document], None]:
    """A damage: the member at a path is set (a list that is one longer gets it as its last)."""

    def damage(document: Document) -> None:
        holder: Any = document
        for name in path[:-1]:
            holder = holder[name]
        if isinstance(holder, list) and path[-1] == len(holder):
            holder.append(value)
        else:
            holder[path[-1]] = value

    return damage


def drop(*path: str | int) -> Callable[[Document], None]:
    def damage(document: Document) -> None:
        holder: Any = document
        for name in path[:-1]:
            holder = holder[name]
        del holder[path[-1]]

    return damage


def never_found(document: Document) -> None:
    for row in [*document["findings"].values(), *document["patterns"].values()]:
        row["per_hundred"].pop("surge", None)


def without_fault(document: Document) -> None:
    document["findings"]["valve_reeds"]["per_hundred"]["no_fault_found"] = [99, 0.4, 0.3, 0.3]


def outside_fault_without_fault(document: Document) -> None:
    row = document["findings"]["contactor"]
    fault = next(i for i, outcome in enumerate(row["outcomes"]) if outcome.get("shows") == "outside_fault")
    row["per_hundred"]["no_fault_found"] = [
        50 if i == fault else 50 / (len(row["outcomes"]) - 1) for i in range(len(row["outcomes"]))
    ]


GOOD = {"finding": "copper_plating", "in": ["heavy"]}
DAMAGES: dict[str, tuple[Callable[[Document], None], str, str]] = {
    "row too low": (
        put("findings", "copper_plating", "background", value=[90, 6, 2]),
        f"{PLATING}/background",
        "sums to 98",
    ),
    "row too high": (
        put("findings", "copper_plating", "per_hundred", "moisture", value=[50, 35, 25]),
        f"{PLATING}/per_hundred/moisture",
        "sums to 110",
    ),
    "row too short": (
        put("findings", "copper_plating", "background", value=[90, 10]),
        f"{PLATING}/background",
        "2 numbers for 3 outcomes",
    ),
    "zero cell": (
        put("findings", "copper_plating", "background", value=[90, 10, 0]),
        f"{PLATING}/background",
        "below 0.1 in 100",
    ),
    "three decimals": (
        put("findings", "copper_plating", "background", value=[90.125, 9, 0.875]),
        f"{PLATING}/background",
        "more than two decimals",
    ),
    "row of an unknown cause": (
        put("findings", "copper_plating", "per_hundred", "water", value=[90, 8, 2]),
        f"{PLATING}/per_hundred/water",
        "no cause 'water'",
    ),
    "unknown station": (
        put("findings", "copper_plating", "station", value="attic"),
        f"{PLATING}/station",
        "no station 'attic'",
    ),
    "unknown group": (
        put("findings", "copper_plating", "group", value="brass"),
        f"{PLATING}/group",
        "no group 'brass'",
    ),
    "group without a finding": (
        put("groups", "brass", value={"rho": 0.5, "says": "brass"}),
        "/groups/brass",
        "No finding belongs",
    ),
    "outcome named twice": (
        put("findings", "copper_plating", "outcomes", 2, "code", value="light"),
        f"{PLATING}/outcomes",
        "each named once",
    ),
    "unknown motor in a gate": (
        put("findings", "copper_plating", "gate", value={"motors": ["steam"]}),
        f"{PLATING}/gate/motors",
        "'steam' is none of",
    ),
    "unknown type in an outcome's gate": (
        put("findings", "copper_plating", "outcomes", 1, "gate", value={"compressor_types": ["swash"]}),
        f"{PLATING}/outcomes/light/gate/compressor_types",
        "'swash' is none of",
    ),
    "supersedes a stranger": (
        put("findings", "copper_plating", "supersedes", value=["brass_plating"]),
        f"{PLATING}/supersedes",
        "no other finding 'brass_plating'",
    ),
    "supersedes itself": (
        put("findings", "copper_plating", "supersedes", value=["copper_plating"]),
        f"{PLATING}/supersedes",
        "no other finding 'copper_plating'",
    ),
    "damage without a fault": (
        without_fault,
        "/findings/valve_reeds/per_hundred/no_fault_found",
        "0.3 at most",
    ),
    "outside fault without a fault": (
        outside_fault_without_fault,
        "/findings/contactor/per_hundred/no_fault_found",
        "0.3 at most",
    ),
    "no base rate": (drop("base_rates", "moisture"), "/base_rates", "'moisture' has no base rate"),
    "base rate of a stranger": (put("base_rates", "water", value=3), "/base_rates/water", "no cause 'water'"),
    "override of a stranger": (
        put("base_rate_overrides", 0, "rates", "water", value=3),
        "/base_rate_overrides/0/rates/water",
        "no cause 'water'",
    ),
    "override for an unknown motor": (
        put("base_rate_overrides", 0, "when", value={"motors": ["steam"]}),
        "/base_rate_overrides/0/when/motors",
        "'steam' is none of",
    ),
    "no cause for a sound machine": (
        drop("causes", "no_fault_found"),
        "/causes",
        "no cause 'no_fault_found'",
    ),
    "chain step of an unknown finding": (
        put("causes", "moisture", "chain", 0, "seen_as", value={"rainfall": ["heavy"]}),
        "/causes/moisture/chain/0",
        "no finding 'rainfall'",
    ),
    "chain step of an unknown outcome": (
        put("causes", "moisture", "chain", 0, "seen_as", value={"copper_plating": ["green"]}),
        "/causes/moisture/chain/0",
        "no outcome 'green'",
    ),
    "chain step that nothing shows": (
        put("causes", "moisture", "chain", 0, "seen_as", value={}),
        "/causes/moisture/chain/0",
        "names no finding",
    ),
    "no chain": (put("causes", "moisture", "chain", value=[]), "/causes/moisture", "a chain and actions"),
    "no actions": (put("causes", "moisture", "actions", value=[]), "/causes/moisture", "a chain and actions"),
    "contrast with a stranger": (
        put("causes", "moisture", "contrast", 0, "against", value="drought"),
        "/causes/moisture/contrast/0",
        "no other cause 'drought'",
    ),
    "contrast with itself": (
        put("causes", "moisture", "contrast", 0, "against", value="moisture"),
        "/causes/moisture/contrast/0",
        "no other cause 'moisture'",
    ),
    "cause gated by an unknown connection": (
        put("causes", "moisture", "gate", value={"connections": ["zigzag"]}),
        "/causes/moisture/gate/connections",
        "'zigzag' is none of",
    ),
    "cause that nothing supports": (never_found, "/causes/surge", "could never be found"),
    "pattern with a finding's code": (
        put(
            "patterns",
            "copper_plating",
            value={"title": "x", "when": GOOD, "background": 5, "per_hundred": {}, "basis": "x"},
        ),
        "/patterns/copper_plating",
        "A finding has this code",
    ),
    "pattern that subsumes a stranger": (
        put("patterns", "milky_but_dry", "subsumes", value=["oil_taste"]),
        "/patterns/milky_but_dry/subsumes",
        "no finding 'oil_taste'",
    ),
    "pattern on an unknown outcome": (
        put("patterns", "milky_but_dry", "when", value={"finding": "lab_water", "in": ["soaked"]}),
        "/patterns/milky_but_dry/when",
        "no outcome 'soaked'",
    ),
    "pattern on no outcome": (
        put("patterns", "milky_but_dry", "when", value={"finding": "lab_water", "in": []}),
        "/patterns/milky_but_dry/when",
        "No outcome of 'lab_water'",
    ),
    "pattern on nothing": (
        put("patterns", "milky_but_dry", "when", value={"all": []}),
        "/patterns/milky_but_dry/when",
        "could hold without",
    ),
    "pattern on what was not seen": (
        put("patterns", "milky_but_dry", "when", value={"unless": GOOD}),
        "/patterns/milky_but_dry/when",
        "could hold without",
    ),
    "condition of two forms": (
        put("patterns", "milky_but_dry", "when", value={**GOOD, "not": GOOD}),
        "/patterns/milky_but_dry/when",
        "A condition is one of",
    ),
    "finding without outcomes in a condition": (
        put("patterns", "milky_but_dry", "when", value={"finding": "lab_water"}),
        "/patterns/milky_but_dry/when",
        "A condition is one of",
    ),
    "pattern share of zero": (
        put("patterns", "milky_but_dry", "background", value=0),
        "/patterns/milky_but_dry/background",
        "from 0.1 to 100",
    ),
    "pattern share of a stranger": (
        put("patterns", "milky_but_dry", "per_hundred", "water", value=3),
        "/patterns/milky_but_dry/per_hundred/water",
        "no cause 'water'",
    ),
    "discount by an unknown tag": (
        put("discounts", 0, "tags", value=["glitter"]),
        "/discounts/0/tags",
        "tag 'glitter'",
    ),
    "discount of an unknown finding": (
        put("discounts", 0, "findings", value=["glitter"]),
        "/discounts/0/findings",
        "no finding 'glitter'",
    ),
    "discount of nothing": (put("discounts", 0, "tags", value=[]), "/discounts/0", "touches nothing"),
    "discount by an unknown member": (
        put("discounts", 0, "when", value={"unit": {"colour": ["red"]}}),
        "/discounts/0/when/unit/colour",
        "no 'colour'",
    ),
    "condition on what is never weighed": (
        put("discounts", 0, "when", value={"unit": {"serial": ["red"]}}),
        "/discounts/0/when/unit/serial",
        "no 'serial'",
    ),
    "discount by an opening that is none": (
        put("discounts", 0, "when", "opening", "method", value=["grindr"]),
        "/discounts/0/when/opening/method",
        "'grindr' is none",
    ),
    "caution on an unknown motor": (
        put("cautions", 0, "when", value={"unit": {"motor": ["steam"]}}),
        "/cautions/0/when/unit/motor",
        "'steam' is none",
    ),
    "caution on an unknown safety group": (
        put("cautions", 0, "when", value={"unit": {"refrigerant_safety": ["A9"]}}),
        "/cautions/0/when/unit/refrigerant_safety",
        "'A9' is none",
    ),
    "caution on an unknown opening": (
        put("cautions", 0, "when", value={"opening": {"tool": ["axe"]}}),
        "/cautions/0/when/opening/tool",
        "no 'tool'",
    ),
    "action on an unknown finding": (
        put(
            "causes",
            "moisture",
            "actions",
            0,
            "when",
            value={"observed": {"finding": "rainfall", "in": ["heavy"]}},
        ),
        "/causes/moisture/actions/0/when/observed",
        "no finding 'rainfall'",
    ),
    "limit on an unknown quantity": (
        put("limits", 0, "quantity", value="mood"),
        "/limits/0/quantity",
        "no quantity 'mood'",
    ),
    "limit to an unknown finding": (
        put("limits", 0, "finding", value="mood"),
        "/limits/0",
        "no finding 'mood'",
    ),
    "bands that fall": (
        put("limits", 0, "bands", value=[{"below": 5}, {"below": 3}, {}]),
        "/limits/0/bands",
        "Bands rise",
    ),
    "open band in the middle": (
        put("limits", 0, "bands", value=[{}, {"below": 3}, {}]),
        "/limits/0/bands",
        "Bands rise",
    ),
    "retired code still in use": (
        put("retired", value=[{"kind": "finding", "code": "copper_plating"}]),
        "/retired/0/code",
        "still in use",
    ),
    "retired code renamed to a stranger": (
        put("retired", value=[{"kind": "cause", "code": "damp", "renamed_to": "water"}]),
        "/retired/0/renamed_to",
        "no cause 'water'",
    ),
    "retired outcome of no finding": (
        put("retired", value=[{"kind": "outcome", "code": "damp"}]),
        "/retired/0/finding",
        "names its finding",
    ),
    "retired outcome still in use": (
        put("retired", value=[{"kind": "outcome", "finding": "copper_plating", "code": "heavy"}]),
        "/retired/0/code",
        "still in use",
    ),
}
