"""More compartments, or sensors in them, than a search can order: named before anything; fit counts all the same."""

import pytest
from scenes import brief_of_many_tasks

from optimizer.base.problems import BadInput
from optimizer.brief import load_brief
from optimizer.catalog import read_cells
from optimizer.fit.placement.survey import survey
from optimizer.pack.wiring.harness import MOST_COMPARTMENTS, SENSORS_OF_MANY, TRIED_COMPARTMENTS
from optimizer.score.between import room_count_problems
from optimizer.score.inputs import load_inputs


def with_rooms(folder, count):
    path = brief_of_many_tasks(folder)
    head, *rooms = path.read_text().split("[[compartment]]")
    room, tail = rooms[-1].split("[electrical]")
    boxes = "".join("[[compartment]]" + room.replace('"front"', f'"box-{k}"') for k in range(count))
    path.write_text(head + boxes + "[electrical]" + tail)
    return path


def test_eleven_are_named_for_a_search_and_counted_by_fit(tmp_path):
    path = with_rooms(tmp_path, 11)
    with pytest.raises(BadInput, match="found 11") as bad:
        load_inputs(path)
    assert [problem.code for problem in bad.value.problems] == ["too-many-compartments"]
    wanted = load_brief(path)
    found = survey(wanted, read_cells(wanted.files()["catalog.cells"], sizes_only=True))
    assert len({finding.compartment.name for finding in found}) == 11
    assert sum(finding.cells for finding in found) > 0


def test_as_many_as_can_be_ordered_are_read(tmp_path):
    assert len(load_inputs(with_rooms(tmp_path, MOST_COMPARTMENTS)).brief.compartment) == MOST_COMPARTMENTS


@pytest.mark.parametrize(("rooms", "sensors", "codes"), [
    (TRIED_COMPARTMENTS, SENSORS_OF_MANY + 1, []),
    (TRIED_COMPARTMENTS + 1, SENSORS_OF_MANY, []),
    (TRIED_COMPARTMENTS + 1, SENSORS_OF_MANY + 1, ["too-many-sensors"]),
    (MOST_COMPARTMENTS + 1, SENSORS_OF_MANY + 1, ["too-many-compartments"]),
])  # fmt: skip
def test_more_sensors_than_ends_of_the_chain_need_few_compartments(tmp_path, rooms, sensors, codes):
    path = with_rooms(tmp_path, rooms)
    path.write_text(path.read_text() + f"\n[parts]\nsensors = {sensors}\n")
    assert [problem.code for problem in room_count_problems(load_brief(path))] == codes
