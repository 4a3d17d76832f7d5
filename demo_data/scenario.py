"""The invented scenario behind the demo files: five clients, three years of looks, and the truth of each.

Clients, sites, rates and inspectors are all invented; README.md beside this file says how the model works.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import pandas as pd

from pipelines.contracts import rated_loads, removal_criteria

SEED = 20  # picked for two fleets near 60 000 with just the three overdue places that PLACES asks for
START, END = date(2023, 10, 1), date(2026, 9, 30)

HARROWMERE, OSTREVANE = "Harrowmere Marine", "Ostrevane Metals"
SKELVANE, TORROWICK, WENDRAKE = "Skelvane Timber", "Torrowick Quarries", "Wendrake Paper"

# Removals per 100 shackle-years before the multipliers of site, size, pin and inspector.
BASELINE_RATES = {
    "indoor dry": 2.5,
    "cold store": 4.0,
    "outdoor inland": 6.0,
    "marine spray": 14.0,
    "furnace heat": 16.0,
    "caustic wash": 20.0,
    "acid pickling": 30.0,
}
SMALL_UP_TO_MM = 19
SIZE_MULTIPLIERS = {"small": 1.1, "large": 0.9}
PIN_MULTIPLIERS = {"screw pin": 1.1, "bolt-type": 0.85, "round pin": 1.0}
SITE_MULTIPLIERS = {
    "Saltgarth Yard": 1.0,
    "Thornquay Basin": 1.2,
    "Brackmere Slip": 0.8,
    "Wexholm Stores": 0.9,
    "Dunsferry Works": 1.3,
    "Mosshaven Terminal": 1.0,
    "Kettlebrae Toolstore": 0.9,
    "Cravelode Works": 1.15,
    "Steinmoor Mill": 0.9,
    "Aldervane Plant": 1.0,
    "Pellbrook Foundry": 1.1,
    "Lindhollow Depot": 0.75,
    "Quarrowby Yard": 1.0,
    "Ambersough Wharf": 1.1,
    "Ravelmoor Sawmill": 0.85,
    "Mirkholm Jetty": 0.9,
    "Stanwreath Jetty": 1.25,
    "Hexendale Quarry": 1.0,
    "Ellowby Wharf": 1.0,
    "Garsdown Wharf": 0.95,
    "Pulverstone Mill": 1.2,
}
# Of other families, what only some kinds can have.
ONLY_OF = {"not moving freely": "swivel", "fastener missing or damaged": "turnbuckle"}
# Gear of other families: how it compares with shackles, and the shares of its primary criteria in percent, in the order
# of the coded list's rank.
FAMILY_MULTIPLIERS = {"shackle": 1.0, "adjustable hardware": 1.5, "links and rings": 0.8}
FAMILY_CRITERION_PERCENT = {
    "adjustable hardware": {
        "corrosion or pitting": 8, "deformed": 12, "cracked or broken": 2, "nicks or gouges": 4, "wear over limit": 6,
        "thread damage": 26, "unauthorised welding or change": 2, "other doubt": 2, "not moving freely": 4,
        "fastener missing or damaged": 10, "identification missing": 24,
    },
    "links and rings": {
        "heat damage": 2, "corrosion or pitting": 14, "deformed": 12, "cracked or broken": 3, "nicks or gouges": 12,
        "wear over limit": 18, "other doubt": 3, "not moving freely": 6, "identification missing": 30,
    },
}  # fmt: skip
BAD_SITE, BAD_FROM, BAD_MULTIPLIER = "Quarrowby Yard", date(2026, 5, 1), 2.5

# An inspector's multiplier acts on the hazard of every gap that ends with that inspector's look.
STRICTNESS = {
    HARROWMERE: {"HM-02": 0.85, "HM-05": 1.05, "HM-07": 0.95, "HM-11": 1.15, "HM-12": 1.0},
    OSTREVANE: {"K3": 1.15, "K4": 0.95, "K8": 1.0, "K9": 0.85, "K15": 1.05},
    SKELVANE: {"ST-A": 0.95, "ST-B": 1.05, "ST-C": 1.0},
    TORROWICK: {"TQ-1": 1.05, "TQ-2": 1.0, "TQ-3": 0.95},
    WENDRAKE: {"WP-4": 1.0, "WP-5": 0.95, "WP-6": 1.05},
}
REJECTED_SHARES = {
    HARROWMERE: {"S-11": 0.02, "S-14": 0.02, "S-20": 0.02, "S-32": 0.06},
    OSTREVANE: {"L401": 0.02, "L402": 0.02, "L407": 0.02},
    SKELVANE: {"V-51": 0.02, "V-52": 0.02},
    TORROWICK: {"V-61": 0.02, "V-62": 0.02},
    WENDRAKE: {"V-71": 0.02, "V-72": 0.02},
}

CRITERIA = list(removal_criteria().query("gear_family == 'shackle'").sort_values("primary_rank")["criterion"])
CRITERIA.remove("not stated")
# Shares of the primary criterion in percent, in the order of the coded list's rank (most decisive first).
CRITERION_PERCENT = {
    #                  heat corr defo crac nick wear weld doub seat thre pin  cott iden
    "indoor dry":     [  1,   3,   6,   2,   4,   8,   2,   2,   3,   6,  22,   4,  37],
    "cold store":     [  1,   9,   5,   3,   3,   6,   1,   3,   5,   6,  20,   4,  34],
    "outdoor inland": [  1,  11,   6,   2,   4,   8,   2,   2,   3,   5,  20,   4,  32],
    "marine spray":   [  1,  21,   4,   2,   3,   7,   1,   2,   3,   5,  19,   3,  29],
    "furnace heat":   [ 22,   4,   5,   3,   3,   6,   2,   2,   2,   4,  18,   2,  27],
    "caustic wash":   [  1,  22,   3,   2,   3,   5,   1,   3,   4,   6,  18,   4,  28],
    "acid pickling":  [  1,  26,   3,   4,   2,   5,   1,   2,   4,   6,  17,   3,  26],
}  # fmt: skip
# Goods received are refused for these reasons, whatever the environment.
RECEIVING_PERCENT = {
    "identification missing": 40,
    "pin not matching": 20,
    "pin not engaging": 20,
    "thread damage": 15,
    "other doubt": 5,
}


@dataclass(frozen=True)
class Habits:
    """How the looks go and how the logs are kept."""

    share_late: float = 0.05
    share_skipped: float = 0.04  # never a yearly look
    share_with_second_criterion: float = 0.15
    share_without_reason: float = 0.04
    share_found_in_daily_looks: float = 0.12  # at the sites below
    share_replaced_same_day_harrowmere: float = 0.7  # the others come through receiving
    share_replaced_same_day_ostrevane: float = 0.0
    share_replaced_same_day_others: float = 0.9
    share_of_looks_with_absent_items: float = 0.07
    share_of_absent_that_come_back: float = 0.7  # at the next look
    share_of_absent_written_down: float = 0.6  # where the log has a column for it
    share_of_tags_not_presented: float = 0.03  # in the toolstore, whose absent tags have no row
    share_of_absent_tags_not_lost: float = 0.8
    additions_without_paper_per_group_and_year: float = 0.25


HABITS = Habits()
REPLACED_SAME_DAY = {
    HARROWMERE: HABITS.share_replaced_same_day_harrowmere,
    OSTREVANE: HABITS.share_replaced_same_day_ostrevane,
    **dict.fromkeys((SKELVANE, TORROWICK, WENDRAKE), HABITS.share_replaced_same_day_others),
}
SITES_WITH_DAILY_RECORDS = {"Thornquay Basin", "Cravelode Works"}
SPLIT_FROM = 150  # groups of so many items are logged bay by bay where the place does so


@dataclass(frozen=True)
class ItemClass:
    """What the items of one group have in common, apart from where they are kept."""

    body: str
    pin: str
    size_in: str
    nominal_size_mm: int
    grade: str
    rated_load_short_tons: float
    family: str = "shackle"

    @property
    def size_band(self) -> str:
        """Small or large, as the truth tells them apart."""
        return "small" if self.nominal_size_mm <= SMALL_UP_TO_MM else "large"


@dataclass(frozen=True)
class Place:
    """One environment of one site, as the site register has it, and how its looks go."""

    client: str
    site: str
    environment: str
    service_class: str
    use_frequency: str
    interval_months: int
    legal_limit_months: int | None = None
    site_rule_months: int | None = None
    is_rolling: bool = False  # a third of the classes each month, not all in one visit
    is_split: bool = False  # large groups are logged bay by bay
    is_serialised: bool = False
    classes: tuple[int, int] = (9, 18)  # fewest and most item classes kept there
    typical_items: int = 0  # of a class; 0 for what its size makes typical
    last_look_before: date = END + timedelta(days=1)

    @property
    def bad_from(self) -> date:
        """The day from which items go bad faster; after the history where they never do."""
        return BAD_FROM if self.site == BAD_SITE else END + timedelta(days=1)


PLACES = [
    Place(HARROWMERE, "Saltgarth Yard", "marine spray", "severe", "daily", 3, is_rolling=True),
    Place(HARROWMERE, "Saltgarth Yard", "outdoor inland", "normal", "weekly", 12),
    Place(HARROWMERE, "Thornquay Basin", "marine spray", "severe", "daily", 1, is_split=True),
    Place(HARROWMERE, "Thornquay Basin", "indoor dry", "normal", "weekly", 12),
    Place(HARROWMERE, "Brackmere Slip", "marine spray", "severe", "weekly", 3, site_rule_months=3),
    Place(HARROWMERE, "Brackmere Slip", "cold store", "normal", "occasional", 12,
          last_look_before=date(2025, 6, 1)),
    Place(HARROWMERE, "Wexholm Stores", "indoor dry", "normal", "occasional", 3),
    Place(HARROWMERE, "Wexholm Stores", "cold store", "normal", "weekly", 3),
    Place(HARROWMERE, "Dunsferry Works", "outdoor inland", "normal", "daily", 12, is_split=True),
    Place(HARROWMERE, "Dunsferry Works", "indoor dry", "normal", "weekly", 12),
    Place(HARROWMERE, "Dunsferry Works", "furnace heat", "severe", "daily", 3),
    Place(HARROWMERE, "Mosshaven Terminal", "marine spray", "severe", "daily", 3, 6, is_rolling=True),
    Place(HARROWMERE, "Mosshaven Terminal", "outdoor inland", "normal", "weekly", 6, 6,
          last_look_before=date(2025, 12, 1)),
    Place(HARROWMERE, "Kettlebrae Toolstore", "indoor dry", "normal", "weekly", 3, is_serialised=True),
    Place(HARROWMERE, "Kettlebrae Toolstore", "marine spray", "severe", "weekly", 3, is_serialised=True),
    Place(OSTREVANE, "Cravelode Works", "acid pickling", "severe", "daily", 1, is_split=True),
    Place(OSTREVANE, "Cravelode Works", "caustic wash", "severe", "daily", 3),
    Place(OSTREVANE, "Cravelode Works", "indoor dry", "normal", "weekly", 12),
    Place(OSTREVANE, "Steinmoor Mill", "furnace heat", "severe", "daily", 3, last_look_before=date(2026, 3, 1)),
    Place(OSTREVANE, "Steinmoor Mill", "indoor dry", "normal", "daily", 12, is_split=True),
    Place(OSTREVANE, "Aldervane Plant", "acid pickling", "severe", "daily", 3, is_rolling=True),
    Place(OSTREVANE, "Aldervane Plant", "outdoor inland", "normal", "weekly", 12),
    Place(OSTREVANE, "Pellbrook Foundry", "furnace heat", "special", "daily", 3, site_rule_months=3),
    Place(OSTREVANE, "Pellbrook Foundry", "outdoor inland", "normal", "weekly", 12, site_rule_months=12),
    Place(OSTREVANE, "Lindhollow Depot", "cold store", "normal", "weekly", 12),
    Place(OSTREVANE, "Lindhollow Depot", "indoor dry", "normal", "occasional", 12),
    Place(OSTREVANE, "Quarrowby Yard", "caustic wash", "severe", "daily", 1),
    Place(OSTREVANE, "Quarrowby Yard", "outdoor inland", "normal", "weekly", 3, is_rolling=True),
]  # fmt: skip
# Clients with few classes in large numbers, so that short logs are company enough for the sites above: nobody may have
# more than half of what a comparison rests on. Each place has a stream of chance of its own.
FEW_BUT_LARGE = {"classes": (5, 5), "typical_items": 540}
LATER_PLACES = [
    Place(SKELVANE, "Ambersough Wharf", "marine spray", "severe", "daily", 3, **FEW_BUT_LARGE),
    Place(SKELVANE, "Ambersough Wharf", "outdoor inland", "normal", "weekly", 6, **FEW_BUT_LARGE),
    Place(SKELVANE, "Ravelmoor Sawmill", "indoor dry", "normal", "weekly", 6, **FEW_BUT_LARGE),
    Place(TORROWICK, "Mirkholm Jetty", "marine spray", "severe", "weekly", 3, **FEW_BUT_LARGE),
    Place(TORROWICK, "Mirkholm Jetty", "outdoor inland", "normal", "weekly", 6, **FEW_BUT_LARGE),
    Place(TORROWICK, "Stanwreath Jetty", "marine spray", "severe", "weekly", 3, **FEW_BUT_LARGE),
    Place(TORROWICK, "Hexendale Quarry", "indoor dry", "normal", "occasional", 6, **FEW_BUT_LARGE),
    Place(WENDRAKE, "Ellowby Wharf", "marine spray", "severe", "weekly", 3, **FEW_BUT_LARGE),
    Place(WENDRAKE, "Ellowby Wharf", "indoor dry", "normal", "weekly", 6, **FEW_BUT_LARGE),
    Place(WENDRAKE, "Garsdown Wharf", "marine spray", "severe", "daily", 3, **FEW_BUT_LARGE),
    Place(WENDRAKE, "Garsdown Wharf", "outdoor inland", "normal", "weekly", 6, **FEW_BUT_LARGE),
]

# One site with gear of two other families, in streams of chance of its own. Rated loads of turnbuckles are those of the
# reference table, the others are round figures.
MILL_INDOORS = Place(WENDRAKE, "Pulverstone Mill", "indoor dry", "normal", "daily", 3, typical_items=160)
MILL_YARD = Place(WENDRAKE, "Pulverstone Mill", "outdoor inland", "severe", "daily", 3, typical_items=120)
OTHER_GEAR = [
    (place, [ItemClass(body, "", size_in, size_mm, grade, load, family) for body, size_in, size_mm, grade, load in classes])
    for place in (MILL_INDOORS, MILL_YARD)
    for family, classes in {
        "adjustable hardware": [
            ("jaw and eye turnbuckle", "1/2", 13, "carbon", 1.1), ("jaw and jaw turnbuckle", "3/4", 19, "carbon", 2.6),
            ("shoulder eye bolt", "5/8", 16, "carbon", 2.5), ("swivel hoist ring", "1", 25, "alloy", 5.0),
        ],
        "links and rings": [
            ("oblong link", "3/4", 19, "alloy", 6.0), ("oblong link", "1", 25, "alloy", 11.0),
            ("ring", "7/8", 22, "carbon", 3.5), ("jaw and eye swivel", "3/4", 19, "carbon", 3.6),
        ],
    }.items()
]  # fmt: skip

# How common a class is; round pins are carbon only.
BODY_WEIGHTS = {"bow": 0.65, "chain": 0.35}
PIN_WEIGHTS = {"screw pin": 0.6, "bolt-type": 0.34, "round pin": 0.06}
GRADE_WEIGHTS = {"carbon": 0.75, "alloy": 0.25}
SIZE_WEIGHTS = {
    "3/8": 0.6, "7/16": 0.4, "1/2": 1.0, "5/8": 1.2, "3/4": 1.2, "7/8": 1.0, "1": 1.0, "1-1/8": 0.5,
    "1-1/4": 0.7, "1-3/8": 0.3, "1-1/2": 0.5, "1-3/4": 0.25, "2": 0.2,
}  # fmt: skip
SERIALISED_ITEMS = {"indoor dry": 170, "marine spray": 150}
JITTER_DAYS = {1: 3, 3: 7, 6: 10, 12: 14}


@dataclass
class Group:
    """The items of one class at one place: cohorts of (last known fit on, how many), present or away."""

    place: Place
    item_class: ItemClass
    cohorts: list[tuple[date, int]]
    initial_items: int
    away: list[tuple[date, int]] = field(default_factory=list)
    shortfall: int = 0

    @property
    def items(self) -> int:
        """Items present now."""
        return sum(count for _, count in self.cohorts)


@dataclass(frozen=True)
class Exposure:
    """One cohort up to a look: the day each rejectable item became so, and the years lived until then."""

    gone_on: list[date]
    calm_years: float
    bad_years: float


@dataclass
class Line:
    """One row of a log, in our own words; the exporters say it in theirs."""

    day: date
    place: Place
    item_class: ItemClass
    kind: str
    quantity: int
    reasons: list[tuple[str, ...]]  # one entry for each removed item; empty where nobody wrote a reason
    inspector: str
    replaced: int = 0
    not_presented: int = 0
    supplier: str = ""
    bay: int | None = None
    serial: str = ""

    @property
    def removed(self) -> int:
        """Items removed, each once."""
        return len(self.reasons)

    @property
    def mentions(self) -> Counter[str]:
        """How often each criterion is written down."""
        return Counter(criterion for criteria in self.reasons for criterion in criteria)


class Scenario:
    """Three years of looks at every place: the lines a log would show, and the ledger nobody sees."""

    def __init__(self, seed: int = SEED) -> None:
        self.rng = np.random.default_rng(seed)
        self.lines: list[Line] = []
        self.ledger_rows: list[dict] = []
        self.groups: list[Group] = []
        for number, place in enumerate(PLACES):
            if place.is_serialised:
                self.run_serialised_place(place, number)
            else:
                self.run_place(place, number)
        for number, place in enumerate(LATER_PLACES):
            self.rng = np.random.default_rng([seed, number])
            self.run_place(place, number)
        for number, (place, classes) in enumerate(OTHER_GEAR):
            self.rng = np.random.default_rng([seed, 100 + number])
            self.run_place(place, number, classes)

    @property
    def ledger(self) -> pd.DataFrame:
        """One row for each group and look: what was removed, and the true time at risk behind it."""
        return pd.DataFrame(self.ledger_rows)

    # Chance -----------------------------------------------------------------------------------

    def happens(self, probability: float) -> bool:
        return bool(self.rng.random() < probability)

    def how_many(self, trials: int, probability: float) -> int:
        return int((self.rng.random(trials) < probability).sum())

    def pick(self, options: Iterable, weights: Iterable[float] | None = None):
        options = list(options)
        if weights is None:
            return options[int(self.rng.integers(len(options)))]
        edges = np.cumsum(np.array(list(weights), dtype=float))
        return options[int(np.searchsorted(edges, self.rng.random() * edges[-1], side="right"))]

    def exposure(self, group: Group, cohort: tuple[date, int], day: date, inspector: str) -> Exposure:
        """Draw when each item of a cohort becomes rejectable, at a steady hazard but for the bad spell."""
        since, count = cohort
        calm = max(0, (min(day, group.place.bad_from) - since).days) / 365.25
        bad = (day - since).days / 365.25 - calm
        hazard = true_rate(group.place, group.item_class) / 100 * STRICTNESS[group.place.client][inspector]
        wait = self.rng.exponential(size=count) / hazard
        calm_years = np.minimum(wait, calm)
        bad_years = np.clip((wait - calm) / BAD_MULTIPLIER, 0, bad)
        lived = (calm_years + bad_years)[wait < calm + bad * BAD_MULTIPLIER]
        gone_on = [since + timedelta(days=int(np.ceil(years * 365.25))) for years in lived]
        return Exposure(gone_on, float(calm_years.sum()), float(bad_years.sum()))

    def reasons_for(self, place: Place, item_class: ItemClass, count: int) -> list[tuple[str, ...]]:
        return [self.reasons_of_one(*criteria_of(place, item_class)) for _ in range(count)]

    def reasons_of_one(self, criteria: list[str], shares: list[float]) -> tuple[str, ...]:
        """The primary criterion, now and then a less decisive second one, or nothing written."""
        primary = self.pick(criteria, shares)
        rank = criteria.index(primary)
        lesser = shares[rank + 1 :]
        has_second = self.happens(HABITS.share_with_second_criterion) and sum(lesser) > 0
        reasons = (primary, self.pick(criteria[rank + 1 :], lesser)) if has_second else (primary,)
        return () if self.happens(HABITS.share_without_reason) else reasons

    def reason_on_receipt(self, item_class: ItemClass) -> tuple[str, ...]:
        reason = self.pick(RECEIVING_PERCENT, RECEIVING_PERCENT.values())
        if item_class.family != "shackle":
            reason = "identification missing"  # nothing of theirs has a pin to be refused for
        return () if self.happens(HABITS.share_without_reason) else (reason,)

    # Visits -----------------------------------------------------------------------------------

    def visit_days(self, place: Place, offset: int) -> Iterator[date]:
        """Yield the days of periodic visits: jitter, now and then a late one, now and then none."""
        interval = place.interval_months * 30.4375
        jitter = JITTER_DAYS[place.interval_months]
        nominal = float(offset)
        while True:
            shift = int(self.rng.integers(-jitter, jitter + 1))
            is_late = self.happens(HABITS.share_late)
            is_skipped = self.happens(HABITS.share_skipped) and place.interval_months < 12
            if is_late:
                shift += int(interval * self.rng.uniform(0.2, 0.4))
            day = on_a_weekday(START + timedelta(days=max(0, int(nominal) + shift)))
            if day > END:
                return
            if not is_skipped and day < place.last_look_before:
                yield day
            nominal += interval

    def calendar(self, place: Place) -> list[tuple[date, int]]:
        """Return the day and the slot of each visit; a rolling place has a slot a month, others one slot."""
        if place.is_rolling:
            offsets = [int(self.rng.integers(2, 28)) + 30 * slot for slot in range(3)]
        else:
            offsets = [int(self.rng.integers(0, place.interval_months * 27))]
        return sorted(
            (day, slot) for slot, offset in enumerate(offsets) for day in self.visit_days(place, offset)
        )

    # Places that log by quantity ----------------------------------------------------------------

    def run_place(self, place: Place, number: int, classes: list[ItemClass] | None = None) -> None:
        visits = self.calendar(place)
        for position, item_class in enumerate(classes or self.draw_classes(self.how_many_classes(place))):
            slot = position % 3 if place.is_rolling else 0
            looks = [
                # Six classes a day; the inspectors take turns, so that no site and no class has its own.
                (
                    on_a_weekday(day + timedelta(days=position // 6)),
                    inspector_in_turn(place, number + visit + position),
                )
                for visit, (day, visit_slot) in enumerate(visits)
                if visit_slot == slot
            ]
            self.run_group(place, item_class, [look for look in looks if look[0] <= END])

    def how_many_classes(self, place: Place) -> int:
        fewest, most = place.classes
        return int(self.rng.integers(fewest, most + 1))

    def draw_classes(self, count: int) -> list[ItemClass]:
        known, weights = class_catalogue()
        chosen: list[ItemClass] = []
        while len(chosen) < count:
            item_class = self.pick(known, weights)
            if item_class not in chosen:
                chosen.append(item_class)
        return chosen

    def run_group(self, place: Place, item_class: ItemClass, looks: list[tuple[date, str]]) -> None:
        usual = 180 if item_class.size_band == "small" else 120
        typical, most = (place.typical_items, 2000) if place.typical_items else (usual, 600)
        items = int(np.clip(self.rng.lognormal(np.log(typical), 0.6), 20, most))
        first_on = looks[0][0]
        group = Group(place, item_class, [(first_on - timedelta(days=backlog_days(place)), items)], items)
        self.groups.append(group)
        previous_on = None
        for day, inspector in looks:
            if previous_on is not None:
                self.add_without_paper(group, previous_on, day)
                self.receive(group, previous_on, day, inspector)
            self.look(group, previous_on, day, inspector)
            previous_on = day

    def add_without_paper(self, group: Group, previous_on: date, day: date) -> None:
        gap = (day - previous_on).days
        if self.happens(HABITS.additions_without_paper_per_group_and_year * gap / 365.25):
            added = int(self.rng.integers(1, 2 + group.initial_items // 20))
            group.cohorts.append((self.day_between(previous_on, day), added))

    def receive(self, group: Group, previous_on: date, day: date, inspector: str) -> None:
        """Order what is short; the goods that pass the receiving inspection join the group."""
        if group.shortfall < 4 and not self.happens(0.25 if group.shortfall else 0):
            return
        received_on = on_a_weekday(previous_on + timedelta(days=int(self.rng.integers(6, 26))))
        if received_on >= day:
            return
        shares = REJECTED_SHARES[group.place.client]
        supplier = self.pick(shares)
        rejected = self.how_many(group.shortfall, shares[supplier])
        reasons = [self.reason_on_receipt(group.item_class) for _ in range(rejected)]
        self.lines.append(
            Line(
                received_on, group.place, group.item_class, "initial", group.shortfall, reasons, inspector,
                supplier=supplier,
            )
        )  # fmt: skip
        group.cohorts.append((received_on, group.shortfall - rejected))
        group.shortfall = rejected

    def look(self, group: Group, previous_on: date | None, day: date, inspector: str) -> None:
        """One periodic look: what went bad since each cohort was last known fit is found and removed."""
        came_back = [cohort for cohort in group.away if self.happens(HABITS.share_of_absent_that_come_back)]
        absent = self.send_away(group) if previous_on is not None else 0
        exposures = [self.exposure(group, cohort, day, inspector) for cohort in group.cohorts + came_back]
        found_daily: list[date] = []
        if previous_on is not None and group.place.site in SITES_WITH_DAILY_RECORDS:
            gone_at_hand = [on for exposure in exposures[: len(group.cohorts)] for on in exposure.gone_on]
            found_daily = [
                on for on in gone_at_hand if on < day and self.happens(HABITS.share_found_in_daily_looks)
            ]
        self.log_daily_finds(group, found_daily, inspector)
        self.note(group, previous_on, day, inspector, exposures, len(found_daily))
        group.cohorts += came_back
        present = group.items - len(found_daily)
        removed = sum(len(exposure.gone_on) for exposure in exposures) - len(found_daily)
        replaced = self.how_many(removed, REPLACED_SAME_DAY[group.place.client])
        self.log_look(group, day, inspector, present, removed, replaced, absent)
        group.shortfall += removed + len(found_daily) - replaced
        group.cohorts = [(day, present - removed + replaced)]

    def send_away(self, group: Group) -> int:
        """Some items are not presented: lent, locked up, lost. Most come back at the next look."""
        group.away = []
        if not self.happens(HABITS.share_of_looks_with_absent_items):
            return 0
        since, count = group.cohorts[0]
        absent = min(count, int(self.rng.integers(1, 3 + count // 12)))
        group.cohorts[0] = (since, count - absent)
        group.away = [(since, absent)]
        return absent

    def log_daily_finds(self, group: Group, days: list[date], inspector: str) -> None:
        for day, found in sorted(Counter(days).items()):
            looked_at = min(group.items, found + int(self.rng.integers(2, 18)))
            reasons = self.reasons_for(group.place, group.item_class, found)
            self.lines.append(
                Line(day, group.place, group.item_class, "frequent", looked_at, reasons, inspector)
            )

    def log_look(
        self, group: Group, day: date, inspector: str, present: int, removed: int, replaced: int, absent: int
    ) -> None:
        reasons = self.reasons_for(group.place, group.item_class, removed)
        written = absent if absent and self.happens(HABITS.share_of_absent_written_down) else 0
        line = Line(
            day, group.place, group.item_class, "periodic", present, reasons, inspector, replaced, written
        )
        is_split = group.place.is_split and present >= SPLIT_FROM
        self.lines += self.by_bay(line) if is_split else [line]

    def by_bay(self, line: Line) -> list[Line]:
        """The same look as two or three lines, one for each bay; together they are the group's look."""
        bays = 2 + (line.quantity >= 2 * SPLIT_FROM)
        quantities = [line.quantity // bays + (bay < line.quantity % bays) for bay in range(bays)]
        bay_of_item = [int(self.rng.integers(bays)) for _ in line.reasons]
        replaced_in = Counter(bay_of_item[: line.replaced])
        parts = []
        for bay, quantity in enumerate(quantities):
            reasons = [why for why, where in zip(line.reasons, bay_of_item, strict=True) if where == bay]
            absent = line.not_presented if bay == 0 else 0
            parts.append(
                Line(
                    line.day, line.place, line.item_class, line.kind, quantity, reasons, line.inspector,
                    replaced_in[bay], absent, bay=bay + 1,
                )
            )  # fmt: skip
        return parts

    def note(
        self, group: Group, previous_on: date | None, day: date, inspector: str, exposures: list[Exposure],
        found_daily: int,
    ) -> None:  # fmt: skip
        """Enter one look in the ledger; `removed` counts what was found in daily looks before it too."""
        self.ledger_rows.append(
            {
                "client": group.place.client,
                "site": group.place.site,
                "environment": group.place.environment,
                "gear_family": group.item_class.family,
                "size_band": group.item_class.size_band,
                "pin": group.item_class.pin,
                "inspected_on": day,
                "inspector": inspector,
                "is_first_look": previous_on is None,
                "removed": sum(len(exposure.gone_on) for exposure in exposures),
                "removed_in_daily_looks": found_daily,
                "calm_years": sum(exposure.calm_years for exposure in exposures),
                "bad_years": sum(exposure.bad_years for exposure in exposures),
            }
        )

    def day_between(self, earlier: date, later: date) -> date:
        return earlier + timedelta(days=int(self.rng.integers(1, max(2, (later - earlier).days))))

    # The toolstore that logs item by item ---------------------------------------------------------

    def run_serialised_place(self, place: Place, number: int) -> None:
        """Each tagged item is a group of one; once removed it is not seen again."""
        visits = self.calendar(place)
        classes = self.draw_classes(10)
        tags = (f"KB{place.environment[0].upper()}-{n:04d}" for n in range(1, 10_000))
        opened_on = visits[0][0] - timedelta(days=backlog_days(place))
        stock = [
            (next(tags), Group(place, self.pick(classes), [(opened_on, 1)], 1))
            for _ in range(SERIALISED_ITEMS[place.environment])
        ]
        self.groups += [group for _, group in stock]
        seen: dict[str, date] = {}
        for visit, (day, _) in enumerate(visits):
            inspector = inspector_in_turn(place, number + visit)
            kept = []
            for tag, group in stock:
                if visit and self.happens(HABITS.share_of_tags_not_presented):
                    kept += [(tag, group)] if self.happens(HABITS.share_of_absent_tags_not_lost) else []
                elif self.passes(tag, group, seen.get(tag), day, inspector):
                    seen[tag] = day
                    kept.append((tag, group))
            short = SERIALISED_ITEMS[place.environment] - len(kept)
            last_day = visits[visit + 1][0] if visit + 1 < len(visits) else END
            new = self.receive_tagged(place, classes, tags, short, day, last_day, inspector)
            seen.update({tag: group.cohorts[0][0] for tag, group in new})
            stock = kept + new

    def passes(self, tag: str, group: Group, previous_on: date | None, day: date, inspector: str) -> bool:
        exposure = self.exposure(group, group.cohorts[0], day, inspector)
        self.note(group, previous_on, day, inspector, [exposure], 0)
        reasons = self.reasons_for(group.place, group.item_class, len(exposure.gone_on))
        self.lines.append(
            Line(day, group.place, group.item_class, "periodic", 1, reasons, inspector, serial=tag)
        )
        group.cohorts = [(day, 1)]
        return not exposure.gone_on

    def receive_tagged(
        self, place: Place, classes: list[ItemClass], tags: Iterator[str], count: int, day: date,
        last_day: date, inspector: str,
    ) -> list[tuple[str, Group]]:  # fmt: skip
        received_on = on_a_weekday(day + timedelta(days=int(self.rng.integers(5, 30))))
        if received_on >= last_day:
            return []
        accepted = []
        for _ in range(count):
            tag, item_class = next(tags), self.pick(classes)
            shares = REJECTED_SHARES[place.client]
            supplier = self.pick(shares)
            is_rejected = self.happens(shares[supplier])
            reasons = [self.reason_on_receipt(item_class)] if is_rejected else []
            self.lines.append(
                Line(
                    received_on, place, item_class, "initial", 1, reasons, inspector, supplier=supplier,
                    serial=tag,
                )
            )  # fmt: skip
            if not is_rejected:
                accepted.append((tag, Group(place, item_class, [(received_on, 1)], 1)))
        return accepted


def true_rate(place: Place, item_class: ItemClass) -> float:
    """Return the true rate of a group [removals per 100 shackle-years], outside the bad spell."""
    return (
        BASELINE_RATES[place.environment]
        * SITE_MULTIPLIERS[place.site]
        * SIZE_MULTIPLIERS[item_class.size_band]
        * (PIN_MULTIPLIERS[item_class.pin] if item_class.pin else 1.0)
        * FAMILY_MULTIPLIERS[item_class.family]
    )


def inspector_in_turn(place: Place, turn: int) -> str:
    """Return the inspector whose turn it is."""
    inspectors = list(STRICTNESS[place.client])
    return inspectors[turn % len(inspectors)]


def criteria_of(place: Place, item_class: ItemClass) -> tuple[list[str], list[float]]:
    """Return the criteria of a class, the most decisive first, and the share of each."""
    if item_class.family == "shackle":
        return CRITERIA, criterion_shares(place.environment, item_class.pin)
    percent = {
        criterion: share
        for criterion, share in FAMILY_CRITERION_PERCENT[item_class.family].items()
        if ONLY_OF.get(criterion, "") in item_class.body
    }
    return list(percent), [share / sum(percent.values()) for share in percent.values()]


def criterion_shares(environment: str, pin: str) -> list[float]:
    """Return the share of each of CRITERIA; a screw pin has no cotter and a round pin no thread."""
    shares = dict(zip(CRITERIA, CRITERION_PERCENT[environment], strict=True))
    if pin == "screw pin":
        shares["thread damage"] += shares["cotter missing or damaged"]
        shares["cotter missing or damaged"] = 0
    if pin == "round pin":
        shares["cotter missing or damaged"] += shares["thread damage"]
        shares["thread damage"] = 0
    return [share / 100 for share in shares.values()]


def backlog_days(place: Place) -> int:
    """Return how long nobody had looked before the first look: four intervals, 9 to 36 months."""
    return int(min(36, max(9, 4 * place.interval_months)) * 30.4375)


def on_a_weekday(day: date) -> date:
    """Return the day itself, or the Monday after a weekend."""
    return day + timedelta(days=7 - day.weekday()) if day.weekday() > 4 else day


def class_catalogue() -> tuple[list[ItemClass], list[float]]:
    """Return every class a place may hold, and how common each is."""
    classes, weights = [], []
    for size in rated_loads().query("gear_family == 'shackle'").itertuples():
        for body, body_weight in BODY_WEIGHTS.items():
            for pin, pin_weight in PIN_WEIGHTS.items():
                if size.size_in not in SIZE_WEIGHTS or (pin == "round pin" and size.grade == "alloy"):
                    continue
                load = float(size.rated_load_short_tons)
                classes.append(ItemClass(body, pin, size.size_in, size.nominal_size_mm, size.grade, load))
                weights.append(
                    body_weight * pin_weight * GRADE_WEIGHTS[size.grade] * SIZE_WEIGHTS[size.size_in]
                )
    return classes, weights
