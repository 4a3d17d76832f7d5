"""What the readers make of a file, to the cell; whole logs with the habits of exporters stand in test_habits."""

import gzip
import json
import zipfile
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake.reading import header_of, kind_of, read_rows
from pipelines.intake.unpacking import unpacked
from pipelines.sources.profiles import FileForm
from tests.refusals import fault_of

DATA = Path(__file__).parents[2] / "data"
HABITS = DATA / "habits"


class Read:
    """What one file was read into: `rows` by record number, `refused` and `set_aside`."""

    def __init__(self, path: Path, work_folder: Path, form: dict, **options):
        path = unpacked(path, work_folder)
        self.con = duckdb.connect()
        self.header = read_rows(
            self.con, path, FileForm(**{"kind": kind_of(path), **form}), work_folder, **options
        )
        self.rows = {row: cells for row, *cells in self.ask("from raw_rows order by row")}
        self.refused = [
            (row, detail, json.loads(raw).get("(whole record)", raw))
            for row, detail, raw in self.ask("select row, detail, raw from refused_rows order by row")
        ]
        self.set_aside = self.ask("select row, kind, raw from set_aside_rows order by row")

    def ask(self, query: str):
        return self.con.execute(query).fetchall()


@pytest.fixture
def read(tmp_path):
    """A function that reads a file of tests/data, or one of the test's own, with a form and options."""

    def read(name: str | Path, options: dict | None = None, **form):
        return Read(DATA / name, tmp_path, form, **(options or {}))

    return read


@pytest.fixture
def written(tmp_path):
    """A function that writes a file of the test's own and returns its path."""

    def write(content: str | bytes, name: str = "log.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return path

    return write


@pytest.mark.parametrize(
    ("name", "form", "header", "rows"),
    [
        ("habits/utf16_le.csv", {"delimiter": ";", "encoding": "utf-16-le"}, ["Day", "Place", "Seen", "Removed"],
         {1: ["2026-03-02", "Südtor", "25", "1"]}),
        ("cell_errors.xlsx", {}, ["Day", "Seen", "Removed", "Remark"],
         {1: ["2026-03-02", "#N/A", "#formula without a stored result", None], 2: ["2026-03-03", "2", "0", "a"]}),
        ("cell_errors.ods", {}, ["Day", "Seen", "Removed"],
         {1: ["2026-03-02", "25", "#N/A"], 4: ["2026-03-03", "#formula without a stored result", "2.5"]}),
        ("cell_errors.xls", {}, ["Day", "Seen", "Removed"],
         {1: ["2026-03-02", "25", "#N/A"], 2: ["2026-03-03", "#DIV/0!", "0"], 3: ["2026-03-04", "3", None]}),
    ],
)  # fmt: skip
def test_a_file_is_read_to_the_cell(read, name, form, header, rows):
    found = read(name, **form)
    assert found.header == header
    assert found.rows == rows
    assert found.refused == []


def test_a_header_of_one_row_names_an_empty_cell_by_its_place(written):
    path = written("Day,,Seen,\n1,2,3,4\n")
    assert header_of(path, FileForm(kind="csv")) == ["Day", "column 2", "Seen", "column 4"]


def test_a_quote_that_is_never_closed_costs_its_line_and_not_those_after_it(read, written):
    found = read(written('Day,Size\n1,2\n3,"5/8\n4,5\n\n6,7\nshort\n'))
    assert found.rows == {1: ["1", "2"], 3: ["4", "5"], 4: ["6", "7"]}
    assert found.refused == [(2, "a stray quote", '3,"5/8'), (5, "missing columns", "short")]


def test_two_stray_quotes_in_one_record_cost_that_record(read, written):
    found = read(written('Day,Size,Pin\n1,2,3\n1,"5/8" bow,"1/2" pin\n4,5,6\n'))
    assert found.rows == {1: ["1", "2", "3"], 3: ["4", "5", "6"]}
    assert found.refused == [(2, "a stray quote", '1,"5/8" bow,"1/2" pin')]


def test_totals_are_rows_like_others_where_the_profile_names_none(read):
    assert 6 in read("habits/title_and_total_rows.csv", header_row=3).rows


def test_a_line_break_is_odd_in_a_column_that_is_no_free_text(read):
    assert list(read("habits/line_break_in_remark.csv").rows) == [2, 4, 5]


def test_a_profile_may_name_the_sheets(read):
    assert read("habits/several_sheets.xlsx", sheets=["Sea Wall"]).rows == {
        1: ["4", "0", "2026-03-04", "Sea Wall"]
    }


def test_a_sheet_with_another_header_is_named(read):
    assert fault_of(lambda: read("habits/several_sheets.xlsx", sheets="all")) == (
        'several_sheets.xlsx: sheet "Cover" does not have the header of the other sheets (Day, Seen, Removed, ...) in row 1.'
        " Mend it, or name the sheet under file.ignored_sheets of the profile."
    )


def test_a_form_that_does_not_fit_gives_no_header(written):
    path = written("Day;Seen\n1;2\n")
    assert header_of(path, FileForm(kind="xlsx")) == []
    assert header_of(path, FileForm(kind="csv", header_row=5)) == []
    assert header_of(DATA / "cell_errors.xlsx", FileForm(kind="xlsx", sheet="March")) == []
    assert header_of(path, FileForm(kind="csv", delimiter=",")) == ["Day;Seen"]


def test_an_encoding_that_is_not_the_files_is_named(read, written):
    path = written("Day;Note\n1;\x81\n".encode("latin-1"))
    assert fault_of(lambda: read(path, delimiter=";", encoding="windows-1252")) == (
        "log.csv is not written in windows-1252 ('charmap' codec can't decode byte 0x81 in position 11:"
        " character maps to <undefined>). Mend file.encoding in the source profile."
    )


def test_characters_that_are_no_utf8_cost_the_row(read, written):
    found = read(written(b"Day,Place\n1,S\xfcdtor\n2,North\n"))
    assert found.rows == {2: ["2", "North"]}
    assert [(row, detail) for row, detail, _ in found.refused] == [(1, "invalid encoding")]


def test_a_cell_of_ten_megabytes_costs_the_row(read, written):
    found = read(written("Day,Note\n1," + "x" * 10_500_000 + "\n2,fine\n"))
    assert found.rows == {2: ["2", "fine"]}
    assert [(row, detail) for row, detail, _ in found.refused] == [(1, "line size over maximum")]


@pytest.mark.parametrize("end", ["", '3,x"\n'], ids=["never closed", "closed"])
def test_a_quote_never_joins_very_many_lines(read, written, end):
    found = read(written('Day,Note\n1,plain\n2,"open\n' + "3,line\n" * 2_000 + end))
    assert len(found.rows) == 2_001 + bool(end)
    assert found.refused == [(2, "a stray quote", '2,"open')]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    signs=st.lists(st.sampled_from(["a", '1/2"', '"', '""', '"x,y"', ",", ",", "\n", "\n", '"5/8"""', "é"]), max_size=40),
    line_end=st.sampled_from(["\n", "\r\n"]),
)  # fmt: skip
def test_whatever_quotes_and_commas_stand_in_it_no_line_is_lost(read, written, signs, line_end):
    lines = "".join(signs).split("\n")
    found = read(written(line_end.join(["h1,h2,h3", *lines])))
    numbers = [*found.rows, *(row for row, *_ in found.refused), *(row for row, *_ in found.set_aside)]
    assert sorted(numbers) == list(range(1, len(numbers) + 1))
    kept = [text or "" for cells in found.rows.values() for text in cells]
    kept += [raw.replace("\\n", "\n") for *_, raw in [*found.refused, *found.set_aside]]
    assert sum(text.count("\n") for text in kept) + len(numbers) >= sum(line != "" for line in lines)


def test_a_header_of_too_many_columns_is_refused(written):
    path = written(",".join(["x"] * 1_001) + "\n")
    assert fault_of(lambda: header_of(path, FileForm(kind="csv"))) == (
        "log.csv: its header has 1,001 columns, more than 1,000. Check the delimiter, or remove the empty columns."
    )


def test_only_the_named_file_is_read_whatever_stars_are_in_its_name(read, written):
    written("Day,Seen\n1,2\n", name="log1.csv")
    starred = written("Day,Seen\n3,4\n", name="log*.csv")
    bracketed = written("Day,Seen\n5,6\n", name="log[1].csv")
    assert (read(starred).rows, read(bracketed).rows) == ({1: ["3", "4"]}, {1: ["5", "6"]})


def test_a_folder_that_looks_like_a_partition_adds_no_column_to_a_log_that_is_text(read, written, tmp_path):
    (tmp_path / "site=North").mkdir()
    log = written("Day,Seen\n1,2\n", name="site=North/log.csv")
    assert read(log).header == ["Day", "Seen"]


def test_refused_records_of_one_file_do_not_count_for_the_next(tmp_path, written):
    con = duckdb.connect()
    for lines in ("1,2\nshort\n", "1,2\n"):
        read_rows(con, written("Day,Seen\n" + lines), FileForm(kind="csv"), tmp_path)
    assert con.execute("select count(*) from refused_rows").fetchone() == (0,)


def test_a_cell_far_out_in_a_workbook_is_a_fault_and_no_crash(read):
    assert fault_of(lambda: read("cell_far_out.xlsx")) == (
        'cell_far_out.xlsx, sheet "Log": a cell is filled in row 1,048,576, another in column 16,384, far from the log.'
        " Empty such cells and save it again."
    )


def test_a_damaged_workbook_is_a_fault(read, written):
    whole = (DATA / "cell_errors.xlsx").read_bytes()
    assert "log.xlsx cannot be read as a workbook" in fault_of(
        lambda: read(written(whole[:3_000], "log.xlsx"))
    )
    old = (DATA / "cell_errors.xls").read_bytes()
    assert "log.xls cannot be read as a workbook" in fault_of(lambda: read(written(old[:3_000], "log.xls")))
    assert "log.xlsx cannot be read as a workbook" in fault_of(lambda: read(written("a,b\n", "log.xlsx")))
    # One byte changed, and calamine would look for cells far behind the end of the file.
    whole = (HABITS / "old_workbook.xls").read_bytes()
    broken = whole[:1_492] + b"\xff" + whole[1_493:]
    assert "log.xls cannot be read as a workbook" in fault_of(lambda: read(written(broken, "log.xls")))


def test_a_workbook_that_breaks_its_reader_down_is_a_fault(read, monkeypatch):
    class PanicException(BaseException):  # as Rust's panics come out of calamine
        pass

    def panic(path):
        raise PanicException("index out of bounds")

    monkeypatch.setattr("python_calamine.CalamineWorkbook.from_path", panic)
    assert fault_of(lambda: read("cell_errors.xlsx")) == (
        "cell_errors.xlsx cannot be read as a workbook (index out of bounds). Save it again as XLSX."
    )


def test_nothing_is_unpacked_outside_the_work_folder(tmp_path):
    inner = tmp_path / "deep" / "down"
    inner.mkdir(parents=True)
    copy = unpacked(HABITS / "zipped.zip", inner)  # it holds ../../outside/log.csv
    assert copy == inner / "zipped.csv"
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [copy]


def test_a_bomb_is_not_unpacked(tmp_path):
    zeros = b"0" * 30_000_000
    (tmp_path / "bomb.csv.gz").write_bytes(gzip.compress(zeros))
    for name, inside in (("bomb.zip", "log.csv"), ("bomb.xlsx", "xl/workbook.xml")):
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(inside, zeros)
    work_folder = tmp_path / "work"
    work_folder.mkdir()
    sentence = (
        "{} unpacks to more than {} GB, or to more than 200 times its size, and is not read. Unpack it yourself, look at"
        " it, and load what it holds."
    )
    for name in ("bomb.csv.gz", "bomb.zip"):
        assert fault_of(unpacked, tmp_path / name, work_folder) == sentence.format(name, 8)
    assert fault_of(header_of, tmp_path / "bomb.xlsx", FileForm(kind="xlsx")) == sentence.format(
        "bomb.xlsx", 2
    )


def test_a_packed_file_that_is_damaged_or_locked_is_a_fault(read, written, tmp_path):
    packed = gzip.compress(b"Day,Seen\n" * 1_000)
    assert fault_of(read, written(packed[:-9], "log.csv.gz")) == (
        "log.csv.gz cannot be unpacked (Compressed file ended before the end-of-stream marker was reached). Export or pack"
        " it again."
    )
    assert fault_of(read, written("no zip", "log.zip")) == (
        "log.zip cannot be unpacked (File is not a zip file). Export or pack it again."
    )
    with zipfile.ZipFile(tmp_path / "locked.zip", "w") as archive:
        archive.writestr("log.csv", "Day,Seen\n")
    locked = bytearray((tmp_path / "locked.zip").read_bytes())
    for mark, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        locked[locked.index(mark) + flags] |= 1
    assert fault_of(unpacked, written(bytes(locked), "locked.zip"), tmp_path) == (
        "locked.zip is locked by a password. Unpack it and load the file it holds."
    )


@pytest.mark.parametrize(
    ("name", "instead", "why"),
    [
        (b"log.csv", b"\0og.csv", "string index out of range"),
        ("lóg.csv".encode(), b"l\xac\xacg.csv", "'utf-8' codec can't decode byte 0xac in position 1: invalid start byte"),
    ],
    ids=["no name", "no text"],
)  # fmt: skip
def test_a_packed_file_with_a_name_that_is_none_is_a_fault(written, tmp_path, name, instead, why):
    with zipfile.ZipFile(tmp_path / "odd.zip", "w") as archive:
        archive.writestr(name.decode(), "Day,Seen\n")
    before, _, after = (tmp_path / "odd.zip").read_bytes().rpartition(name)
    assert fault_of(unpacked, written(before + instead + after, "odd.zip"), tmp_path) == (
        f"odd.zip cannot be unpacked ({why}). Export or pack it again."
    )


@pytest.mark.parametrize(
    ("name", "content", "form", "sentence"),
    [
        ("log.csv", "Day,Seen\n1,2\n", {"header_row": 5},
         "log.csv has no header where the source profile says. Mend its entry file."),
        ("log.csv", "Day,Seen,Day\n1,2,3\n", {},
         'log.csv: the column "Day" stands twice in the header. Rename one of them in the export.'),
        ("log.parquet", "no parquet file", {},
         "log.parquet cannot be read as Parquet (Invalid Input Error: No magic bytes found at end of file"
         " '{folder}/log.parquet'). Export it again."),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_so_is_a_fault(read, written, tmp_path, name, content, form, sentence):
    assert fault_of(read, written(content, name), **form) == sentence.format(folder=tmp_path)


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("log.csv", "Day,Seen\n" + "1,2\n" * 50 + "1\n" * 9,
         "log.csv: too many of its records cannot be split into the columns of the header, and nothing of it was read. Check"
         " the delimiter in the source profile, or look for a quote that is never closed."),
        ("log.jsonl", '{"Day": "1"}\n' * 50 + "1\n" * 9,
         "log.jsonl: 9 of its lines are no JSON objects. Check that it is a file of JSON lines."),
    ],
)  # fmt: skip
def test_a_file_of_which_too_little_can_be_read_is_refused(
    read, written, monkeypatch, name, content, sentence
):
    limits = [f"pipelines.intake.{room}.MOST_REFUSALS" for room in ("delimited", "tables")]
    for limit in limits:
        monkeypatch.setattr(limit, 10)
    assert len(read(written(content, name)).refused) == 9
    for limit in limits:
        monkeypatch.setattr(limit, 8)
    assert fault_of(read, written(content, name)) == sentence


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_empty_lines_are_no_records_up_to_a_number_of_them(read, written, monkeypatch, end, encoding):
    monkeypatch.setattr("pipelines.intake.delimited.MOST_EMPTY_LINES", 100)
    lines = f"Day,Seen{end}1,2{end}{end * 99}3,4{end}"
    found = read(written(lines.encode(encoding)), encoding=encoding)
    assert (found.rows, found.refused) == ({1: ["1", "2"], 2: ["3", "4"]}, [])
    more = f"Day,Seen{end}1,2{end}{end * 100}3,4{end}"
    assert fault_of(read, written(more.encode(encoding)), encoding=encoding) == (
        "log.csv: more than 100 empty lines follow one another. Remove them, or export it again."
    )


def test_what_the_reader_gives_no_reason_for_is_said_with_its_own_words(read, written, monkeypatch):
    def scan(*given):
        raise duckdb.Error("Something odd\nmore of it")

    monkeypatch.setattr("pipelines.intake.delimited._scan", scan)
    assert fault_of(read, written("Day,Seen\n1,2\n")) == (
        "log.csv cannot be read as delimited text (Something odd). Export it again as UTF-8 CSV."
    )
