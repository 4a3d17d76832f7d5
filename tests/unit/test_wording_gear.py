import pytest

from pipelines.packs.headings import heading
from pipelines.wording import CAUTIONS, cautions, counted, per_exposure
from pipelines.wording_gear import of_gear, own_speech, speak_of, spoken_of
from pipelines.wording_orders import cautions as order_cautions


@pytest.fixture
def of_links():
    with own_speech():
        speak_of("links and rings")
        yield


def test_words_are_those_of_shackles_where_nothing_is_said():
    assert spoken_of().name == "shackle"
    assert cautions() == list(CAUTIONS)
    assert counted(1, "shackle") == "1 shackle"


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("A shackle that was expected", "An item that was expected"),
        ("per 100 shackle-years", "per 100 item-years"),
        ("one shackle-year, two shackles", "one item-year, two items"),
        ("Shackles inspected", "Items inspected"),
        ("sizes and pins", "sizes and kinds"),
        ("pinned, shackled, spin", "pinned, shackled, spin"),  # parts of other words stay
        ("a pin-hole, a shackle-like link", "a pin-hole, a shackle-like link"),
    ],
)
def test_what_is_written_of_shackles_is_said_of_items(of_links, written, said):
    assert of_gear(written) == said


def test_sentences_headings_and_cautions_speak_of_the_family(of_links):
    assert counted(2, "shackle was", "shackles were") == "2 items were"
    assert per_exposure() == "per 100 item-years"
    assert heading("shackle_years").unit == "item-years"
    assert heading("quantity").words == "Items"
    together = " ".join([*cautions(), *order_cautions()]).lower()
    assert "shackle" not in together
    assert "pin" not in together.split()


def test_words_speak_afterwards_of_what_they_spoke_of_before():
    with own_speech():
        speak_of("adjustable hardware")
        assert heading("shackle_years").unit == "item-years"
    assert heading("shackle_years").unit == "shackle-years"
