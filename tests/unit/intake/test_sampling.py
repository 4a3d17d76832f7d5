from pathlib import Path

import pytest
import xlsxwriter

from pipelines.faults import DataFault
from pipelines.intake.sampling import guess_delimiter, guess_encoding, guess_header_rows, sample_files
from tests.refusals import fault_of

HABITS = Path(__file__).parents[2] / "data" / "habits"


@pytest.fixture
def written(tmp_path):
    """A function that writes a file of the test's own and returns its path."""

    def write(content: str, name: str = "log.csv", encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes(content.encode(encoding))
        return path

    return write


@pytest.mark.parametrize(
    ("content", "encoding", "found"),
    [
        ("Plant\nNorth\n", "ascii", "utf-8"),
        ("Plant\nSüdtor\n", "utf-8", "utf-8"),
        ("Plant\nSüdtor\n", "utf-8-sig", "utf-8-sig"),
        ("Plant\nSüdtor\n", "utf-16", "utf-16"),
        ("Plant\nSüdtor\n", "utf-16-le", "utf-16-le"),
        ("Plant\nSüdtor\n", "utf-16-be", "utf-16-be"),
        ("Plant\nSüdtor\n", "windows-1252", "windows-1252"),
        ("Remark\npin won’t seat – ½ in\n", "windows-1252", "windows-1252"),
        ("Завод\nЮжный склад\nСеверный двор\n", "cp1251", "cp1251"),
    ],
)
def test_the_encoding_is_found(written, content, encoding, found):
    assert guess_encoding(written(content, encoding=encoding))[0] == found


def test_an_encoding_told_by_its_letters_is_unsure_and_shows_words(written):
    _, doubt = guess_encoding(written("Plant\nSüdtor\n", encoding="windows-1252"))
    assert doubt == "guessed from its letters; it makes of them: Südtor"


@pytest.mark.parametrize(
    ("lines", "delimiter"),
    [
        (["Tag;Load;Seen", "A1;5,90;2,5", "A2;10,89;1,0"], ";"),
        (["Tag\tRemark", "A1\tone, two", "A2\tthree, four"], "\t"),
        (["Tag|Seen", "A1|2"], "|"),
        (["Log of March", "", "Tag,Seen", "A1,2", "A2,3"], ","),
    ],
)
def test_the_delimiter_is_found(lines, delimiter):
    assert guess_delimiter(lines) == delimiter


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        ([["Tag", "Seen"], ["A", "1"]], (1, 1)),
        ([["Log of 2026"], ["Printed", "2026-03-02"], [], ["Day", "Place", "Bay", "Seen"], ["2026-03-02", "N", "1", "2"]],
         (4, 1)),
        ([["Tag", "Place"], ["A", "North"], ["B", "South"]], (1, 1)),
        ([["Log"], ["Day", "Reasons", None], [None, "worn", "bent"], [None, None, None], ["2026-03-02", "1", "2"]], (2, 2)),
        ([["Day", "Place", "Bay", "Seen"], ["2026-03-02", None, None, None], ["2026-03-02", "N", "1", "2"]], (1, 1)),
        ([["Day", "Seen"]], (1, 1)),
    ],
)  # fmt: skip
def test_the_header_is_found_below_titles(rows, found):
    assert guess_header_rows(rows) == found


def test_sheets_of_one_header_belong_together():
    sample = sample_files([HABITS / "several_sheets.xlsx"])
    assert (sample.form.sheets, sample.form.ignored_sheets) == ("all", ["Cover"])
    assert sample.values["(sheet)"] == {"North Shed": 2, "Sea Wall": 1}


def test_a_merged_header_is_joined():
    sample = sample_files([HABITS / "merged_header.xlsx"])
    assert (sample.form.header_row, sample.form.header_rows) == (3, 2)
    assert sample.header == ["Day", "Place", "Seen", "Removed", "Reasons worn pin", "Reasons bent"]


def test_values_are_counted_the_most_frequent_first(written):
    sample = sample_files([written("Day,Place\n1,North\n2,South\n3,South\n4,\n5, \n")])
    assert sample.values["Place"] == {"South": 2, "North": 1}
    assert (sample.record_count, sample.empty["Place"]) == (5, 2)
    assert sample.records[0] == {"Day": "1", "Place": "North"}


def test_quotes_that_quote_nothing_are_taken_for_inch_marks():
    sample = sample_files([HABITS / "unquoted_inch_marks.txt"])
    assert (sample.form.quote, sample.refused_count) == ("", 0)
    assert sample.values["Size"] == {'5/8"': 1, '3/4"': 1, '1"': 1, '1 1/4"': 1, '"5/8 in': 1}


def test_files_of_one_exporter_are_looked_at_together(written):
    one, two = written("Day,Seen\n1,2\n"), written("Day,Seen\n1,3\n", name="two.csv")
    sample = sample_files([one, two])
    assert (sample.files, sample.record_count) == (["log.csv", "two.csv"], 2)
    assert sample.values == {"Day": {"1": 2}, "Seen": {"2": 1, "3": 1}}


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("Day,Count\n1,2\n", "other.csv does not have the header of log.csv. Draft a profile for each of them."),
        ("Day,Day\n1,2\n", 'other.csv: the column "Day" stands twice in the header. Rename one of them in the export.'),
        ("Day,Seen\n", "other.csv has a header and no rows below it. Export it again."),
    ],
)  # fmt: skip
def test_a_file_that_no_profile_could_be_drafted_for_is_a_fault(written, content, sentence):
    with pytest.raises(DataFault) as caught:
        sample_files([written("Day,Seen\n1,2\n"), written(content, name="other.csv")])
    assert str(caught.value) == sentence


def test_a_workbook_without_a_filled_sheet_is_a_fault(tmp_path):
    path = tmp_path / "empty.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("Log")
    assert fault_of(sample_files, [path]) == "empty.xlsx has no filled sheet. Export it again."
