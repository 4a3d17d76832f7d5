"""Quarantined rows go out as a workbook, a person corrects some cells, and only what is right now comes in."""

import errno
import zipfile

import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook

from pipelines.intake import account_lines, check_files
from pipelines.intake.corrections import open_rows, row_lines, write_corrections
from pipelines.packs.intake_account import loaded_files, quarantined_rows
from pipelines.store import open_store
from tests.refusals import fault_of


@pytest.fixture
def export(store, tmp_path):
    """A function that writes the quarantine of the store into a workbook and returns its sheets as rows of cells."""

    def export(name: str = "quarantine.xlsx"):
        with open_store(store.path) as con:
            write_corrections(open_rows(con), tmp_path / name)
        book = CalamineWorkbook.from_path(tmp_path / name)
        return {sheet: book.get_sheet_by_name(sheet).to_python() for sheet in book.sheet_names}

    return export


@pytest.fixture
def save(tmp_path):
    """A function that saves sheets as a spreadsheet program would, and returns the path."""

    def save(sheets, name: str = "corrected.xlsx"):
        with xlsxwriter.Workbook(str(tmp_path / name)) as book:
            for sheet, rows in sheets.items():
                written = book.add_worksheet(sheet)
                for place, cells in enumerate(rows):
                    written.write_row(place, 0, cells)
        return tmp_path / name

    return save


def set_cell(rows, row, header, value):
    rows[row][rows[0].index(header)] = value


def test_the_workbook_has_the_rows_in_their_columns_with_what_is_wrong(store, write_log, line, days, export):
    store.load(write_log(*days(9), line(Seen="12 ea"), line(Why="=1+1", Place="South Shed")))
    rows = export()["Rows 1"]
    assert rows[0][:4] == ["(file)", "(row)", "(rule)", "(what is wrong)"]
    assert rows[0][-2:] == ["(fingerprint)", "(profile)"]
    assert [cells[:3] for cells in rows[1:]] == [
        ["log.csv", "10", "What is written as quantity can be read"],
        ["log.csv", "11", "Client, site and environment stand in the site register"],
    ]
    assert rows[1][3].startswith('column "Seen": "12 ea" is not a whole number.')
    assert rows[1][4:-2] == ["North Shed", "indoor dry", "bow", "screw pin", "16 mm", "2.95", "carbon", "", "2026-03-02",
                             "yearly", "12 ea", "3", "no tag x2; odd pin"]  # fmt: skip
    assert rows[2][-3] == "=1+1"


def test_no_cell_of_the_workbook_is_a_formula_or_a_link(store, write_log, line, days, export, tmp_path):
    store.load(write_log(*days(9), line(Seen='=HYPERLINK("http://x")', Why="http://x")))
    export()
    with zipfile.ZipFile(tmp_path / "quarantine.xlsx") as parts:
        sheets = [parts.read(name) for name in parts.namelist() if name.startswith("xl/worksheets/")]
    assert not any(b"<f>" in sheet or b"<hyperlink" in sheet for sheet in sheets)


def test_only_corrected_rows_come_in_and_the_others_stay(store, write_log, line, days, export, save):
    store.load(write_log(*days(18), line(Seen="12 ea"), line(Removed="26"), line(Day="soon")))
    sheets = export()
    set_cell(sheets["Rows 1"], 1, "Seen", 12)  # a number, as a spreadsheet program would make of it
    set_cell(sheets["Rows 1"], 3, "Day", "later")
    (account,) = store.load(save(sheets))
    assert (account.rows_read, account.rows_accepted, account.rows_quarantined) == (3, 1, 2)
    assert account.quarantined_by_rule == {"removed_within_inspected": 1, "unreadable_inspected_on": 1}
    assert [text.split(":")[0] for text in account.rows_still_wrong] == ["log.csv, row 20", "log.csv, row 21"]
    assert account_lines(account)[2].startswith(
        '  still in quarantine: log.csv, row 21: column "Day": "later"'
    )
    assert store.ask(
        "select row, quantity, load_id, file_sha256 = (select file_sha256 from loads where load_id = 1)"
        " from current_lines where row > 18"
    ) == [(19, 12, 2, True)]
    assert store.ask("select row, corrected_by from quarantine order by row") == [
        (19, 2),
        (20, None),
        (21, None),
    ]
    with open_store(store.path) as con:
        assert [row_line.split()[1] for row_line in row_lines(open_rows(con))[1:]] == ["20", "21"]


def test_a_row_corrected_before_is_not_doubled(store, write_log, line, days, export, save):
    store.load(write_log(*days(9), line(Seen="12 ea"), line(Removed="26")))
    sheets = export()
    set_cell(sheets["Rows 1"], 1, "Seen", "12")
    first = save(sheets)
    store.load(first)
    lines = store.ask("select * from inspection_lines order by all")
    (again,) = store.load(first)
    assert again.is_already_loaded
    set_cell(sheets["Rows 1"], 2, "Removed", "2")
    (account,) = store.load(save(sheets, "second.xlsx"))
    assert (account.rows_read, account.rows_accepted, account.rows_set_aside) == (
        2,
        1,
        {"corrected before": 1},
    )
    assert [
        found for found in store.ask("select * from inspection_lines order by all") if found in lines
    ] == lines
    assert store.ask("select count(*) from inspection_lines") == [(11,)]
    assert store.ask("select count(*) from quarantine where corrected_by is null") == [(0,)]


def test_a_row_that_could_not_be_split_is_written_into_its_cells(store, write_log, line, days, export, save):
    store.load(write_log(*days(9), line().replace(",bow,", ",")))
    sheets = export()
    rows = sheets["Rows 1"]
    assert rows[1][rows[0].index("(whole record)")] == line().replace(",bow,", ",")
    for header, cell in zip(rows[0][5:-2], line(Day="2026-04-01").split(","), strict=True):
        set_cell(rows, 1, header, cell)
    (account,) = store.load(save(sheets))
    assert (account.rows_accepted, account.rows_quarantined) == (1, 0)
    assert store.ask("select row, inspected_on::varchar from current_lines where row = 10") == [
        (10, "2026-04-01")
    ]


@pytest.mark.parametrize(("kind", "removed"), [("whole count", (3, 3)), ("own count", (2, 1))])
def test_a_corrected_row_of_a_look_that_is_loaded_does_not_count_it_twice(
    store, write_log, line, days, export, save, kind, removed
):
    """In a log with one row for each reason two rows are one look, of 25 items, and not 50."""
    profile = store.profile_path.read_text(encoding="utf-8")
    profile = profile.replace("reasons: {column: Why,", f"reasons: {{column: Why, row_per_reason: {kind},")
    store.profile_path.write_text(profile, encoding="utf-8")
    first, second = (str(count) for count in removed)
    rows = (line(Removed=first, Why="no tag"), line(Removed=second, Why="odd pin", Day="2026-03-2x"))
    other = line(Why="odd pin", Day="soon", Removed="1")
    store.load(write_log(*days(28), *rows, other))
    look = "select sum(quantity), sum(removed) from inspection_lines where inspected_on = '2026-03-02'"
    assert store.ask(look) == [(25, int(first))]
    sheets = export()
    set_cell(sheets["Rows 1"], 1, "Day", "2026-03-02")
    set_cell(sheets["Rows 1"], 2, "Day", "2026-03-03")
    (account,) = store.load(save(sheets))
    assert account.rows_accepted == 1
    assert account.rows_still_wrong == [
        "log.csv, row 30: it is one more reason of the look that row 29 of the file was loaded as, and as a line of its own"
        " would count the items of that look twice. Correct the file itself, and load it again as a whole."
    ]
    assert store.ask(look) == [(25, int(first))]
    assert store.ask("select row, corrected_by is not null from quarantine order by row") == [
        (30, False),
        (31, True),
    ]
    store.load(
        write_log(*days(28), rows[0], rows[1].replace("2026-03-2x", "2026-03-02"), other, name="again.csv")
    )
    assert store.ask(look.replace("inspection_lines", "all_current_lines")) == [(25, 3)]


def test_a_corrected_row_stands_beside_its_neighbours_and_behind_a_later_export(
    store, write_log, line, days, export, save
):
    store.load(write_log(line(Day="2026-02-01", Seen="7"), *days(18), line(Seen="12 ea"), line(Day="2026-02-01", Seen="8 ea")))  # fmt: skip
    store.load(write_log(line(Seen="13"), name="later.csv"))
    sheets = export()
    set_cell(sheets["Rows 1"], 1, "Seen", "12")
    set_cell(sheets["Rows 1"], 2, "Seen", "8")
    (account,) = store.load(save(sheets))
    assert account.rows_accepted == 2
    assert store.ask(
        "select inspected_on::varchar, quantity from current_lines where inspected_on >= '2026-02-01' order by all"
    ) == [("2026-02-01", 7), ("2026-02-01", 8), ("2026-03-02", 13)]
    assert store.ask(
        "select quantity, superseded_by from inspection_lines where superseded_by is not null"
    ) == [(12, 2)]


def test_a_site_added_to_the_register_lets_its_rows_in_as_they_were(
    store, write_log, line, days, export, save
):
    store.load(write_log(*days(9), line(Place="South Shed")))
    sheets = export()
    text = store.register.read_text(encoding="utf-8")
    store.register.write_text(text.replace("North Shed", "South Shed"), encoding="utf-8")
    (account,) = store.load(save(sheets))
    assert (account.rows_accepted, account.rows_quarantined) == (1, 0)


def test_rows_of_several_files_and_headers_come_back_to_their_own(store, write_log, line, days, export, save):
    store.load(write_log(*days(9), line(Seen="1 ea")))
    header = ",".join(["Bay", *line_header(write_log)])
    wide = [f"B,{text}" for text in [*days(9, Place="Sea Wall", Where="marine spray"), line(Seen="2 ea")]]
    store.load(write_log(*wide, name="wide.csv", header=header))
    sheets = export()
    assert list(sheets) == ["About", "Rows 1", "Rows 2"]
    set_cell(sheets["Rows 1"], 1, "Seen", "1")
    set_cell(sheets["Rows 1"], 1, "Removed", "1")
    set_cell(sheets["Rows 2"], 1, "Seen", "22")
    (account,) = store.load(save(sheets))
    assert (account.rows_read, account.rows_accepted) == (2, 2)
    assert store.ask(
        "select loads.file, quantity from inspection_lines join loads using (file_sha256) where row = 10 order by all"
    ) == [("log.csv", 1), ("wide.csv", 22)]


def line_header(write_log):
    return write_log().read_text(encoding="utf-8").splitlines()[0].split(",")


@pytest.mark.parametrize(
    ("header", "value", "sentence"),
    [
        ("(row)", "",
         'corrected.xlsx, sheet "Rows 1", row 2: the columns in brackets do not say which quarantined row it is. Leave them'
         " as they were exported, or remove the row."),
        ("(row)", "3",
         "corrected.xlsx: record 3 of the file with the fingerprint {} is not in the quarantine of this store. Export the"
         " quarantine of this store again and correct that."),
        ("(row)", "11",
         'corrected.xlsx, sheet "Rows 1", row 3: the same quarantined row stands there twice. Remove one of them.'),
        ("(profile)", "other-log",
         'corrected.xlsx: its rows were read with the source profile "other-log". Give it with --source.'),
        ("Seen", "Place",
         'corrected.xlsx, sheet "Rows 1": the column "Place" stands twice in the header. Rename one of them in the export.'),
        ("all", "", "corrected.xlsx holds no quarantined row any more. Export the quarantine again."),
    ],
)  # fmt: skip
def test_a_row_that_is_nobodys_refuses_the_workbook_whole(
    store, write_log, line, days, export, save, header, value, sentence
):
    store.load(write_log(*days(18), line(Seen="?"), line(Seen="??")))
    sheets = export()
    rows = sheets["Rows 1"]
    fingerprint = rows[1][rows[0].index("(fingerprint)")]
    set_cell(rows, 2, "Seen", "25")
    if header == "all":
        del rows[1:]
    else:
        set_cell(rows, 0 if header == "Seen" else 1, header, value.replace("11", "20"))
    assert fault_of(store.load, save(sheets)) == sentence.format(fingerprint[:8])
    assert store.ask("select count(*) from loads") == [(1,)]
    assert store.ask("select count(corrected_by) from quarantine") == [(0,)]


def test_a_workbook_never_overwrites_a_file_and_is_not_checked_as_a_log(
    store, write_log, line, days, export, tmp_path
):
    store.load(write_log(*days(9), line(Seen="?")))
    export()
    made = tmp_path / "quarantine.xlsx"
    nowhere = made / "folder.xlsx"
    assert fault_of(export, "quarantine.xlsx/folder.xlsx") == (
        f"{nowhere} cannot be written ([Errno {errno.EEXIST}] File exists: '{made}'). Choose another place."
    )
    assert fault_of(export) == f"{made} is there already. Give another name, or remove it."
    assert fault_of(export, "quarantine.csv") == (
        f"{tmp_path / 'quarantine.csv'} would be a workbook: give it a name that ends in .xlsx."
    )
    assert fault_of(lambda: list(check_files([made], store.path, [], store.profile_path))) == (
        "quarantine.xlsx is a workbook of quarantined rows. Load it with rigging-removals intake: what is still wrong stays"
        " in quarantine."
    )


def test_more_rows_than_a_sheet_holds_are_not_written(
    store, write_log, line, days, export, monkeypatch, tmp_path
):
    store.load(write_log(*days(9), line(Seen="?"), line(Seen="??")))
    monkeypatch.setattr("pipelines.intake.corrections.MOST_ROWS", 1)
    assert fault_of(export) == (
        "2 quarantined rows have one header, more than a sheet holds. Mend the source profile and load the export again."
    )
    assert not (tmp_path / "quarantine.xlsx").exists()


def test_the_account_of_the_file_counts_its_corrected_rows_as_accepted(
    store, write_log, line, days, export, save
):
    store.load(write_log(*days(18), line(Seen="12 ea"), line(Seen="?")))
    sheets = export()
    set_cell(sheets["Rows 1"], 1, "Seen", "12")
    store.load(save(sheets))
    with open_store(store.path) as con:
        files = loaded_files(con, "", "")
        quarantined = quarantined_rows(con, files, "")
    counts = ["file", "rows_read", "rows_accepted", "rows_quarantined", "rows_corrected", "lines_in_use"]
    assert files[counts].values.tolist() == [["log.csv", 20, 19, 1, 1, 19]]
    assert quarantined["row"].tolist() == [20]
