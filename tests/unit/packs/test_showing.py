import pandas as pd

from pipelines.packs.showing import COMPLETED, Cautions, Completed, Table, Words
from pipelines.wording import CAUTIONS

ROWS = pd.DataFrame(
    {
        "client": ["Brackle Docks", "Ferrow Mills", "Brackle Docks"],
        "site": ["Sea <Wall>", "Press Hall", "North Shed"],
        "month": ["2026-02", "2026-02", "2026-02"],
        "inspected": [12345, 7, 0],
        "rate_upper": [12.345, None, 0.04],
        "share_found_at_current": [0.0459, None, 1.0],
        "needs_sign_off": [True, False, False],
        "due_on": pd.to_datetime(["2026-03-05", None, "2026-03-06"]),
    }
)


def test_a_table_has_headings_with_units_and_figures_as_a_reader_expects_them():
    html = Table(ROWS.head(1), list(ROWS.columns[1:]), "Places & rates")._repr_html_()
    assert "<caption>Places &amp; rates</caption>" in html
    assert (
        '<th scope="col" class="figure">Rate, upper limit<span class="unit">per 100 shackle-years</span></th>'
        in html
    )
    assert html.count('scope="col"') == 7
    assert (
        '<tr><th scope="row">Sea &lt;Wall&gt;</th><td>February 2026</td><td class="figure">12,345</td>'
        '<td class="figure">12.3</td><td class="figure">4.6</td><td>yes</td><td class="day">2026-03-05</td></tr>'
    ) in html


def test_a_missing_figure_is_a_dash_and_not_a_zero():
    html = Table(ROWS.iloc[[1]], ["site", "rate_upper"], "")._repr_html_()
    assert '<td class="figure"><span class="none" role="img" aria-label="none">–</span></td>' in html
    assert "nan" not in html.lower()


def test_clients_stand_in_groups_of_their_own():
    html = Table(ROWS, ["client", "site"], "")._repr_html_()
    first, second = html.split("<tbody>")[1:]
    assert 'scope="rowgroup" colspan="1" class="group">Brackle Docks</th>' in first
    assert first.index("Sea") < first.index("North Shed")
    assert "Press Hall" in second
    assert ">Client<" not in html


def test_a_long_table_says_how_much_of_it_is_shown():
    html = Table(ROWS, ["site"], "", most=2)._repr_html_()
    assert "North Shed" not in html
    assert "The first 2 of 3 rows; all are in the tables that come with this report." in html
    assert "No row." in Table(ROWS.head(0), ["site"], "")._repr_html_()


def test_words_are_a_paragraph_or_a_list_in_order():
    assert Words("1 < 2")._repr_html_() == '<p class="said">1 &lt; 2</p>'
    assert Words(["alone"])._repr_html_() == Words("alone")._repr_html_()
    assert Words(["first", "second"])._repr_html_() == '<ol class="said"><li>first</li><li>second</li></ol>'
    assert Words([])._repr_html_() == ""


def test_a_long_list_says_how_much_of_it_is_shown():
    html = Words([f"point {number}" for number in range(1, 32)])._repr_html_()
    assert "<li>point 30</li></ol>" in html
    assert html.endswith(
        '<p class="note">The first 30 of 31 points; all are in the tables that come with this report.</p>'
    )
    assert 'class="note"' not in Words(["point"] * 30)._repr_html_()


def test_all_cautions_are_shown():
    html = Cautions()._repr_html_()
    assert html.count("<li>") == len(CAUTIONS) > 0


def test_the_mark_of_completion_carries_the_headline():
    assert Completed("All is well.")._repr_mimebundle_()[COMPLETED] == {"headline": "All is well."}


def test_a_name_from_right_to_left_does_not_carry_off_the_figures_after_it():
    said = "At מנופי הצפון, 12 of 30 shackles; at رصيف البحر: 4."
    isolated = "At <bdi>מנופי הצפון</bdi>, 12 of 30 shackles; at <bdi>رصيف البحر</bdi>: 4."
    assert isolated in Words(said)._repr_html_()
    assert isolated in Words([said])._repr_html_()
    assert f"<caption>{isolated}</caption>" in Table(ROWS, ["site"], said)._repr_html_()
