"""Drafts a source profile of an unknown log: YAML for a person to read, mend and confirm."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache

import yaml

from pipelines import units
from pipelines.contracts import (
    Column,
    family_of_body,
    gear_families,
    load_contract,
    rated_loads,
    usual_family,
)
from pipelines.sources.counts import several_counts
from pipelines.sources.looks import revision_key, row_per_reason
from pipelines.sources.matching import (
    SEPARATORS,
    Match,
    Sample,
    fitting_patterns,
    match_columns,
    match_criteria,
    phrases_of,
)
from pipelines.sources.profiles import DERIVED
from pipelines.sources.vocabulary import SURE_LIKENESS, meaning, plain, vocabulary

Matches = dict[str, Match]
Criteria = dict[str, tuple[str, float]]

COUNTS = {"quantity", "removed", "not_presented"}  # columns that a result column stands for
SURE_LOAD_UNITS = {
    "short tons?": "short ton",
    "us tons?": "short ton",
    "tonnes?": "t",
    "metric": "t",
    "kgs?": "kg",
    "lbs?": "lb",
}
MOST_WORDS = 60  # of one column, written into the draft
LEAST_REASONS_AMONG_REMARKS = 0.5
SAMPLES = 3
_PLAIN_TEXT = re.compile(r"[A-Za-z][A-Za-z0-9 _().%-]*")


@dataclass(frozen=True)
class Finding:
    """One line of what the draft says: a column and the header it is read from."""

    column: str
    header: str
    score: float
    samples: list[str]
    doubt: str


@dataclass(frozen=True)
class Draft:
    """A drafted profile: its YAML, and what it rests on."""

    yaml: str
    findings: list[Finding]


def draft_profile(sample: Sample, source: str) -> Draft:
    """Return the draft of a profile, called `source`, for files like those of the sample."""
    matches = _of_one_shape({match.column: match for match in match_columns(sample)})
    matches = _counts_in_one_cell(sample, matches)
    matches |= _shared_header(sample, matches)
    criteria = match_criteria(sample, {match.header for match in matches.values()})
    matches |= _reasons_among_remarks(sample, matches, criteria)
    lines = [
        *_head(sample, source, matches, criteria),
        *_file_lines(sample),
        *_fixed_lines(sample, matches),
        *_column_lines(sample, matches),
        *_date_lines(sample, matches),
        *_decimal_lines(sample, matches),
        *_unit_lines(sample, matches),
        *_blank_lines(sample, matches),
        *_word_lines(sample, matches),
        *_result_lines(sample, matches),
        *_count_lines(sample, matches),
        *_reason_lines(sample, matches, criteria),
        *_key_lines(sample, matches),
        *_total_lines(sample),
        *_free_text_lines(sample, matches),
        *_unused_lines(sample, matches, criteria),
    ]
    doubts = {column: doubt for column, (_, doubt) in _likely_units(sample, matches).items()}
    if "inspected_on" in matches:
        doubts["inspected_on"] = _date_patterns(list(sample.values[matches["inspected_on"].header]))[1]
    findings = [
        Finding(
            column,
            match.header,
            match.score,
            samples_of(sample, match.header),
            match.doubt or doubts.get(column, ""),
        )
        for column, match in matches.items()
    ]
    findings += [
        Finding(f"reason: {criterion}", header, likeness / 100, samples_of(sample, header), "")
        for header, (criterion, likeness) in criteria.items()
    ]
    return Draft("\n".join(lines) + "\n", findings)


def finding_lines(findings: list[Finding]) -> list[str]:
    """Return the findings as lines of a table for a terminal."""
    rows = [("column", "header", "score", "samples", "sure?")]
    rows += [
        (
            finding.column,
            _comment(finding.header),
            f"{finding.score:.2f}",
            _shown(finding.samples),
            f"unsure: {_comment(finding.doubt)}" if finding.doubt else "sure",
        )
        for finding in findings
    ]
    widths = [max(len(row[place]) for row in rows) for place in range(4)]
    return [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[4]])
        for row in rows
    ]


def samples_of(sample: Sample, header: str) -> list[str]:
    """Return the three most frequent values below a header."""
    return list(sample.values[header])[:SAMPLES]


def yaml_text(text: str) -> str:
    """Return a text as YAML writes it on one line, as a key or as a value.

    >>> print(yaml_text("Rated (ton)"), yaml_text("no"), yaml_text('5/8": #1'))
    Rated (ton) "no" "5/8\\": #1"
    """
    if _PLAIN_TEXT.fullmatch(text) and text == text.strip() and yaml.safe_load(text) == text:
        return text
    return _quoted(text)


def _quoted(text: str) -> str:
    return yaml.safe_dump(text, default_style='"', allow_unicode=True, width=1 << 30).strip()


def _comment(text: str) -> str:
    """Return a text for a comment: on one line, without characters that YAML does not allow."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _shown(texts: Iterable[str]) -> str:
    cut = (text if len(text) <= 40 else text[:37] + "..." for text in texts)
    return ", ".join(f'"{_comment(text)}"' for text in cut) or "nothing"


def _noted(entry: str, samples: Iterable[str], doubt: str = "") -> str:
    """Return an entry of the profile with the comment that says how sure it is."""
    why = f"unsure: {_comment(doubt)}; " if doubt else ""
    return f"{entry}   # {why}{_shown(samples)}"


# The shape of the log -----------------------------------------------------------------------------


def _of_one_shape(matches: Matches) -> Matches:
    """Leave out what contradicts the shape: counts, or one row per item with the result of its inspection."""
    is_counted = "quantity" in matches and "removed" in matches
    contradicting = {"result"} if is_counted else COUNTS if "result" in matches else set()
    return {column: match for column, match in matches.items() if column not in contradicting}


def _counts_in_one_cell(sample: Sample, matches: Matches) -> Matches:
    """Take both counts from the column of which most cells hold them, where they have no columns of their own."""
    found = several_counts(sample)
    if not found or {"quantity", "removed"} <= set(matches):
        return matches
    others = {
        column: match
        for column, match in matches.items()
        if column not in {"result", "quantity", "removed"} and match.header != found.header
    }
    doubt = f"{found.share:.0%} of the records are written so; is every count what it is taken for?"
    return {**others, "counts": Match("counts", found.header, found.share, doubt)}


def _shared_header(sample: Sample, matches: Matches) -> Matches:
    """Let the gear family and the body share a header that tells both, such as 'Shackle type'."""
    for column, other in (("gear_family", "body"), ("body", "gear_family")):
        if column in matches or other not in matches:
            continue
        found = matches[other]
        known = [text for text in sample.values[found.header] if meaning(text, "body")[0]]
        said = plain(f"{found.header} {' '.join(known)}")
        if known and all(gear_families()[family].label_ends_with in said for family in _families(known)):
            return {column: replace(found, column=column)}
    return {}


def _families(texts: Iterable[str]) -> list[str]:
    """Return the gear families of kinds of items, the most frequent first; texts that name no kind are left out."""
    bodies = (meaning(text, "body")[0] for text in texts)
    return [family for family, _ in Counter(family_of_body()[body] for body in bodies if body).most_common()]


def _families_of_log(sample: Sample, matches: Matches) -> list[str]:
    """Return the gear families that the log speaks of by the kinds of its items; the usual one where it names none."""
    kinds = sample.values[matches["body"].header] if "body" in matches else ()
    return _families(kinds) or [usual_family().name]


def _reasons_among_remarks(sample: Sample, matches: Matches, criteria: Criteria) -> Matches:
    """Take the remarks for the reasons too where no other column has reasons and most of what they say is one."""
    if "reasons" in matches or criteria or "note" not in matches:
        return {}
    found = matches["note"]
    share = _known_share(sample.values[found.header], _likely_separator(sample.values[found.header]))
    if share < LEAST_REASONS_AMONG_REMARKS:
        return {}
    doubt = f"remarks, of which {share:.0%} read like reasons for removal"
    return {"reasons": replace(found, column="reasons", score=share, doubt=doubt)}


def _head(sample: Sample, source: str, matches: Matches, criteria: Criteria) -> list[str]:
    shape = "one row per item and its result" if "result" in matches else "one row per group of items"
    shape += ", a column for each reason" if criteria else ""
    refused = f"; {sample.refused_count:,} more cannot be split into cells" if sample.refused_count else ""
    files = _comment(", ".join(sample.files))
    return [
        f"# Draft of a source profile, made from {files} ({_records(sample.record_count)}{refused}).",
        "# Nothing is loaded by it until a person has read it, mended what is marked unsure, filled in what is marked",
        "# so, and set confirmed: true. Behind each line stand the values it was made from.",
        f"source: {yaml_text(source)}",
        f"describes: {yaml_text(f'Log with {shape}, as in {files}')}",
        "confirmed: false",
    ]


def _file_lines(sample: Sample) -> list[str]:
    given = sample.form.model_dump(exclude_defaults=True)
    if sample.form.kind == "csv":
        given = {"kind": "csv", "delimiter": sample.form.delimiter, "encoding": sample.form.encoding} | given
    lines = ["file:"]
    for entry, value in given.items():
        doubt = sample.doubts.get(entry)
        lines.append(f"  {entry}: {_value(value)}" + (f"   # unsure: {_comment(doubt)}" if doubt else ""))
    return lines


def _fixed_lines(sample: Sample, matches: Matches) -> list[str]:
    client = "client: ...   # fill in: no column holds whose hardware it is"
    if "gear_family" in matches:
        return [] if "client" in matches else [f"# fixed:\n#   {client}"]
    family = next(iter(_families_of_log(sample, matches)))
    lines = [
        "fixed:",
        f"  gear_family: {family}   # unsure: no column tells the family; is all of it {family}?",
    ]
    return lines if "client" in matches else [*lines, f"  # {client}"]


def _column_lines(sample: Sample, matches: Matches) -> list[str]:
    has_pins = any(gear_families()[family].pins for family in _families_of_log(sample, matches))
    read_otherwise = {"client", "gear_family"}
    read_otherwise |= COUNTS if {"result", "counts"} & set(matches) else set()
    lines = []
    for column in load_contract("inspection_line").columns:
        match = matches.get(column.name)
        if match:
            entry = f"  {column.name}: {yaml_text(match.header)}"
            lines.append(_noted(entry, samples_of(sample, match.header), match.doubt))
        elif (column.is_required or (column.name == "pin" and has_pins)) and column.name not in {
            *DERIVED,
            *read_otherwise,
        }:
            lines.append(
                f"  # {column.name}: ...   # fill in: no header fits. Name one, or give one value for all under fixed"
            )
    return ["columns:" if any(not line.lstrip().startswith("#") for line in lines) else "columns: {}", *lines]


def _date_lines(sample: Sample, matches: Matches) -> list[str]:
    if "inspected_on" not in matches:
        return []
    header = matches["inspected_on"].header
    patterns, doubt = _date_patterns(list(sample.values[header]))
    return [_noted(f"dates: {_value(patterns)}", samples_of(sample, header), doubt)]


def _date_patterns(texts: list[str]) -> tuple[list[str], str]:
    """Return the patterns that read the texts, and a doubt where they do not fit all or several fit."""
    patterns = fitting_patterns(texts)
    if len(patterns) > 1:
        return patterns, "every value fits each of these; keep the one that this exporter writes"
    if patterns:
        return patterns, ""
    unread = texts
    while reads := Counter(pattern for text in unread for pattern in fitting_patterns([text])):
        most = max(reads.values())
        # Patterns that read as many are kept together: none of them is the right one without a person's word.
        best = [pattern for pattern, count in reads.items() if count == most]
        patterns += best
        unread = [text for text in unread if not set(best) & set(fitting_patterns([text]))]
    doubt = "no one pattern fits every value"
    return patterns, f"{doubt}; none of these reads {_shown(unread[:SAMPLES])}" if unread else doubt


# Numbers and units --------------------------------------------------------------------------------


def _decimal_lines(sample: Sample, matches: Matches) -> list[str]:
    texts = [
        text
        for column in ("nominal_size_mm", "rated_load_t", *sorted(COUNTS), "replaced")
        if column in matches
        for text in sample.values[matches[column].header]
    ]
    commas = [text for text in texts if re.search(r"\d,\d", text)]
    points = [text for text in texts if re.search(r"\d\.\d", text)]
    doubt = ""
    if commas and points:
        doubt = "some numbers have a comma, some a point"
    elif commas and all(re.search(r"\d,\d{3}(?!\d)", text) for text in commas):
        doubt = "the comma may stand for thousands, which are not read"
    mark = "," if len(commas) > len(points) else "."
    return [_noted(f'decimal: "{mark}"', (commas + points)[:SAMPLES], doubt)] if commas or points else []


def _unit_lines(sample: Sample, matches: Matches) -> list[str]:
    lines = [
        _noted(f"  {column}: {unit}", samples_of(sample, matches[column].header), doubt)
        for column, (unit, doubt) in _likely_units(sample, matches).items()
    ]
    return ["units:", *lines] if lines else []


def _likely_units(sample: Sample, matches: Matches) -> dict[str, tuple[str, str]]:
    """Return the unit of a bare number in each measured column, and a doubt where it is only likely."""
    found = {}
    size, load = matches.get("nominal_size_mm"), matches.get("rated_load_t")
    if size:
        found["nominal_size_mm"] = _size_unit(size.header, list(sample.values[size.header]))
    if load:
        found["rated_load_t"] = _load_unit(sample, load.header, size.header if size else None)
    return found


def _size_unit(header: str, texts: list[str]) -> tuple[str, str]:
    words = set(plain(header).split())
    if "mm" in words or words & {"in", "inch", "inches"}:
        return "mm" if "mm" in words else "in", ""
    has_mm = any("mm" in text.lower() for text in texts)
    has_inches = any(re.search(r"[/\"\u00bc-\u00be\u2150-\u215e\u2033\u201d]|\bin", text) for text in texts)
    if has_mm != has_inches:
        return "mm" if has_mm else "in", ""
    numbers = [number for text in texts if (number := units.number(text)) is not None]
    unit = "mm" if numbers and min(numbers) >= 5 else "in"
    return unit, "both units are written" if has_mm else "no unit is written"


def _load_unit(sample: Sample, header: str, size_header: str | None) -> tuple[str, str]:
    for said, unit in SURE_LOAD_UNITS.items():
        if re.search(rf"\b{said}\b", plain(header)):
            return unit, ""
    fit = {unit: _share_in_reference(sample, header, size_header, unit) for unit in units.TONNES_PER}
    shares = ", ".join(f"{share:.0%} as {unit}" for unit, share in fit.items() if share)
    doubt = "which ton is it? t is 1 000 kg, a short ton 2 000 lb"
    if shares:
        doubt += f"; size and load stand together in the reference table: {shares}"
    return max(fit, key=lambda unit: fit[unit]), doubt


def _share_in_reference(sample: Sample, header: str, size_header: str | None, unit: str) -> float:
    """Return the share of records whose size and load stand together in the reference table, were `unit` the unit."""
    if not size_header:
        return 0.0
    known = _reference_pairs()
    agree = seen = 0
    for record in sample.records:
        size, load = record[size_header] or "", record[header] or ""
        figures = [units.length(size, "in", mark) for mark in ".,"]
        loads = [units.load_t(load, unit, mark) for mark in ".,"]
        pairs = [(size[0], load) for size in figures for load in loads if size and load]
        seen += bool(pairs)
        agree += any(
            abs(load - right) < 0.02 * right for size, load in pairs for right in known.get(size, ())
        )
    return agree / seen if seen else 0.0


@cache
def _reference_pairs() -> dict[float, list[float]]:
    """Return the rated loads [t] of each nominal size, given in inches or in millimetres."""
    pairs: dict[float, list[float]] = defaultdict(list)
    table = rated_loads()
    for size, mm, load in zip(
        table["size_in"], table["nominal_size_mm"], table["rated_load_short_tons"], strict=True
    ):
        for figure in (units.number(size), float(mm)):
            if figure is not None:
                pairs[figure].append(float(load) * units.TONNES_PER["short ton"])
    return pairs


def _blank_lines(sample: Sample, matches: Matches) -> list[str]:
    empty = {
        column: sample.empty[matches[column].header]
        for column in ("removed", "replaced")
        if column in matches and sample.empty[matches[column].header]
    }
    if not empty:
        return []
    counts = ", ".join(f'"{matches[column].header}" in {_records(count)}' for column, count in empty.items())
    return [
        f"# blank_is_zero: [{', '.join(empty)}]   # unsure: empty are {_comment(counts)}. Take the first # away if this"
        " exporter leaves a zero blank"
    ]


# Words --------------------------------------------------------------------------------------------


def _word_lines(sample: Sample, matches: Matches) -> list[str]:
    lines = []
    for column in load_contract("inspection_line").columns:
        if column.name in vocabulary()["words"] and column.name in matches:
            lines += _words_of_column(sample, column, matches[column.name].header)
    return ["words:", *lines] if lines else []


def _words_of_column(sample: Sample, column: Column, header: str) -> list[str]:
    lines = []
    found = [text for text in sample.values[header] if not _is_total(text)]
    for text in found[:MOST_WORDS]:
        meant, likeness = meaning(text, column.name)
        body, body_likeness = meaning(text, "body")
        if column.name == "gear_family" and body and body_likeness > likeness:
            meant, likeness = family_of_body()[body], body_likeness
        records = _records(sample.values[header][text])
        if not meant:
            lines.append(
                f"    # {yaml_text(text)}: ...   # fill in: unknown, {records}; one of {', '.join(column.allowed)}"
            )
        elif likeness < SURE_LIKENESS:
            lines.append(
                f"    {yaml_text(text)}: {meant}   # unsure: likeness {likeness:g} of 100, {records}"
            )
        else:
            lines.append(f"    {yaml_text(text)}: {meant}   # {records}")
    if len(found) > MOST_WORDS:
        lines.append(f"    # and {len(found) - MOST_WORDS:,} more words: is this the right column?")
    return [_opening(f"  {column.name}:", lines), *lines]


def _result_lines(sample: Sample, matches: Matches) -> list[str]:
    if "result" not in matches:
        return []
    header = matches["result"].header
    found: dict[str | None, list[str]] = defaultdict(list)
    unsure = []
    for text in sample.values[header]:
        meant, likeness = meaning(text, "result")
        found[meant].append(text)
        if meant and likeness < SURE_LIKENESS:
            unsure.append(text)
    lines = [_noted(f"result:\n  column: {yaml_text(header)}", samples_of(sample, header))]
    for meant in ("fit", "removed", "put_back", "not_presented"):
        texts = found[meant]
        if texts or meant in ("fit", "removed"):
            doubtful = [text for text in texts if text in unsure]
            doubt = (
                f"likened only: {_shown(doubtful)}" if doubtful else "" if texts else "no such word was seen"
            )
            lines.append(f"  {meant}: {_value(texts)}" + (f"   # unsure: {doubt}" if doubt else ""))
    lines += [
        f"  # {yaml_text(text)}   # fill in: unknown, {_records(sample.values[header][text])}; put it where it belongs"
        for text in found[None][:MOST_WORDS]
    ]
    return lines


def _count_lines(sample: Sample, matches: Matches) -> list[str]:
    found = several_counts(sample) if "counts" in matches else None
    if not found:
        return []
    return [
        _noted(f"counts:\n  column: {yaml_text(found.header)}", samples_of(sample, found.header)),
        f"  written: {_value(found.written)}   # unsure: {matches['counts'].doubt}",
    ]


def _reason_lines(sample: Sample, matches: Matches, criteria: Criteria) -> list[str]:
    lines = []
    if "reasons" in matches:
        header = matches["reasons"].header
        texts = sample.values[header]
        separator = _likely_separator(texts)
        is_used = any(separator in text for text in texts)
        lines.append(
            _noted(f"  column: {yaml_text(header)}", samples_of(sample, header), matches["reasons"].doubt)
        )
        lines.append(
            f"  separator: {yaml_text(separator)}"
            + ("" if is_used else "   # unsure: no value holds two reasons")
        )
        phrases = Counter(
            phrase for text, count in texts.items() for phrase in phrases_of(text, separator) * count
        )
        several = row_per_reason(sample, matches, separator)
        if several:
            lines.append(f"  row_per_reason: {several[0]}   # unsure: {several[1]}")
        written = [_phrase_line(phrase, count) for phrase, count in phrases.most_common(MOST_WORDS)]
        lines += [_opening("  phrases:", written), *written]
    if criteria:
        lines.append("  columns:")
        lines += [
            _noted(
                f"    {yaml_text(header)}: {criterion}",
                samples_of(sample, header),
                "" if likeness >= SURE_LIKENESS else f"likeness {likeness:g} of 100",
            )
            for header, (criterion, likeness) in criteria.items()
        ]
    return ["reasons:", *lines] if lines else []


def _phrase_line(phrase: str, count: int) -> str:
    criterion, likeness = meaning(phrase, "reasons")
    if not criterion:
        return f"    # {yaml_text(phrase)}: ...   # fill in: unknown, {_times(count)}; a removal criterion"
    doubt = "" if likeness >= SURE_LIKENESS else "unsure: "
    return f"    {yaml_text(phrase)}: {criterion}   # {doubt}likeness {likeness:g} of 100, {_times(count)}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count:,} times"


def _likely_separator(texts: dict[str, int]) -> str:
    """Return the separator that leaves the largest share of phrases known; of equals, one that is used."""

    def order(separator: str) -> tuple[float, int]:
        return _known_share(texts, separator), sum(separator in text for text in texts)

    return max(SEPARATORS, key=order)


def _known_share(texts: Iterable[str], separator: str) -> float:
    """Return the share of the phrases in these texts that are surely known as reasons."""
    phrases = [phrase for text in texts for phrase in phrases_of(text, separator)]
    return sum(meaning(phrase, "reasons")[1] >= SURE_LIKENESS for phrase in phrases) / max(len(phrases), 1)


def _key_lines(sample: Sample, matches: Matches) -> list[str]:
    found = revision_key(sample, matches)
    return [f"revision_key: [{', '.join(found[0])}]   # unsure: {found[1]}"] if found else []


# The rest -----------------------------------------------------------------------------------------


def _total_lines(sample: Sample) -> list[str]:
    for header, values in sample.values.items():
        totals = [text for text in values if _is_total(text)]
        if totals and len(totals) < len(values):
            words = sorted({_total_word(text) for text in totals})
            return [
                f"totals:   # unsure: rows that only add up others; {_shown(totals[:SAMPLES])}",
                f"  column: {yaml_text(header)}",
                f"  words: {_value(words)}",
            ]
    return []


def _is_total(text: str) -> bool:
    words = plain(text).split()
    return any(words[: len(said.split())] == said.split() for said in vocabulary()["totals"])


def _total_word(text: str) -> str:
    """Return the word of a total row as the profile gives it: with a star where more follows it."""
    alone = text.strip().rstrip(": ")
    return alone if plain(alone) in vocabulary()["totals"] else f"{alone.split()[0]} *"


def _free_text_lines(sample: Sample, matches: Matches) -> list[str]:
    known = {matches[column].header for column in ("note", "disposition", "reasons") if column in matches}
    broken = [
        header
        for header, values in sample.values.items()
        if header not in known and any("\n" in text for text in values)
    ]
    if not broken or sample.form.kind != "csv":
        return []
    return [
        f"free_text: {_value(broken)}   # unsure: cells hold line breaks; elsewhere they are a stray quote's work"
    ]


def _unused_lines(sample: Sample, matches: Matches, criteria: Criteria) -> list[str]:
    used = {match.header for match in matches.values()} | set(criteria)
    return [
        f"# not used: {_comment(header)}   # {_shown(samples_of(sample, header))}"
        for header in sample.header
        if header not in used
    ]


def _opening(entry: str, lines: list[str]) -> str:
    """Return the line that opens a mapping, closed at once where it holds nothing but comments."""
    return entry if any(not line.lstrip().startswith("#") for line in lines) else f"{entry} {{}}"


def _records(count: int) -> str:
    return f"{count:,} record{'s' if count != 1 else ''}"


def _value(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_in_list(str(part)) for part in value)}]"
    return yaml_text(value) if isinstance(value, str) else str(value)


def _in_list(text: str) -> str:
    return yaml_text(text) if re.fullmatch(r"[A-Za-z]+", text) else _quoted(text)
