"""Write the demo files: the scenario of scenario.py in the words of five exporters, and the truth behind it.

Run as `python demo_data/generate.py [--out DIR]`. The seed is fixed, so the committed files come out again.
"""

import argparse
import csv
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import xlsxwriter
from scenario import (
    BAD_FROM,
    BAD_MULTIPLIER,
    BAD_SITE,
    BASELINE_RATES,
    CRITERIA,
    END,
    FAMILY_MULTIPLIERS,
    HABITS,
    HARROWMERE,
    LATER_PLACES,
    MILL_INDOORS,
    MILL_YARD,
    OSTREVANE,
    PIN_MULTIPLIERS,
    PLACES,
    REJECTED_SHARES,
    SITE_MULTIPLIERS,
    SIZE_MULTIPLIERS,
    SKELVANE,
    START,
    STRICTNESS,
    TORROWICK,
    WENDRAKE,
    Group,
    ItemClass,
    Line,
    Place,
    Scenario,
    criterion_shares,
    true_rate,
)

SHACKLE = "shackle"
TONNES_PER_SHORT_TON = 0.90718474
EXPORTED_ON = datetime(2026, 10, 1, 8, 0)
RECEIVING_FILE_FROM = date(2024, 1, 1)  # Ostrevane's receiving records start here; before, nothing was kept

HARROWMERE_LOG = "exports/harrowmere_quantity_log.csv"
HARROWMERE_ITEMS = "exports/harrowmere_toolstore_items.xlsx"
OSTREVANE_LOG = "exports/ostrevane_reason_columns.csv"
OSTREVANE_RECEIVING = "exports/ostrevane_receiving_2024_2026.csv"
# Three clients that fill in the same form.
ROUNDS = {
    SKELVANE: "exports/skelvane_rounds.csv",
    TORROWICK: "exports/torrowick_rounds.csv",
    WENDRAKE: "exports/wendrake_rounds.csv",
}

OTHER_GEAR_LOG = "exports/wendrake_other_gear.csv"  # of its mill, in the same form

# The words of each exporter for ours.
HARROWMERE_WORDS = {
    "bow": "Anchor", "chain": "Chain",
    "screw pin": "SP", "bolt-type": "bolt+nut+cotter", "round pin": "RP",
    "carbon": "carbon", "alloy": "alloy",
    "initial": "receiving", "frequent": "shift check", "periodic": "thorough",
    "indoor dry": "shed", "cold store": "chill store", "outdoor inland": "open yard",
    "marine spray": "splash zone", "furnace heat": "hot shop",
}  # fmt: skip
TOOLSTORE_WORDS = {
    "bow": "Bow", "chain": "D",
    "screw pin": "Screw", "bolt-type": "Safety bolt", "round pin": "Round",
    "carbon": "C", "alloy": "A",
    "initial": "Goods in", "periodic": "Quarterly",
    "indoor dry": "Workshop", "marine spray": "Quayside",
}  # fmt: skip
OSTREVANE_WORDS = {
    "bow": "bow", "chain": "dee",
    "screw pin": "SC", "bolt-type": "BN", "round pin": "RD",
    "carbon": "carbon st.", "alloy": "alloy st.",
    "frequent": "daily", "periodic": "interval",
    "indoor dry": "hall", "cold store": "cold room", "outdoor inland": "outdoor",
    "furnace heat": "furnace bay", "caustic wash": "caustic line", "acid pickling": "pickling line",
}  # fmt: skip
ROUNDS_WORDS = {
    "bow": "shackle, bow", "chain": "shackle, chain",
    "screw pin": "screw", "bolt-type": "bolt and nut", "round pin": "round",
    "carbon": "carbon", "alloy": "alloy",
    "": "",
    "jaw and eye turnbuckle": "turnbuckle, jaw + eye", "jaw and jaw turnbuckle": "turnbuckle, jaw + jaw",
    "shoulder eye bolt": "eye bolt, collar", "swivel hoist ring": "hoist ring",
    "oblong link": "oblong link", "ring": "ring", "jaw and eye swivel": "swivel, jaw + eye",
    "initial": "on arrival", "periodic": "round",
    "indoor dry": "under roof", "outdoor inland": "in the open", "marine spray": "at the water",
}  # fmt: skip
RECEIVING_WORDS = OSTREVANE_WORDS | {"bow": "Bow shackle", "chain": "Dee shackle"}

# Reasons as each exporter writes them; where two phrases stand for one criterion the first is the usual one.
HARROWMERE_PHRASES = {
    "identification missing": ["tag illegible", "no marking"],
    "heat damage": ["arc strike"],
    "corrosion or pitting": ["heavy rust", "pitted"],
    "deformed": ["bent", "stretched"],
    "cracked or broken": ["crack"],
    "nicks or gouges": ["gouged"],
    "wear over limit": ["worn bow", "worn pin"],
    "pin not engaging": ["pin won't seat"],
    "thread damage": ["bad thread"],
    "unauthorised welding or change": ["weld on body"],
    "other doubt": ["doubtful"],
    "pin not matching": ["wrong pin", "odd pin"],
    "cotter missing or damaged": ["no cotter"],
}
TOOLSTORE_PHRASES = {
    "identification missing": ["ID unreadable", "ID missing"],
    "heat damage": ["heat marks"],
    "corrosion or pitting": ["corroded"],
    "deformed": ["distorted"],
    "cracked or broken": ["cracked"],
    "nicks or gouges": ["nick"],
    "wear over limit": ["worn >10%"],
    "pin not engaging": ["pin not home"],
    "thread damage": ["threads damaged"],
    "unauthorised welding or change": ["welded"],
    "other doubt": ["other - see supervisor"],
    "pin not matching": ["pin swapped"],
    "cotter missing or damaged": ["split pin missing"],
}
# Ostrevane's form has no column for welding: such items are counted under "Other".
OSTREVANE_COLUMNS = {
    "identification missing": "Marking unreadable",
    "pin not matching": "Pin not original",
    "corrosion or pitting": "Corroded",
    "heat damage": "Heat marks",
    "deformed": "Out of shape",
    "cracked or broken": "Cracks",
    "nicks or gouges": "Notches",
    "wear over limit": "Worn 10 %",
    "pin not engaging": "Pin does not seat",
    "thread damage": "Thread",
    "cotter missing or damaged": "Split pin",
    "unauthorised welding or change": "Other",
    "other doubt": "Other",
}
ROUNDS_PHRASES = {
    "identification missing": ["no marks", "marks worn off"],
    "heat damage": ["burnt"],
    "corrosion or pitting": ["rust pits"],
    "deformed": ["bent"],
    "cracked or broken": ["cracked"],
    "nicks or gouges": ["sharp notch"],
    "wear over limit": ["worn a tenth"],
    "pin not engaging": ["pin not fully in"],
    "thread damage": ["thread bad"],
    "unauthorised welding or change": ["welded on"],
    "other doubt": ["not trusted"],
    "pin not matching": ["pin of another"],
    "cotter missing or damaged": ["cotter gone"],
    "not moving freely": ["will not swivel"],
    "fastener missing or damaged": ["lock nut gone"],
}
RECEIVING_PHRASES = {
    "identification missing": ["no marking"],
    "pin not matching": ["pin of another make"],
    "pin not engaging": ["pin does not seat"],
    "thread damage": ["thread rough"],
    "other doubt": ["other"],
}

HARROWMERE_REMARKS = [
    "after the storm", "rack moved, recount", "pins greased", 'painted red, "A" rack',
    "two lent to dredger crew", "checked with pin gauge", "light poor, done by lamp",
]  # fmt: skip
OSTREVANE_REMARKS = [
    "dépôt rack", "à revoir", "crane hall – north", "½ crate sorted", "contrôlé à la lampe",
    "rinsed first", "naïve paint repair, cleaned off",
]  # fmt: skip

# Rows typed wrong, and typed again rightly in the next record: (file, column, cell, rule, why).
# `unreadable_x` and `missing_x` are what intake calls a cell that gives no x; the others are the contract's.
ABOVE_LOOKED_AT = "above looked at"
SPOILT = [
    (HARROWMERE_LOG, "Looked at", "12 ea", "unreadable_quantity", "a unit typed into the number"),
    (HARROWMERE_LOG, "Visit date", "2062-08-14", "not_in_the_future", "digits of the year swapped"),
    (HARROWMERE_LOG, "Kind of look", "walk-by", "unreadable_inspection_type", "a word nobody agreed on"),
    (HARROWMERE_LOG, "Taken out", ABOVE_LOOKED_AT, "removed_within_inspected", "more removed than looked at"),
    (HARROWMERE_LOG, "Yard", "Saltgarth Annexe", "site_in_register", "a site the register does not know"),
    (HARROWMERE_LOG, "Size", '5/8 or 3/4"', "unreadable_nominal_size_mm", "two sizes in one cell"),
    (HARROWMERE_LOG, "Shackle type", "Hook, eye", "unreadable_gear_family", "an item of another gear family"),
    (HARROWMERE_LOG, "Looked at", "", "missing_quantity", "left empty"),
    (HARROWMERE_ITEMS, "Result", "tbc", "unreadable_removed", "neither pass nor fail"),
    (HARROWMERE_ITEMS, "Type", "Hook", "unreadable_body", "an item of another gear family"),
    (OSTREVANE_LOG, "Pieces checked", "approx. 40", "unreadable_quantity", "an estimate, not a count"),
    (OSTREVANE_LOG, "Scrapped", ABOVE_LOOKED_AT, "removed_within_inspected", "more removed than looked at"),
    (OSTREVANE_LOG, "Size mm", "M?", "unreadable_nominal_size_mm", "the size was not read off"),
    (OSTREVANE_LOG, "Plant", "Aldervane West", "site_in_register", "a site the register does not know"),
    (OSTREVANE_LOG, "Date", "17.09.2062", "not_in_the_future", "digits of the year swapped"),
    (OSTREVANE_RECEIVING, "Received on", "31/02/2025", "unreadable_inspected_on", "a day that does not exist"),
    (OSTREVANE_RECEIVING, "Pieces", "", "missing_quantity", "left empty"),
    (ROUNDS[SKELVANE], "Seen", "a few", "unreadable_quantity", "an estimate, not a count"),
    (ROUNDS[TORROWICK], "Out", ABOVE_LOOKED_AT, "removed_within_inspected", "more removed than looked at"),
    (OTHER_GEAR_LOG, "Item", "chain sling", "unreadable_gear_family", "gear of a family that nobody has described"),
    (ROUNDS[WENDRAKE], "Date", "31 Nov 2025", "unreadable_inspected_on", "a day that does not exist"),
]  # fmt: skip
LOOKED_AT = {
    HARROWMERE_LOG: "Looked at",
    OSTREVANE_LOG: "Pieces checked",
    **dict.fromkeys((*ROUNDS.values(), OTHER_GEAR_LOG), "Seen"),
}

Row = dict[str, Any]


def write_demo(folder: Path) -> Scenario:
    """Write every generated file below `folder` and return the scenario they were made from."""
    scenario = Scenario()
    # Wording is drawn apart from the scenario, so that a new remark does not change what happened.
    rng = np.random.default_rng(1)
    lines = sorted(scenario.lines, key=lambda line: line.day)
    tables = {
        HARROWMERE_LOG: [
            harrowmere_row(line, rng)
            for line in lines
            if line.place.client == HARROWMERE and not line.place.is_serialised
        ],
        HARROWMERE_ITEMS: [toolstore_row(line, rng) for line in lines if line.place.is_serialised],
        OSTREVANE_LOG: [
            ostrevane_row(line, rng)
            for line in lines
            if line.place.client == OSTREVANE and line.kind != "initial"
        ],
        OSTREVANE_RECEIVING: [
            receiving_row(line, rng)
            for line in lines
            if line.place.client == OSTREVANE and line.kind == "initial" and line.day >= RECEIVING_FILE_FROM
        ],
    }
    rng = np.random.default_rng(3)
    tables |= {
        file: [
            rounds_row(line, rng)
            for line in lines
            if line.place.client == client and line.item_class.family == SHACKLE
        ]
        for client, file in ROUNDS.items()
    }
    rng = np.random.default_rng(4)
    tables[OTHER_GEAR_LOG] = [rounds_row(line, rng) for line in lines if line.item_class.family != SHACKLE]
    expected_quarantine = [entry for file, rows in tables.items() for entry in spoil(file, rows)]

    (folder / "exports").mkdir(parents=True, exist_ok=True)
    write_csv(folder / HARROWMERE_LOG, tables[HARROWMERE_LOG], encoding="utf-8-sig", line_end="\r\n")
    write_workbook(folder / HARROWMERE_ITEMS, tables[HARROWMERE_ITEMS])
    write_csv(folder / OSTREVANE_LOG, tables[OSTREVANE_LOG], ";", "cp1252", "\r\n")
    write_csv(folder / OSTREVANE_RECEIVING, tables[OSTREVANE_RECEIVING], "\t")
    for file in (*ROUNDS.values(), OTHER_GEAR_LOG):
        write_csv(folder / file, tables[file])
    write_csv(folder / "site_register.csv", site_register())
    write_csv(folder / "stock_register.csv", stock_register(scenario.groups))
    write_csv(folder / "expected_quarantine.csv", expected_quarantine)
    write_csv(folder / "true_rates.csv", true_rates(scenario.groups))
    write_csv(folder / "true_rates_other_gear.csv", true_rates_other_gear(scenario.groups))
    write_csv(folder / "true_multipliers.csv", true_multipliers())
    return scenario


# Rows as the exporters write them ---------------------------------------------------------------------


def harrowmere_row(line: Line, rng: np.random.Generator) -> Row:
    words, item = HARROWMERE_WORDS, line.item_class
    return {
        "Visit date": line.day.isoformat(),
        "Yard": line.place.site,
        "Area type": words[line.place.environment],
        "Bay": line.bay,
        "Shackle type": words[item.body],
        "Pin": words[item.pin],
        "Size": f'{item.size_in}"',
        "Rated (ton)": f"{item.rated_load_short_tons:g}",
        "Grade": words[item.grade],
        "Kind of look": words[line.kind],
        "Looked at": line.quantity,
        "Taken out": line.removed or None,
        "Replaced": line.replaced or None,
        "Not presented": line.not_presented or None,
        "Why taken out": counted_reasons(line, HARROWMERE_PHRASES, rng, "; "),
        "Inspector": line.inspector,
        "Supplier": line.supplier,
        "Remarks": now_and_then(HARROWMERE_REMARKS, rng),
    }


def toolstore_row(line: Line, rng: np.random.Generator) -> Row:
    words, item = TOOLSTORE_WORDS, line.item_class
    results = ["fail", "fail", "FAIL "] if line.removed else ["pass", "pass", "pass", "Pass"]
    return {
        "Tag": line.serial,
        "Checked on": line.day,
        "Store": line.place.site,
        "Used": words[line.place.environment],
        "Type": words[item.body],
        "Pin": words[item.pin],
        "Size (in)": item.size_in,
        "WLL (short ton)": item.rated_load_short_tons,
        "Grade": words[item.grade],
        "Check": words[line.kind],
        "Result": results[rng.integers(len(results))],
        "Reason": " / ".join(phrase(TOOLSTORE_PHRASES, why, rng) for why in line.mentions),
        "By": line.inspector,
        "Vendor": line.supplier,
    }


def ostrevane_row(line: Line, rng: np.random.Generator) -> Row:
    words, item = OSTREVANE_WORDS, line.item_class
    counts = dict.fromkeys(OSTREVANE_COLUMNS.values(), 0)
    for criterion, count in line.mentions.items():
        counts[OSTREVANE_COLUMNS[criterion]] += count
    bay = f"rack {line.bay} – east" if line.bay else ""
    return {
        "Date": f"{line.day:%d.%m.%Y}",
        "Plant": line.place.site,
        "Zone": words[line.place.environment],
        "Form": words[item.body],
        "Pin type": words[item.pin],
        "Size mm": item.nominal_size_mm,
        "WLL t": tonnes_with_comma(item),
        "Material": words[item.grade],
        "Class of check": words[line.kind],
        "Pieces checked": line.quantity,
        "Scrapped": line.removed,
        **{column: count or None for column, count in counts.items()},
        "Checked by": line.inspector,
        "Observation": bay or now_and_then(OSTREVANE_REMARKS, rng),
    }


def receiving_row(line: Line, rng: np.random.Generator) -> Row:
    words, item = RECEIVING_WORDS, line.item_class
    return {
        "Received on": f"{line.day:%d/%m/%Y}",
        "For plant": line.place.site,
        "For zone": words[line.place.environment],
        "Goods": words[item.body],
        "Pin type": words[item.pin],
        "Size": f"{item.nominal_size_mm} mm",
        "WLL": f"{tonnes_with_comma(item)} t",
        "Material": words[item.grade],
        "Supplier code": line.supplier,
        "Pieces": line.quantity,
        "Refused": line.removed,
        "Reason for refusal": counted_reasons(line, RECEIVING_PHRASES, rng, ", "),
        "Checked by": line.inspector,
    }


def rounds_row(line: Line, rng: np.random.Generator) -> Row:
    words, item = ROUNDS_WORDS, line.item_class
    return {
        "Owner": line.place.client,
        "Site": line.place.site,
        "Surroundings": words[line.place.environment],
        "Item": words[item.body],
        "Pin": words[item.pin],
        "Size mm": item.nominal_size_mm,
        "Load kg": round(item.rated_load_short_tons * TONNES_PER_SHORT_TON * 1000),
        "Steel": words[item.grade],
        "Date": f"{line.day:%d %b %Y}",
        "Occasion": words[line.kind],
        "Seen": line.quantity,
        "Out": line.removed,
        "Put in": line.replaced,
        "Absent": line.not_presented or None,
        "Why": counted_reasons(line, ROUNDS_PHRASES, rng, " + "),
        "Seen by": line.inspector,
        "From": line.supplier,
    }


def counted_reasons(
    line: Line, phrases: dict[str, list[str]], rng: np.random.Generator, separator: str
) -> str:
    """Return reasons with counts, such as `tag illegible x2; wrong pin x1`."""
    return separator.join(f"{phrase(phrases, why, rng)} x{count}" for why, count in line.mentions.items())


def phrase(phrases: dict[str, list[str]], criterion: str, rng: np.random.Generator) -> str:
    """Return the usual phrase for a criterion, or one time in four the other one."""
    usual, *others = phrases[criterion]
    return others[0] if others and rng.random() < 0.25 else usual


def now_and_then(remarks: list[str], rng: np.random.Generator) -> str:
    return remarks[rng.integers(len(remarks))] if rng.random() < 0.06 else ""


def tonnes_with_comma(item: ItemClass) -> str:
    return f"{item.rated_load_short_tons * TONNES_PER_SHORT_TON:.2f}".replace(".", ",")


def spoil(file: str, rows: list[Row]) -> list[Row]:
    """Put the file's bad rows in, each before the right one, spread evenly; return where they stand."""
    bad = [entry for entry in SPOILT if entry[0] == file]
    spread = [len(rows) * (place + 1) // (len(bad) + 1) for place in range(len(bad))]
    account = []
    for already_in, (position, (_, column, cell, rule, why)) in enumerate(zip(spread, bad, strict=True)):
        row = dict(rows[position + already_in])
        row[column] = row[LOOKED_AT[file]] + 3 if cell == ABOVE_LOOKED_AT else cell
        rows.insert(position + already_in, row)
        account.append(
            {
                "file": Path(file).name, "row": position + already_in + 1, "column": column,
                "cell": row[column], "expected_rule": rule, "why": why,
            }
        )  # fmt: skip
    return account


# Registers and the truth ------------------------------------------------------------------------------


def site_register() -> list[Row]:
    return [
        {
            "client": place.client,
            "site": place.site,
            "environment": place.environment,
            "service_class": place.service_class,
            "use_frequency": place.use_frequency,
            "current_interval_months": place.interval_months,
            "legal_limit_months": place.legal_limit_months,
            "site_rule_months": place.site_rule_months,
        }
        for place in [*PLACES, *LATER_PLACES, MILL_INDOORS, MILL_YARD]
    ]


def stock_register(groups: list[Group]) -> list[Row]:
    """Return stock and terms of every class a client has in service, drawn apart from the scenario."""
    rng = np.random.default_rng(2)
    in_service: dict[tuple[str, ItemClass], int] = {}
    for group in groups:
        key = (group.place.client, group.item_class)
        in_service[key] = in_service.get(key, 0) + group.initial_items
    keys = sorted(in_service, key=_place_in_register)
    return [stock_row(client, item, in_service[client, item], rng) for client, item in keys]


def _place_in_register(key: tuple[str, ItemClass]) -> tuple:
    client, item = key
    return item.family != SHACKLE, client, item.body, item.pin, item.nominal_size_mm, item.grade


def stock_row(client: str, item: ItemClass, in_service: int, rng: np.random.Generator) -> Row:
    is_on_order = rng.random() < 0.3
    is_large = item.size_band == "large"
    on_order = int(rng.integers(5, 10 + in_service // 20)) if is_on_order else 0
    load_t = item.rated_load_short_tons * TONNES_PER_SHORT_TON
    price = (
        3.2 * load_t**0.9 * (1.7 if item.grade == "alloy" else 1) * (1.2 if item.pin == "bolt-type" else 1)
    )
    return {
        "client": client,
        "gear_family": item.family,
        "body": item.body,
        "pin": item.pin,
        "nominal_size_mm": item.nominal_size_mm,
        "rated_load_t": round(load_t, 2),
        "grade": item.grade,
        "counted_on": END.isoformat(),
        "on_hand": int(rng.integers(0, 4 + in_service // 12)),
        "on_order": on_order,
        "order_due_on": (END + timedelta(days=int(rng.integers(7, 60)))).isoformat() if is_on_order else "",
        "lead_time_days": int(rng.integers(28, 71) if is_large else rng.integers(10, 36)),
        "lead_time_sd_days": int(rng.integers(3, 15)),
        "unit_cost": f"{price + 2:.2f}",
        "currency": "EUR" if client == OSTREVANE else "USD",
        "pack_size": 1 if is_large else int(rng.choice([5, 10])),
        "minimum_order": 1 if is_large else 10,
        "supplier": str(rng.choice(list(REJECTED_SHARES[client]))),
    }


def true_rates(groups: list[Group]) -> list[Row]:
    """Return the true rate of each place and spell, weighted over its items at the start, by criterion."""
    return [
        true_rate_row(place, [group for group in groups if group.place == place], multiplier, first, last)
        for place in PLACES + LATER_PLACES
        for multiplier, first, last in spells(place)
    ]


def spells(place: Place) -> list[tuple[float, date, date]]:
    if place.site != BAD_SITE:
        return [(1.0, START, END)]
    return [(1.0, START, BAD_FROM - timedelta(days=1)), (BAD_MULTIPLIER, BAD_FROM, END)]


def true_rate_row(place: Place, groups: list[Group], spell: float, first: date, last: date) -> Row:
    items = np.array([group.initial_items for group in groups])
    rates = np.array([true_rate(place, group.item_class) for group in groups]) * spell
    shares = np.array([criterion_shares(place.environment, group.item_class.pin) for group in groups])
    by_criterion = (items * rates) @ shares / items.sum()
    return {
        "client": place.client,
        "site": place.site,
        "environment": place.environment,
        "from_on": first.isoformat(),
        "until_on": last.isoformat(),
        "items_at_start": int(items.sum()),
        "baseline_rate": BASELINE_RATES[place.environment],
        "site_multiplier": SITE_MULTIPLIERS[place.site],
        "spell_multiplier": spell,
        "rate_per_100_shackle_years": f"{(items * rates).sum() / items.sum():.3f}",
        **{criterion: f"{rate:.3f}" for criterion, rate in zip(CRITERIA, by_criterion, strict=True)},
    }


def true_rates_other_gear(groups: list[Group]) -> list[Row]:
    """Return the true rate of each place and family that is not shackles, weighted over its items at the start."""
    others = [group for group in groups if group.item_class.family != SHACKLE]
    rows = []
    for place, family in dict.fromkeys((group.place, group.item_class.family) for group in others):
        own = [group for group in others if group.place == place and group.item_class.family == family]
        items = np.array([group.initial_items for group in own])
        rates = np.array([true_rate(place, group.item_class) for group in own])
        rows.append(
            {
                "client": place.client, "site": place.site, "environment": place.environment, "gear_family": family,
                "items_at_start": int(items.sum()),
                "rate_per_100_item_years": f"{(items * rates).sum() / items.sum():.3f}",
            }
        )  # fmt: skip
    return rows


def true_multipliers() -> list[Row]:
    """Return every multiplier of the hazard, the true shares of goods refused, and how the logs are kept."""
    rows = [("environment baseline", "", name, rate) for name, rate in BASELINE_RATES.items()]
    rows += [("site", "", name, factor) for name, factor in SITE_MULTIPLIERS.items()]
    rows += [("size band", "", name, factor) for name, factor in SIZE_MULTIPLIERS.items()]
    rows += [("pin", "", name, factor) for name, factor in PIN_MULTIPLIERS.items()]
    rows += [("gear family", "", name, factor) for name, factor in FAMILY_MULTIPLIERS.items()]
    rows += [("bad spell", "", BAD_SITE, BAD_MULTIPLIER)]
    for client, inspectors in STRICTNESS.items():
        rows += [("inspector strictness", client, code, factor) for code, factor in inspectors.items()]
    for client, suppliers in REJECTED_SHARES.items():
        rows += [("share refused on receipt", client, code, share) for code, share in suppliers.items()]
    rows += [("habit", "", name, value) for name, value in vars(HABITS).items()]
    return [dict(zip(("kind", "client", "name", "value"), row, strict=True)) for row in rows]


# Files ------------------------------------------------------------------------------------------------


def write_csv(
    path: Path, rows: list[Row], delimiter: str = ",", encoding: str = "utf-8", line_end: str = "\n"
) -> None:
    with path.open("w", newline="", encoding=encoding) as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=delimiter, lineterminator=line_end)
        writer.writeheader()
        writer.writerows(rows)


def write_workbook(path: Path, rows: list[Row]) -> None:
    """Write the toolstore's sheet: two title rows, the header in the third, days as date cells."""
    with xlsxwriter.Workbook(path) as workbook:
        workbook.set_properties({"title": "Toolstore checks", "created": EXPORTED_ON})
        day_format = workbook.add_format({"num_format": "dd/mm/yyyy"})
        sheet = workbook.add_worksheet("Checks")
        sheet.write_string(0, 0, "Kettlebrae Toolstore: shackle checks")
        sheet.write_string(1, 0, f"Exported {EXPORTED_ON:%d %b %Y}, all tags")
        sheet.write_row(2, 0, list(rows[0]))
        for number, row in enumerate(rows, start=3):
            for column, cell in enumerate(row.values()):
                if isinstance(cell, date):
                    sheet.write_datetime(
                        number, column, datetime(cell.year, cell.month, cell.day), day_format
                    )
                elif cell != "":
                    sheet.write(number, column, cell)


def main() -> None:
    """Write the files where the command line says; beside this script unless it says otherwise."""
    parser = argparse.ArgumentParser(description="Write the invented demo files again.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, metavar="DIR")
    write_demo(parser.parse_args().out)


if __name__ == "__main__":
    main()
