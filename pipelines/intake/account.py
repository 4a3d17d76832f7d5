"""The account of a file in words: what became of every row."""

from pipelines.intake.reasons import LEAST_LIKENESS
from pipelines.store.loading import Account
from pipelines.terminal import printable

HOW_ROWS_COUNT = "Rows are records, counted from the first row below the header of the file."


def account_lines(account: Account) -> list[str]:
    """Return the account of one file as lines of text for a terminal."""
    if account.is_already_loaded:
        return [f"{account.file}: already loaded, the same bytes; nothing changed."]
    set_aside = sum(account.rows_set_aside.values())
    lines = [
        f"{account.file} (profile {account.source}): {account.rows_read:,} rows read = {account.rows_accepted:,} accepted"
        f" + {account.rows_quarantined:,} quarantined{f' + {set_aside:,} set aside' if set_aside else ''};"
        f" {account.rows_flagged:,} of the accepted flagged."
    ]
    if account.rows_gathered:
        lines.append(
            f"  {account.rows_gathered:,} of the accepted give a further reason for the look of an earlier row:"
            f" {account.rows_accepted - account.rows_gathered:,} lines."
        )
    if account.rows_set_aside:
        kinds = ", ".join(f"{kind} {rows:,}" for kind, rows in account.rows_set_aside.items())
        lines.append(f"  set aside, no part of the log: {kinds}")
    if account.rows_superseded:
        lines.append(
            f"  {account.rows_superseded:,} lines of earlier exports superseded; they stay readable."
        )
    lines += [f"  still in quarantine: {row}" for row in account.rows_still_wrong]
    lines += [f"  quarantined by {rule}: {rows:,}" for rule, rows in account.quarantined_by_rule.items()]
    lines += [f"  flagged by {rule}: {rows:,}" for rule, rows in account.flagged_by_rule.items()]
    lines += [
        f'  reason "{phrase}" is not in the profile, counted as not stated: {count:,} lines'
        for phrase, count in account.unmatched_phrases.items()
    ]
    lines += [
        f'  reason "{phrase}" is not in the profile, read as {criterion} of 100 (at least {LEAST_LIKENESS:g})'
        for phrase, criterion in account.likened_phrases.items()
    ]
    if account.lines_missing:
        lines.append(
            f"  {account.lines_missing:,} lines of earlier exports are missing from this one; kept and flagged."
        )
    lines += [
        f"  the count of {jump.site} ({jump.client}) jumps: {jump.counted:,} items at {jump.looks:,}"
        f" look{'s' if jump.looks > 1 else ''}, {jump.usual:,} at earlier looks of the same groups"
        f" ({round(jump.counted / jump.usual, 1):,g} times as many). It is loaded; look whether the export is whole and its"
        " counts are of items."
        for jump in account.count_jumps
    ]
    lines += [
        f"  added to the site register: {place}. Set its service class and interval; until then normal, 12 months."
        for place in account.added_sites
    ]
    if account.why_stopped:
        lines.append(
            f"  {account.why_stopped}. Intake would take nothing of this file until they are corrected, or the profile is."
        )
    return [printable(line) for line in lines]
