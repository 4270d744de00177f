"""More compartments than a search can order: named before anything is computed; fit counts their cells all the same."""

import pytest
from scenes import brief_of_many_tasks

from optimizer.brief import load_brief
from optimizer.catalog import read_cells
from optimizer.inputs import load_inputs
from optimizer.pack.harness import MOST_COMPARTMENTS
from optimizer.problems import BadInput
from optimizer.survey import survey


def with_rooms(folder, count):
    path = brief_of_many_tasks(folder)
    head, *rooms = path.read_text().split("[[compartment]]")
    room, tail = rooms[-1].split("[electrical]")
    boxes = "".join("[[compartment]]" + room.replace('"front"', f'"box-{k}"') for k in range(count))
    path.write_text(head + boxes + "[electrical]" + tail)
    return path


def test_ten_are_named_for_a_search_and_counted_by_fit(tmp_path):
    path = with_rooms(tmp_path, 10)
    with pytest.raises(BadInput, match="found 10") as bad:
        load_inputs(path)
    assert [problem.code for problem in bad.value.problems] == ["too-many-compartments"]
    wanted = load_brief(path)
    found = survey(wanted, read_cells(wanted.files()["catalog.cells"], sizes_only=True))
    assert len({finding.compartment.name for finding in found}) == 10
    assert sum(finding.cells for finding in found) > 0


def test_as_many_as_can_be_ordered_are_read(tmp_path):
    assert len(load_inputs(with_rooms(tmp_path, MOST_COMPARTMENTS)).brief.compartment) == MOST_COMPARTMENTS
