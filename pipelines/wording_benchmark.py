"""The sentences of the site benchmark, made from the same figures that its charts and tables show."""

import pandas as pd

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark.disclosure import ALL_TOGETHER
from pipelines.models.benchmark.parts import RAW, REMAINS
from pipelines.wording import LONGEST_LIST, counted, figure, listed, per_exposure, percent, shortened
from pipelines.writing import written

CONFIDENTIAL = (
    "Confidential, not for clients: this page names the sites of every client. Make a client's own report with that "
    "client's name; it shows others without names, or not at all."
)
FEWER_MEANS = (
    "Fewer removals than expected can mean hardware that is looked after, or looks that miss what is there: the "
    "practice table below helps to tell which."
)
# Each measure, whether it is better low, and what is said of the site where it is worst.
PRACTICE = [
    ("share_on_time", False, "had the smallest share of looks on time"),
    ("share_overdue", True, "has the largest share in service past its inspection day"),
    ("share_not_stated", True, "has the largest share of removals without a criterion"),
    ("share_unaccounted_for", True, "has the largest share of items unaccounted for"),
    ("share_rejected", True, "rejects the largest share on receipt"),
]
A_QUESTION = "A site outside its limits is a question to ask on the spot, not a verdict."


def ratio(value: float) -> str:
    """Return a ratio as a person would say it.

    >>> ratio(1.364), ratio(0.8), ratio(12.3)
    ('1.36', '0.80', '12')
    """
    return written(value, 2 if value < 9.95 else 0)


def whose_page(client: str) -> str:
    """Return whom a page of the benchmark is for."""
    if not client:
        return CONFIDENTIAL
    return f"For {client}: its own sites by name; other clients' sites without names, where there are enough of them."


def benchmark_finding(sites: pd.DataFrame) -> str:
    """Return which sites have more or fewer removals than their mix explains, and what of that is more than chance.

    Takes rows of `site_benchmark` that have a ratio.
    """
    if sites.empty:
        return "No site can be compared."
    judged = sites[sites["flag"].notna()]
    if judged.empty:
        return (
            f"{counted(len(sites), 'site is', 'sites are')} too small to be judged: under "
            f"{figure(benchmark_rules().least_expected)} removal is expected at each."
        )
    above = judged[judged["flag"].isin(["above", "far above"])].sort_values("ratio", ascending=False)
    below = judged[judged["flag"].isin(["below", "far below"])].sort_values("ratio")
    if above.empty and below.empty:
        if len(judged) == 1:
            return f"{judged['site'].iloc[0]} keeps within its limits: {_ratio_of(judged.iloc[0])}."
        opening = f"Each of {len(judged)} sites keeps within its limits"
        if judged["spread"].eq("none").all():
            return f"{opening}: mix and chance explain how their removals differ."
        return f"{opening}, which allow for sites that differ by more than mix and chance explain."
    explained = "removals than mix and chance explain"
    sides = ((above, f"more {explained}"), (below, "fewer" if len(above) else f"fewer {explained}"))
    parts = [f"{_named(rows)} {words}" for rows, words in sides if len(rows)]
    return f"Of {counted(len(judged), 'site')} compared, {listed(parts)}. {_standing_out(judged)}"


def funnel_in_words(sites: pd.DataFrame, peers: pd.DataFrame) -> str:
    """Return what the funnel plot shows, for those who do not see it."""
    ordered = sites.sort_values("ratio", ascending=False)
    said = [
        f"{row['site']} {ratio(row['ratio'])} with {figure(row['expected'])} expected, {row['flag'] if pd.notna(row['flag']) else 'not judged'}"
        for _, row in ordered.head(LONGEST_LIST).iterrows()
    ]
    rest = len(ordered) - len(said)
    said += [f"{rest} more in the table below"] * bool(rest)
    said += [f"{counted(len(peers), 'site')} of other clients, without names"] * bool(len(peers))
    return f"Chart of observed over expected removals against expected removals, between funnel limits: {'; '.join(said)}."


def headline(compared: list[pd.DataFrame], withheld: list[str]) -> str:
    """Return the one sentence that the index page quotes: the finding, or why there is none."""
    if compared:
        return benchmark_finding(compared[0])
    return why_not_compared(compared, withheld)


def why_not_compared(compared: list[pd.DataFrame], withheld: list[str]) -> str:
    """Return which sites are not compared with others, and why; that none can be where none is; '' where all are."""
    return withheld_finding(withheld) or ("" if compared else benchmark_finding(pd.DataFrame()))


def benchmark_notes(sites: pd.DataFrame) -> list[str]:
    """Return what to bear in mind of the sites compared: of those outside their limits first, then site by site."""
    said = [A_QUESTION] * bool(sites["flag"].isin(["above", "far above", "below", "far below"]).any())
    said += [FEWER_MEANS] * bool(sites["flag"].isin(["below", "far below"]).any())
    noted = sites.dropna(subset=["benchmark_note"])
    for words, rows in noted.groupby("benchmark_note", sort=True):
        said.append(f"{shortened(rows['site'].tolist())}: {words}.")
    return said


def spread_finding(sites: pd.DataFrame) -> str:
    """Return whether the sites differ beyond chance, and how the limits allow for it."""
    judged = sites.dropna(subset=["spread"])
    if judged.empty:
        return "Too few removals are expected to say whether the sites differ beyond chance."
    row = judged.iloc[0]
    if row["spread"] == "none":
        return "Taken together, the sites differ no more than chance makes them, so the limits are those of chance alone."
    opening = "Taken together, the sites differ more than chance makes them, so the limits are wider than those of chance"
    if row["spread"] == "additive":
        return (
            f"{opening}: the true ratios of sites that are like the others are taken to differ by about "
            f"{percent(row['spread_tau2'] ** 0.5)} from site to site (the additive method)."
        )
    return f"{opening}, by a factor {ratio(row['spread_phi'] ** 0.5)} (the multiplicative method)."


def ranks_finding(sites: pd.DataFrame) -> str:
    """Return how much the order of the sites says."""
    ranked = sites.dropna(subset=["rank"]).sort_values("rank")
    if ranked.empty:
        return "With fewer than two sites to rank there is no order."
    first, last = ranked.iloc[0], ranked.iloc[-1]
    sentences = [f"{_rank_of(first)}."]
    if len(ranked) > 1:
        sentences = [f"{_rank_of(first)}; {_rank_of(last)}."]
    is_open = ranked["rank_lower"] < ranked["rank_upper"]
    if is_open.any():
        verb = "has a rank" if is_open.sum() == 1 else "have ranks"
        sentences.append(
            f"{counted(int(is_open.sum()), 'site')} of {len(ranked)} {verb} that could as well be another one: do not read "
            "neighbours in this list against one another."
        )
    chance = first["probability_highest_tenth"]
    sentences.append(f"{first['site']} is among the highest tenth with a probability of {percent(chance)}.")
    return " ".join(sentences)


def ranks_in_words(sites: pd.DataFrame, peers: pd.DataFrame) -> str:
    """Return what the chart of shrunken ratios shows, for those who do not see it."""
    ranked = sites.dropna(subset=["shrunken_ratio"]).sort_values("shrunken_ratio", ascending=False)
    said = [
        f"{row['site']} {ratio(row['shrunken_ratio'])} ({ratio(row['shrunken_lower'])} to {ratio(row['shrunken_upper'])})"
        for _, row in ranked.head(LONGEST_LIST).iterrows()
    ]
    rest = len(ranked) - len(said)
    said += [f"{rest} more in the table below"] * bool(rest)
    said += [f"{counted(len(peers), 'site')} of other clients, without names"] * bool(len(peers))
    opening = "Chart of ratios drawn toward the fleet with 95 % limits, the highest first"
    return f"{opening}: {'; '.join(said)}." if said else f"{opening}: no site."


def parts_finding(parts: pd.DataFrame) -> str:
    """Return what the adjustment did for one site, from its rows of `site_benchmark_parts`."""
    site, factors = parts["site"].iloc[0], parts.set_index("part")["multiplier"]
    explained = listed(
        f"{part} {ratio(factor)}" for part, factor in factors.drop([RAW, REMAINS]).dropna().items()
    )
    if pd.isna(factors[RAW]):
        return f"At {site} nothing was removed, or nothing inspected, in what can be compared. Factors of its mix: {explained}."
    return (
        f"Per item inspected, {site} has {ratio(factors[RAW])} times the removals of the sites it is compared with. The "
        f"factors behind that: {explained}; what remains is {ratio(factors[REMAINS])}. They multiply to the first figure."
    )


def parts_in_words(parts: pd.DataFrame) -> str:
    """Return what the chart of the parts of one ratio shows, for those who do not see it."""
    told = parts.dropna(subset=["multiplier"])
    said = [f"{row['part']} {ratio(row['multiplier'])}" for _, row in told.iterrows()]
    return f"Chart of what the raw ratio of {parts['site'].iloc[0]} is made of: {'; '.join(said)}."


def practice_finding(practice: pd.DataFrame) -> list[str]:
    """Return for each measure of practice the site that is farthest from where it should be, where one is."""
    said = []
    for measure, is_better_low, words in PRACTICE:
        known = practice.dropna(subset=[measure])
        lacking = known[known[measure] > 0] if is_better_low else known[known[measure] < 1]
        if len(lacking):
            row = lacking.sort_values(measure, ascending=not is_better_low, kind="stable").iloc[0]
            said.append(f"{row['site']} {words}: {percent(row[measure])}.")
    too_long = practice[practice["places_over_guideline"] > 0]["site"].tolist()
    if too_long:
        said.append(f"An interval longer than its outer limit stands at {shortened(too_long)}.")
    return said


def withheld_finding(withheld: list[str]) -> str:
    """Return which sites of a client are not compared in its report, and why; '' where all are."""
    if not withheld:
        return ""
    rules = benchmark_rules()
    return (
        f"{listed(withheld)} {'is' if len(withheld) == 1 else 'are'} not compared with others here. A comparison is shown only "
        f"where at least {rules.least_peer_sites} sites of at least {rules.least_peer_clients} other clients stand behind it, "
        "in all and in each environment that they share, none of the clients with more than "
        f"{percent(rules.largest_peer_share)} of their exposure: with fewer, the figures would tell one client about another."
    )


def peers_finding(client: str, peers: pd.DataFrame, environments: pd.DataFrame) -> str:
    """Return how a client stands to the others it shares environments with, or that there are too few; '' for no client.

    Parameters
    ----------
    client : str
        Who reads the report; '' for the consultant.
    peers : DataFrame
        Sites of others, as the client may see them.
    environments : DataFrame
        What the client shares with others, by environment: `peer_rate`.
    """
    if not client:
        return ""
    if peers.empty and environments["peer_rate"].isna().all():
        return "Other clients' sites are not shown: there are too few of them to keep each of them unknown."
    said = [
        f"{counted(len(peers), 'site')} of other clients is shown without a name"
        if len(peers) == 1
        else f"{counted(len(peers), 'site')} of other clients are shown without names"
    ]
    total = environments[(environments["environment"] == ALL_TOGETHER) & environments["peer_rate"].notna()]
    if len(total):
        row = total.iloc[0]
        said.append(
            f"in the environments they share, their removal rate is {figure(row['peer_rate'])} {per_exposure()} and the client's "
            f"own {figure(row['own_rate'])}, before the mix is allowed for"
        )
    return f"{'; '.join(said)}."


def hidden_finding(environments: pd.DataFrame) -> str:
    """Return which environments are left out of the comparison with others; '' where none is."""
    hidden = environments.loc[
        environments["peer_rate"].isna() & (environments["environment"] != ALL_TOGETHER), "environment"
    ].tolist()
    if not hidden:
        return ""
    return (
        f"Not shown: {listed(hidden)}. There are too few others there, or the figures could be found by taking away what "
        "is shown from a total. Figures of others are rounded."
    )


def _named(sites: pd.DataFrame) -> str:
    names = [f"{row['site']} ({_ratio_of(row)})" for _, row in sites.iterrows()]
    return f"{shortened(names)} {'has' if len(sites) == 1 else 'have'}"


def _ratio_of(row: pd.Series) -> str:
    return f"{ratio(row['ratio'])} times what is expected, {ratio(row['ratio_lower'])} to {ratio(row['ratio_upper'])}"


def _standing_out(judged: pd.DataFrame) -> str:
    opening = "Allowing for how many sites are compared at once,"
    names = judged.loc[judged["stands_out"].astype(bool), "site"].tolist()
    if not names:
        return f"{opening} none of them stands out."
    return f"{opening} {shortened(names)} still {'stands' if len(names) == 1 else 'stand'} out."


def _rank_of(row: pd.Series) -> str:
    if row["rank_lower"] == row["rank_upper"]:
        return f"{row['site']} ranks {row['rank']}"
    return f"{row['site']} ranks {row['rank']}, and could be anywhere from {row['rank_lower']} to {row['rank_upper']}"
