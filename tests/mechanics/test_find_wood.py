"""Woods as bowyers write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tillerlens.mechanics.find_wood import STAVE_SPREAD, find_wood
from tillerlens.mechanics.wood import WoodError, species_table


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("osage", "Osage-orange"), ("osage orange", "Osage-orange"), ("Osage-orange", "Osage-orange"), ("bodark", "Osage-orange"),
        ("hedge", "Osage-orange"), ("Bois d'arc", "Osage-orange"), ("bois d\u2019arc stave", "Osage-orange"),
        ("NORTHERN RED OAK", "northern red oak"), ("  black   locust ", "black locust"), ("honey locust", "honeylocust"),
        ("rock maple", "sugar maple"), ("red elm", "slippery elm"), ("eastern red cedar", "eastern redcedar"),
        ("pignut", "pignut hickory"), ("bitternut", "bitternut hickory"), ("sweet-gum", "sweetgum"),
    ],
)  # fmt: skip
def test_other_names_of_the_very_wood_need_no_word(written, name):
    found = find_wood(written)
    assert (found.species.name, found.said, found.spread) == (name, "", STAVE_SPREAD)


@pytest.mark.parametrize(
    ("written", "name"),
    [("hickory", "shagbark hickory"), ("Hickories", "shagbark hickory"), ("elm", "American elm"),
     ("red oaks", "northern red oak"),
     ("ashes", "white ash"), ("yew", "Pacific yew"), ("locust", "black locust"), ("red oak board", "northern red oak")],
)  # fmt: skip
def test_a_name_of_several_woods_says_whose_figures_are_used(written, name):
    found = find_wood(written)
    assert found.species.name == name and "several woods" in found.said and name in found.said
    assert found.spread >= STAVE_SPREAD


@pytest.mark.parametrize(
    ("written", "name"),
    [("vine maple", "sugar maple"), ("hop hornbeam", "sugar maple"), ("Hop-Hornbeam", "sugar maple"), ("ironwood", "sugar maple"),
     ("black ash", "white ash"), ("English yew", "Pacific yew"), ("juniper", "eastern redcedar"),
     ("swamp white oak", "northern red oak")],
)  # fmt: skip
def test_a_wood_that_is_not_there_names_its_stand_in_and_is_less_sure(written, name):
    found = find_wood(written)
    assert found.species.name == name and f"{name}'s figures stand in" in found.said and found.spread > STAVE_SPREAD


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("hickery", "shagbark hickory"),
        ("suger maple", "sugar maple"),
        ("osage ornge", "Osage-orange"),
        ("redoak", "northern red oak"),
    ],
)
def test_a_misspelt_name_is_read_and_said(written, name):
    found = find_wood(written)
    assert found.species.name == name and f"'{written}' is read as" in found.said


@pytest.mark.parametrize(
    "written", ["hazel", "balsa", "mountain ash", "western red cedar", "mulberry", "plum", "ok", "12", "", "x" * 99]
)
def test_a_wood_that_nothing_comes_near_is_asked_about(written):
    with pytest.raises(WoodError) as error:
        find_wood(written)
    assert error.value.remedy


def test_every_wood_of_the_table_is_found_as_itself():
    for name in species_table():
        for written in (name, name.upper(), name.replace("-", " "), f"{name}s", f" {name} stave"):
            assert find_wood(written).species.name == name, written


@given(st.text(max_size=70))
def test_any_text_is_a_wood_or_a_question(text):
    try:
        found = find_wood(text)
    except WoodError as error:
        assert error.text and error.remedy
    else:
        assert found.species.name in species_table()
