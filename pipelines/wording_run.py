"""What a monthly run tells a person, as lines of text that can be mailed as they are."""

from typing import TYPE_CHECKING

from pipelines.terminal import as_typed, printable
from pipelines.wording import cautions, counted, listed, month_in_words
from pipelines.writing import written

if TYPE_CHECKING:
    from pipelines.monthly_run import FileOutcome, Outcome, PackOutcome

PACKS_IN_WORDS = {
    "made": "made",
    "kept": "as it was, since nothing it rests on has changed",
    "failed": "NOT MADE",
    "due": "would be made",
}


def run_in_words(outcome: "Outcome") -> list[str]:
    """Return how a monthly run went: what a person has to do first, then files, reports and the month in brief."""
    lines = [
        f"Shackle inspections, {month_in_words(outcome.period)}: {_headline(outcome)}",
        f"Run of {outcome.started_at:%Y-%m-%d %H:%M} UTC on the drop folder {outcome.drop_folder} and the store {outcome.store}.",
    ]
    if to_do := _to_do(outcome):
        lines += ["", "To do", *(f"  {number}. {task}" for number, task in enumerate(to_do, start=1))]
    lines += ["", f"Files: {_counts(outcome)}", *(f"  {_file_line(file)}" for file in outcome.files)]
    if outcome.packs:
        lines += ["", "Reports", *(f"  {_pack_line(pack)}" for pack in outcome.packs)]
    if outcome.in_brief:
        lines += [
            "",
            "The month in brief",
            *(f"  {sentence}" for sentence in outcome.in_brief),
            "",
            cautions()[0],
        ]
    return [printable(line) for line in lines]


def _headline(outcome: "Outcome") -> str:
    if outcome.is_dry:
        return "dry run, nothing was changed."
    return "done." if outcome.is_clean else "done in part; something was refused or failed."


def _to_do(outcome: "Outcome") -> list[str]:
    tasks = list(outcome.faults)
    tasks += [
        file.sentence if file.sentence.startswith(file.file) else f"{file.file}: {file.sentence}"
        for file in outcome.files
        if file.outcome == "refused"
    ]
    tasks += [
        f"The reports for {pack.client or 'all clients'} were not made. {pack.sentence}"
        for pack in outcome.packs
        if pack.outcome == "failed"
    ]
    if outcome.open_in_quarantine:
        rows = counted(outcome.open_in_quarantine, "row is", "rows are")
        tasks.append(
            f"{rows} in quarantine and in no figure. Export them, correct them, and put the workbook into the drop folder:"
            f" {as_typed('quarantine', '--store', outcome.store, '--export', 'quarantine.xlsx')}"
        )
    return tasks


def _counts(outcome: "Outcome") -> str:
    kinds = ("new",) if outcome.is_dry else ("loaded",)
    said = {"new": "would be loaded", "loaded": "loaded", "known": "known already", "refused": "refused"}
    numbers = {
        kind: sum(file.outcome == kind for file in outcome.files) for kind in (*kinds, "known", "refused")
    }
    told = [f"{number} {said[kind]}" for kind, number in numbers.items() if number]
    return f"{listed(told)}." if told else "none in the drop folder."


def _file_line(file: "FileOutcome") -> str:
    opening = f"{file.outcome:<8} {file.file}"
    if file.outcome == "refused":
        return f"{opening}: see above"
    if file.sentence:
        return f"{opening}: {file.sentence}"
    return (
        f"{opening}: {counted(file.rows_read, 'row')} read = {written(file.rows_accepted)} accepted"
        f" + {written(file.rows_quarantined)} quarantined"
    )


def _pack_line(pack: "PackOutcome") -> str:
    return f"{pack.client or 'all clients'}: {pack.index} ({PACKS_IN_WORDS[pack.outcome]})"
