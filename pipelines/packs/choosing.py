"""Which pages a pack has: the reports asked for, each once, or once for each site."""

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from pipelines.faults import RequestFault

# In the order of the index page; each is the name of a notebook.
REPORTS = (
    "monthly",
    "interval_recommendations",
    "procurement",
    "benchmark",
    "site_page",
    "intake_account",
    "evidence",
)
# Of these, the ones that tell of all clients together, left out of the pack of one client or site.
FOR_ALL_CLIENTS = ("evidence",)
# Of these, the ones that show sites of others, under names that are made up for each pack.
WITH_PEERS = ("benchmark", "site_page")
# Of these, the one that makes a page for each site of a client, to be handed over as it is; it goes with the benchmark.
OF_EACH_SITE = "site_page"


@dataclass(frozen=True)
class Page:
    """A page to be made: the name of its file, the report it is of, and the site it tells of ('' for all)."""

    name: str
    report: str
    site: str


def chosen_reports(names: Iterable[str], client: str, site: str) -> list[str]:
    """Return the reports asked for, with those that go with them, in the order of the index.

    Parameters
    ----------
    names : iterable of str
        Names of reports, of `REPORTS`; `all` for each that there is for this client and site.
    client, site : str
        Tell of this client or site only; '' for all.

    Raises
    ------
    RequestFault
        There is no such report, or none for this client or site.
    """
    is_for_all = not (client or site)
    asked = set(REPORTS if "all" in (names := list(names)) else names)
    for name in names:
        if name not in (*REPORTS, "all"):
            near = get_close_matches(name, REPORTS, n=1, cutoff=0.5)
            advice = (
                f"Did you mean {near[0]}?" if near else f"Reports to be had: {', '.join(REPORTS)}, or all."
            )
            raise RequestFault(f'There is no report "{name}". {advice}')
        if name in FOR_ALL_CLIENTS and not is_for_all:
            raise RequestFault(
                f'The report "{name}" tells of all clients together. Ask for it without --client and --site.'
            )
        if name == OF_EACH_SITE and not client:
            raise RequestFault(f'The report "{name}" is for one client. Ask for it with --client.')
    if "benchmark" in asked:
        asked.add(OF_EACH_SITE)
    left_out = {*(() if is_for_all else FOR_ALL_CLIENTS), *(() if client else (OF_EACH_SITE,))}
    return [name for name in REPORTS if name in asked - left_out]


def pages_to_make(reports: list[str], site: str, sites: list[str], by_site: bool) -> list[Page]:
    """Return the pages of these reports in order: each report once, or once for each site.

    Parameters
    ----------
    reports : list of str
        Names of reports, in order.
    site : str
        Site that the pack tells of; '' for all.
    sites : list of str
        Sites of the pack that have records.
    by_site : bool
        Whether each report, but those of all clients together, is made for each of `sites`; `OF_EACH_SITE` always is.

    Examples
    --------
    >>> [page.name for page in pages_to_make(["monthly", "site_page"], "", ["Sea Wall", "Quay"], by_site=False)]
    ['monthly', 'site_page_sea-wall', 'site_page_quay']
    """
    pages = []
    for report in reports:
        if report == OF_EACH_SITE or (by_site and report not in FOR_ALL_CLIENTS):
            pages += [Page(f"{report}_{file_name(each)}", report, each) for each in sites]
        else:
            pages.append(Page(report, report, site))
    return pages


def file_name(name: str) -> str:
    """Return a name that any file system takes, in small letters and figures, which no other name has.

    It hangs on the name alone: were it to hang on which others there are, a new site or client could come into the
    folder of another one.

    >>> file_name("North Quay"), file_name("north quay!"), file_name("造船所")
    ('north-quay', 'north-quay-27ae43', 'named-069e7a')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    base = re.sub("[^a-z0-9]+", "-", plain).strip("-")[:60]
    if name == " ".join(word.capitalize() for word in base.split("-")):
        return base
    return f"{base or 'named'}-{hashlib.sha256(name.encode()).hexdigest()[:6]}"
