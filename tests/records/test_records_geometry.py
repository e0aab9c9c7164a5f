"""Spots against the distances of the rule books' court diagrams."""

from __future__ import annotations

import math

import pytest
from records_samples import frame, severities

from transfer.errors import ArgumentError
from transfer.records.geometry import BODIES, court, parse_spot, spot, spot_names
from transfer.records.reading import read_records


@pytest.mark.parametrize(
    ("label", "feet"),
    # 12-ft lane: NCAA court diagram and NFHS rule 1-5, rounded to a tenth of a foot.
    [("block", 6.4), ("mark_1", 8.4), ("mark_2", 10.8), ("mark_3", 13.6),
     ("circle_bottom", 7.75), ("free_throw_line", 13.75), ("elbow", 15.0),
     ("restricted_arc_top", 4.0)],
)  # fmt: skip
@pytest.mark.parametrize("body", ["NFHS", "NCAA"])
def test_distances_of_the_twelve_foot_lane(body, label, feet):
    assert spot(label, body).distance_ft == pytest.approx(feet, abs=0.051)


@pytest.mark.parametrize(
    ("body", "feet"),
    # Arcs: NFHS 19 ft 9 in; NCAA 22 ft 1.75 in; metric court 6.75 m.
    [("NFHS", 19.75), ("NCAA", 22 + 1.75 / 12), ("FIBA", 6.75 / 0.3048)],
)
def test_arcs(body, feet):
    assert spot("three_point_top", body).distance_ft == pytest.approx(feet, abs=1e-9)


def test_metric_lane():
    # Lane 4.90 m, free-throw line 5.80 m and ring centre 1.575 m from the end line.
    elbow = spot("elbow", "FIBA")
    assert elbow.distance_ft == pytest.approx(math.hypot(2.45, 4.225) / 0.3048)
    assert "mark_3" not in spot_names("FIBA")


def test_sixteen_foot_lane_is_wider_and_said_to_be_from_memory():
    assert spot("elbow", "lane_16ft").distance_ft == pytest.approx(math.hypot(8, 13.75))
    assert "from memory" in spot("elbow", "lane_16ft").source


@pytest.mark.parametrize("body", list(BODIES))
def test_every_spot_has_place_distance_and_source(body):
    for name in spot_names(body):
        place = spot(name, body)
        assert place.distance_ft == pytest.approx(math.hypot(place.x, place.y))
        assert place.source.startswith(f"{body}: ")
        assert len(place.source) > len(body) + 5
        assert place.y >= -court(body).end_line


@pytest.mark.parametrize(
    ("label", "expected"),
    [("left_block", ("block", "left")), ("Right elbow", ("elbow", "right")),
     ("mark-1 left", ("mark_1", "left")), ("free throw line", ("free_throw_line", "middle")),
     ("elbow", ("elbow", ""))],
)  # fmt: skip
def test_labels_with_sides(label, expected):
    assert parse_spot(label) == expected


def test_left_mirrors_right():
    left, right = spot("left_mark_2"), spot("right_mark_2")
    assert (left.x, left.y, left.distance_ft) == (-right.x, right.y, right.distance_ft)


def test_unknown_labels_name_the_nearest():
    with pytest.raises(ArgumentError, match="elbow"):
        spot("elbo")
    with pytest.raises(ArgumentError, match="NFHS"):
        court("NFSH")


def test_spots_fill_distance_and_side_by_body():
    rows = frame([{"spot": "left_block"}, {"spot": "elbow", "side": "right"}, {"spot": ""}])
    table = read_records(rows, rule_body="FIBA").practice.set_index("spot")
    assert table.loc["block", "distance_ft"] == pytest.approx(
        spot("block", "FIBA").distance_ft, abs=1e-4
    )
    assert table["side"].to_dict() == {"block": "left", "elbow": "right", "": ""}
    assert math.isnan(table.loc["", "distance_ft"])


def test_charted_distance_wins_and_a_far_spot_is_warned_about():
    records = read_records(frame([{"spot": "block", "distance_ft": 12.0}]))
    assert records.practice["distance_ft"].tolist() == [12.0]
    assert "12 ft, block 6.4 ft" in severities(records, "warning")["value"][0]


def test_own_labels_are_fine_with_a_distance():
    records = read_records(frame([{"spot": "tape_x", "distance_ft": 9.0}]))
    assert records.practice["distance_ft"].tolist() == [9.0]
