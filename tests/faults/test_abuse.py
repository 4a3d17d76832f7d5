"""Files that no exporter writes: each costs a sentence, little memory and no time to speak of."""

import pytest

from tests.conftest import GOOD_LINE, HEADER

LONG = 20_000_000
LAUGHS = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 9)
)
NOTHING, SHORT, QUOTE = "\n" * 1_000_001, "a\n" * 2_000_000, '"'
EMPTY_LINES = "odd.csv: more than 1,000,000 empty lines follow one another. Remove them, or export it again."


def with_reason(reason):
    return GOOD_LINE.replace("no tag x2; odd pin", reason)


@pytest.mark.parametrize(
    ("words", "content", "sentence"),
    [
        ("check odd.csv --source profile.yaml",
         ",".join(map(str, range(1_000_000))) + "\n",
         "odd.csv: its header has 1,000,000 columns, more than 1,000. Check the delimiter, or remove the empty columns."),
        ("check odd.csv --source profile.yaml", "x" * LONG,
         "odd.csv: no source profile fits. Draft one with: rigging-removals profile odd.csv --out profile.yaml"),
        ("profile odd.csv --out odd.yaml", f"{HEADER}\n{with_reason('x' * LONG)}\n",
         "odd.csv: one of its first 200 records has a cell of more than 131,072 characters. Look there for a quote that"
         " is never closed, or for a file that is no log."),
        ("check odd.csv --source profile.yaml", f"{HEADER}\n{GOOD_LINE}\n{NOTHING}{GOOD_LINE}\n", EMPTY_LINES),
        ("profile odd.csv --out odd.yaml", f"{HEADER}\n{with_reason(QUOTE + NOTHING + QUOTE)}\n", EMPTY_LINES),
        ("check odd.csv --source profile.yaml", f"{HEADER}\n{with_reason(QUOTE)}{SHORT}{GOOD_LINE}\n",
         "odd.csv: too many of its records cannot be split into the columns of the header, and nothing of it was read."
         " Check the delimiter in the source profile, or look for a quote that is never closed."),
    ],
    ids=["a million columns", "one word", "a long cell", "empty lines", "empty lines in a cell", "lines of one cell"],
)  # fmt: skip
def test_a_monstrous_file_is_one_sentence(run, folder, warm, words, content, sentence):
    (folder / "odd.csv").write_text(content, encoding="utf-8")
    assert run(words) == (1, [sentence])
    assert warm.megabytes < 1_000


def test_a_monstrous_cell_costs_its_row(run, folder, warm):
    rows = [GOOD_LINE, with_reason("x" * LONG), GOOD_LINE.replace("2026-03-02", "2026-03-03")]
    (folder / "odd.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    status, said = run("check odd.csv --source profile.yaml")
    assert (status, said[0]) == (
        1, "odd.csv (profile brackle-log): 3 rows read = 2 accepted + 1 quarantined; 0 of the accepted flagged."
    )  # fmt: skip
    assert max(map(len, said)) < 500
    assert warm.megabytes < 1_500


@pytest.mark.parametrize(
    ("profile", "sentence"),
    [
        ("source: !!python/object/apply:os.system ['touch owned']\n", "odd.yaml, line 1: not readable as YAML."),
        (LAUGHS, 'odd.yaml, entry "a0": Extra inputs are not permitted. Mend that entry of the profile.'),
    ],
    ids=["code", "billion laughs"],
)  # fmt: skip
def test_a_profile_runs_no_code_and_unfolds_to_nothing(run, folder, warm, profile, sentence):
    (folder / "odd.yaml").write_text(profile, encoding="utf-8")
    status, said = run("check log1.csv --source odd.yaml")
    assert (status, len(said)) == (1, 1)
    assert said[0].startswith(sentence)
    assert not (folder / "owned").exists()
    assert warm.megabytes < 1_000
