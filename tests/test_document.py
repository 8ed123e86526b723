"""The measurement document's form, checked as the published schema says."""

import copy

import pytest
from jsonschema import Draft202012Validator
from pairs import document, flat

from tillerlens.core.document import document_validator, measurement_schema


def spoilt(*path, by):
    made = copy.deepcopy(document(flat, flat))
    at = made
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = by
    return made


@pytest.mark.parametrize(
    "made",
    [
        document(flat, flat),
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
    assert bool(plain) == (made != document(flat, flat))
