"""The measurement document's form, checked as the published schema says."""

import copy
import json
from dataclasses import replace

import pytest
from jsonschema import Draft202012Validator

from tests.support.made_up import asking, from_truth, front
from tests.support.pairs import flat, printed
from tillerlens.core.document import as_json, document_validator, fault_in, from_json, measurement_schema, parse_documents
from tillerlens.core.errors import DocumentError
from tillerlens.core.measurement import FoundOn, Measurement, PhotoId, measurement_of


def spoilt(*path, by):
    made = copy.deepcopy(printed(flat, flat))
    at = made
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = by
    return made


@pytest.mark.parametrize(
    "made",
    [
        printed(flat, flat),
        spoilt("profile", "upper", "thickness_mm", 3, by="thick"),
        spoilt("profile", "upper", "thickness_mm", 3, by=True),
        spoilt("profile", "lower", "centre_px", 0, by=[1.0, 2.0, 3.0]),
        spoilt("profile", "lower", "centre_px", 0, by=[1.0, "2"]),
        spoilt("profile", "lower", "centre_px", 0, by=[False, None]),
        spoilt("trace", "nocks_px", by=[[1, 2]] * 3),
        spoilt("values", "reflex", "u", by=-1.0),
    ],
)
def test_lists_looked_at_in_one_go_give_the_errors_of_the_published_form(made):
    plain = [(list(e.absolute_path), e.message) for e in Draft202012Validator(measurement_schema()).iter_errors(made)]
    assert [(list(e.absolute_path), e.message) for e in document_validator().iter_errors(made)] == plain
    assert bool(plain) == (made != printed(flat, flat))


def older():
    """As the first versions wrote it: neither the limbs nor the nocks in the bow's frame, places of bends unknown, no hash."""
    made = as_dict(measurement_of(printed(flat, flat)))
    for limb in made["profile"].values():
        del limb["centre_mm"]
    return made


def as_dict(found):
    return json.loads(as_json(found))


@pytest.mark.parametrize(
    "made",
    [
        older(),
        as_dict(from_truth("heron-drawn-27")),
        as_dict(replace(from_truth("heron-drawn-27"), found_on=FoundOn(("a.jpg", "b.jpg"), None))),
        as_dict(replace(front(), photo=PhotoId("a.jpg", "0" * 64, (30, 20)), version="1")),
        as_dict(replace(asking(), photo=PhotoId("a.jpg"), version="1")),
    ],
    ids=["older", "drawn", "found on several", "front", "asking"],
)
def test_what_is_read_back_is_written_as_it_was(made):
    assert fault_in(made) is None
    text = json.dumps(made, sort_keys=True)
    assert as_json(from_json(text)) == text  # to the last figure


def test_a_shot_that_is_none_is_refused_where_it_is_read():
    made = {**as_dict(from_truth()), "photo": {"name": "a.jpg"}, "shot": {"state": "drawn"}}
    with pytest.raises(DocumentError, match="shot that is not of the right form"):
        parse_documents(json.dumps(made).encode(), "a.json")


def test_what_was_said_of_a_picture_is_asked_for_in_words_where_it_is_not_known():
    with pytest.raises(DocumentError, match="a.jpg doesn't say"):
        _ = Measurement("refused", "unknown", photo=PhotoId("a.jpg")).facts
