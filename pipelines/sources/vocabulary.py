"""Reads the words of the trade in data_contracts/vocabulary.yaml, and likens other words to them."""

import re
import unicodedata
from functools import cache
from typing import Any

from rapidfuzz import fuzz, process

from pipelines.contracts import load_contract
from pipelines.contracts.documents import read_yaml
from pipelines.shipped import shipped_folder

SURE_LIKENESS = 95.0
LEAST_LIKENESS = 80.0  # below, a word is unknown


@cache
def vocabulary() -> dict[str, Any]:
    """Return the vocabulary: headers, words, result, reasons and totals, each by what its words stand for; not_ticked is one list."""
    path = shipped_folder("data_contracts") / "vocabulary.yaml"
    found = read_yaml(path)
    coded = {column.name: column.allowed for column in load_contract("inspection_line").columns}
    for column, words in found["words"].items():
        found["words"][column] = {word: [word, *words.get(word, [])] for word in coded[column]}
    found["reasons"] = {criterion: [criterion, *said] for criterion, said in found["reasons"].items()}
    return found


def plain(text: str) -> str:
    """Return a text as headers and words are compared: small letters and figures, one space between words.

    >>> plain("Qty_Inspected (pcs.)"), plain("InspDate"), plain("Größe"), plain("S.W.L. t")
    ('qty inspected pcs', 'insp date', 'große', 'swl t')
    """
    text = re.sub(r"\b(?:[A-Za-z]\.){2,}", lambda found: found[0].replace(".", "") + " ", text)
    text = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", text)
    letters = "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))
    return " ".join(re.findall(r"[^\W_]+", letters.lower().replace("'", "")))


def header_likeness(header: str, names: list[str]) -> float:
    """Return how like a header is to the names that logs give a column, 0 to 1.

    >>> header_likeness("Qty. inspected", ["qty inspected"]), header_likeness("Bay", ["inspector"]) < 0.5
    (1.0, True)
    """
    said = plain(header)
    best = max(
        max(fuzz.token_sort_ratio(said, name), 0.9 * fuzz.token_set_ratio(said, name))
        for name in map(plain, names)
    )
    return best / 100 if said else 0.0


@cache
def meaning(word: str, kind: str) -> tuple[str | None, float]:
    """Return what a word stands for, or None, and its likeness to a known word, 0 to 100.

    `kind` is a coded column, 'result' or 'reasons'. A text with a figure in it may hold counts, and is never likened to a
    result.

    >>> meaning("Carbon St.", "grade"), meaning("no tagg", "reasons")
    (('carbon', 100.0), ('identification missing', 92.3))
    >>> print(meaning("walk-by", "inspection_type")[0], meaning("20 seen, none removed", "result")[0])
    None None
    """
    said = plain(word)
    known = _known_words(kind)
    if said in known:
        return known[said], 100.0
    if kind == "result" and any(map(str.isdigit, said)):
        return None, 0.0
    # An abbreviation of a letter or two is within nearly any word, so it counts only as it stands.
    found = process.extractOne(said, [name for name in known if len(name) > 2], scorer=fuzz.WRatio)
    if len(said) < 3 or not found or found[1] < LEAST_LIKENESS:
        return None, 0.0
    return known[found[0]], round(found[1], 1)


@cache
def _known_words(kind: str) -> dict[str, str]:
    meanings = vocabulary()[kind] if kind in ("result", "reasons") else vocabulary()["words"][kind]
    return {plain(said): stands_for for stands_for, words in meanings.items() for said in words}
