"""Decides each staged line: accepted, or quarantined with a reason a person can act on."""

import re

import duckdb

from pipelines.contracts import Contract, Rule, in_words, load_contract
from pipelines.contracts.checking import ROW_RULES, RuleResult, derived_rules, run_rules
from pipelines.shipped import statement
from pipelines.sources.profiles import DERIVED, Profile
from pipelines.store.file import GROUP_COLUMNS

# A record that cannot be split into cells is refused before any rule of the contract can be run on it.
UNREADABLE_ROW = "unreadable_row", "The record can be split into the columns of the header"
REGISTER_RULE = "site_in_register"
COPY_RULE = "row_is_no_copy"
# What else may be the matter, as SQL of a line and the sites at which its serial number stands; null where it is not that.
_NUMBERED_ALIKE = (
    "' The number stands at ' || shared_sites || '. Where sites number their items alike, set serial_prefix: site in the"
    " source profile, and load into a new store.'"
)
# What an unreadable day may be instead, as SQL; null where it is no day at all.
_OPEN_DAY = (
    "'\" may be ' || array_to_string(list_transform(possible, lambda day: strftime(day, '%-d %B %Y')), ' or ')"
    " || '. Keep under dates in the source profile the one order of day and month that the exporter writes; where it"
    " writes both, correct the row to a day such as ' || possible[1] || ', with \"%Y-%m-%d\" under dates.'"
)
HINTS = {
    REGISTER_RULE: "' Nearest in the register: ' || line.nearest_sites || '.'",
    "not_removed_before": _NUMBERED_ALIKE,
    "item_stands_once": _NUMBERED_ALIKE,
    "serial_of_one_site": _NUMBERED_ALIKE,
}
JUMP_RULE = "site_count_as_usual"


def decide(
    con: duckdb.DuckDBPyConnection,
    header: list[str],
    profile: Profile,
    file_sha256: str,
    has_register: bool,
    add_sites: bool,
    is_whole: bool = True,
) -> list[RuleResult]:
    """Run the contract on `staged_lines` and return the result of every rule.

    Makes `accepted_lines` (and what is kept of them: `accepted_counts` and `accepted_groups`), `accepted_reasons`,
    `gathered_rows` (accepted records that are part of another one's line), `quarantined_rows` (one row per record, as
    the `quarantine` contract has it, without the file's name), `flagged_rows`, `added_sites` and `count_jumps` (one row
    per site whose count is far from its earlier ones).

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database with what `stage_lines` makes, and the store attached as `store`.
    header : list of str
        Names of the columns c1, c2, ... of `cells`.
    profile : Profile
        The profile that they were read with: sentences name the columns as the file does.
    file_sha256 : str
        Fingerprint of the file.
    has_register : bool
        Whether there is a site register to hold a line against; without one the rule that asks for it is left out,
        unless sites are added.
    add_sites : bool
        Whether a site that the register does not know is added to it.
    is_whole : bool
        Whether the batch is a whole export; of a part the rule about its sites' counts is left out.

    Raises
    ------
    RuleError
        A rule of the contract cannot be run.
    """
    contract = load_contract("inspection_line")
    for name in ("known_gear", "known_before", "repeated_rows"):
        con.execute(statement("pipelines.intake", f"{name}.sql"))
    con.execute(statement("pipelines.intake", "add_sites.sql"), {"add_sites": add_sites})
    con.execute("insert into site_register by name select * from added_sites")
    rules = derived_rules(contract) + [rule for rule in contract.rules if rule.severity in ROW_RULES]
    if not has_register and not add_sites:
        rules = [rule for rule in rules if rule.name != REGISTER_RULE]
    if profile.result and "serial" not in profile.columns:
        # A row is an item without a name, and items alike have rows alike.
        rules = [rule for rule in rules if rule.name != COPY_RULE]
    results = run_rules(con, "staged_lines", rules)
    _explain(con, contract, profile, results)
    _quarantine(con, header, file_sha256)
    con.execute(statement("pipelines.intake", "site_counts.sql"))
    of_batch = [rule for rule in contract.rules if rule.severity not in ROW_RULES]
    batch_results = run_rules(
        con, "staged_lines", [rule for rule in of_batch if is_whole or rule.name != JUMP_RULE]
    )
    _list_jumps(con, batch_results)
    _accept(con, contract)
    return results + batch_results


def _list_jumps(con: duckdb.DuckDBPyConnection, results: list[RuleResult]) -> None:
    con.execute(
        "create or replace table count_jumps (client varchar, site varchar, looks bigint, counted bigint, usual bigint)"
    )
    for result in results:
        if result.rule.name == JUMP_RULE and not result.passed:
            query = result.rule.implementation["kwargs"]["unexpected_rows_query"].format(batch="staged_lines")
            con.execute(f"insert into count_jumps {query} order by 1, 2")


def _explain(
    con: duckdb.DuckDBPyConnection, contract: Contract, profile: Profile, results: list[RuleResult]
) -> None:
    """Make `explained_rows`: one row per record and broken rule, with a sentence."""
    con.execute(
        "create or replace table explained_rows (row bigint, rule varchar, position integer, severity varchar, detail varchar)"
    )
    for result in results:
        if not result.rows_failing:
            continue
        rule = result.rule
        sentence, values = _sentence(contract, profile, rule)
        con.execute(
            "insert into explained_rows"
            f" select broken.row, broken.rule, broken.position, broken.severity, {sentence}"
            " from broken_rules as broken join staged_lines as line using (row)"
            " left join open_days on open_day = line.raw_inspected_on"
            " left join shared_serials on shared_client = line.client and shared_serial = line.serial"
            " where broken.rule = $rule",
            {"rule": rule.name, **values},
        )


def _sentence(contract: Contract, profile: Profile, rule: Rule) -> tuple[str, dict[str, str]]:
    """Return the SQL of a rule's sentence about one line, and the texts that go into it."""
    column = rule.column
    if rule.name.startswith("missing_") and column:
        return "$text", {"text": f'column "{_header(profile, column)}" is empty. Fill it in.'}
    if rule.name.startswith("unreadable_") and column:
        texts = {
            "before": f'column "{_header(profile, column)}": "',
            "after": f'" {_complaint(contract, profile, column)}',
        }
        if column == "inspected_on":
            return f"$before || line.raw_{column} || coalesce({_OPEN_DAY}, $after)", texts
        return f"$before || line.raw_{column} || $after", texts
    # Two columns may be read from one cell.
    shown = list({_header(profile, name): name for name in _columns_in(contract, rule)}.values())
    cells = " || ', ' || ".join(
        f"$header{place} || coalesce(line.raw_{name}, 'empty')" for place, name in enumerate(shown)
    )
    headers = {f"header{place}": f"{_header(profile, name)} = " for place, name in enumerate(shown)}
    texts = {"stated": f"Rule: {rule.description}. The row has ", **headers, "end": ". Correct the row."}
    hint = f" || coalesce({HINTS[rule.name]}, '')" if rule.name in HINTS else ""
    return f"$stated || {cells} || $end{hint}", texts


def _columns_in(contract: Contract, rule: Rule) -> list[str]:
    """Return the contract columns that a rule looks at, as far as they are read from the file."""
    words = set(re.findall(r"\w+", str(rule.implementation["kwargs"])))
    return [name for name in contract.column_names if name in words and name not in DERIVED]


def _header(profile: Profile, column: str) -> str:
    return profile.count_headers.get(column) or profile.columns.get(column) or in_words(column)


def _complaint(contract: Contract, profile: Profile, name: str) -> str:
    column = next(column for column in contract.columns if column.name == name)
    if name == "removed" and profile.result:
        return (
            "is neither a word for fit nor one for removed. Add it to the source profile, or correct the row."
        )
    if profile.counts and name in profile.counts.names:
        ways = " or ".join(f'"{written}"' for written in profile.counts.written)
        return f"is not written as {ways}. Correct the row, or add to counts in the source profile how it is written."
    if column.allowed:
        return f"is none of: {', '.join(column.allowed)}. Add the word to the source profile, or correct the row."
    if column.kind == "date":
        return f"is not a day written as {' or '.join(map(_spelt_out, profile.dates))}. Correct the row."
    if column.kind == "integer":
        return "is not a whole number. Correct the row: a count is a number and nothing else."
    return f"is not a number or not a known unit ({column.unit}). Correct the row, or add the unit to the source profile."


def _spelt_out(pattern: str) -> str:
    """Write a date pattern as people do: %d/%m/%Y as DD/MM/YYYY."""
    for mark, spelling in (
        ("%d", "DD"),
        ("%m", "MM"),
        ("%Y", "YYYY"),
        ("%y", "YY"),
        ("%b", "Mon"),
        ("%B", "month"),
    ):
        pattern = pattern.replace(mark, spelling)
    return pattern


def _quarantine(con: duckdb.DuckDBPyConnection, header: list[str], file_sha256: str) -> None:
    cells = ", ".join(f"$name{place}, cells.c{place}" for place in range(1, len(header) + 1))
    names = {f"name{place}": name for place, name in enumerate(header, start=1)}
    con.execute(statement("pipelines.intake", "quarantined_places.sql"))
    con.execute(
        "create or replace table quarantined_rows as"
        f" select $sha as file_sha256, place.row, rule, detail, json_object({cells})::varchar as raw"
        " from quarantined_places as place join cells on cells.rowid = cell_row"
        " union all"
        " select $sha, row, $unreadable, 'The record cannot be split into the columns of the header ('"
        " || detail || '). Check its separators and quotes.', raw from refused_rows",
        {"sha": file_sha256, "unreadable": UNREADABLE_ROW[0], **names},
    )
    con.execute(
        "create or replace table flagged_rows as"
        " select $sha as file_sha256, row, rule, detail from explained_rows where severity = 'flag'"
        " and row not in (select row from quarantined_rows)",
        {"sha": file_sha256},
    )


def _accept(con: duckdb.DuckDBPyConnection, contract: Contract) -> None:
    own = ", ".join(name for name in contract.column_names if name not in GROUP_COLUMNS)
    con.execute(
        f"create or replace view accepted_counts as select group_id, {own}"
        " from counted_lines anti join quarantined_rows using (row)"
    )
    con.execute(
        f"create or replace view accepted_groups as select group_id, {', '.join(GROUP_COLUMNS)}"
        " from groups semi join accepted_counts using (group_id) cross join given"
    )
    con.execute(
        f"create or replace view accepted_lines as select {', '.join(contract.column_names)}"
        " from staged_lines anti join quarantined_rows using (row)"
    )
    con.execute(
        "create or replace view gathered_rows as select given.file_sha256, row, line_row"
        " from line_rows anti join quarantined_rows using (row) cross join given where row <> line_row"
    )
    con.execute(
        "create or replace view accepted_reasons as select given.file_sha256, staged_reasons.*"
        " from staged_reasons anti join quarantined_rows using (row) cross join given"
    )
