"""The table of figures: whole, and read by all who speak of figures."""

import pytest

from optimizer.base.figures import FIGURES, OBJECTIVES, shown_in
from optimizer.brief import Constraints, brief_json_schema
from optimizer.brief.plausible import PLAUSIBLE
from optimizer.review.words import describe


@pytest.mark.parametrize("figure", FIGURES.values(), ids=lambda figure: figure.name)
def test_every_row_of_the_table_is_whole(figure):
    assert figure.meaning and figure.label and figure.part in {
        "statics", "powers", "ride", "heat", "speed", "charge", "use", "band", "safety", "row"
    }  # fmt: skip
    # Were an objective without a resolution band, the brief would take steps in any unit.
    assert (figure.step is not None) == (figure.more_is_better is not None)
    for band in filter(None, (figure.limit, figure.step)):
        assert band[0] < band[1]
    assert figure.limit is None or figure.more_is_better is not None
    assert describe(figure.name)[0] == figure.label


def test_the_brief_knows_every_objective_and_constraint():
    schema = brief_json_schema()["$defs"]
    assert set(schema["Objectives"]["properties"]["use"]["items"]["anyOf"][0]["enum"]) == set(OBJECTIVES)
    keys = {figure.constraint for figure in FIGURES.values() if figure.constraint}
    assert set(Constraints.model_fields) == keys
    assert all(schema["Constraints"]["properties"][key]["description"].strip() for key in keys)
    assert {key for key in PLAUSIBLE if key.startswith("constraints.")} == {f"constraints.{key}" for key in keys}
    assert {key for key in PLAUSIBLE if key.startswith("resolution.")} == {f"resolution.{name}" for name in OBJECTIVES}


def test_every_objective_is_shown_to_people():
    for view in "ts":
        assert set(OBJECTIVES) <= set(shown_in(view))
